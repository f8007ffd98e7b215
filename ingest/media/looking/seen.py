"""What looking at a clip gave, as values, before it is judged."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from ingest.media.health import Depth

__all__ = ["BLACK", "Glimpse", "Heard", "Seen"]

BLACK = 24.0
"""Mean luma of 255 up to which a frame counts as black, with little spread; video black is 16."""


@dataclass(frozen=True, slots=True)
class Glimpse:
    """One frame that was looked at, or tried."""

    place: str
    """first, middle, last, or a share of the length."""
    error: str = ""
    """Why it could not be decoded, or empty; then the rest says nothing."""
    mean: float = 0.0
    """Luma from 0 (black) to 255."""
    spread: float = 0.0
    """Standard deviation of luma."""
    sharp: float = 0.0
    """Mean difference of neighbours on a small copy: blur and black are near 0."""
    middle: bytes = b""
    """Luma of its middle, pixel for pixel, to tell a frozen picture from a quiet one."""
    number: int | None = None
    """Its time in the file's own count: one frame may stand for two places of a short clip."""


@dataclass(frozen=True, slots=True)
class Heard:
    """What was heard of one sound track."""

    peaks: tuple[float, ...] = ()
    """By channel, the loudest sample heard, full scale being 1."""
    places: int = 0
    """How many pieces were listened to; 0 with an error: none could be."""
    error: str = ""


@dataclass(frozen=True, slots=True)
class Seen:
    """What looking at a clip gave, before it is judged."""

    error: str = ""
    """Why it can't be opened, or empty."""
    no_decoder: str = ""
    """The codec that can't be decoded here, or empty."""
    glimpses: tuple[Glimpse, ...] = ()
    sounds: tuple[Heard, ...] = ()
    picture_seconds: Fraction | None = None
    sound_seconds: tuple[Fraction | None, ...] = ()
    depth: Depth = Depth.SAMPLED
    frames: int | None = None
    """Frames decoded; with `depth` deep, all that there are."""
    bad_frames: int = 0
    """Deep only: packets that could not be decoded, and frames that the decoder calls corrupt."""
    first_bad: Fraction | None = None
    """Seconds from its start."""
    same_frames: int = 0
    """Deep only: frames that equal the one before."""
    black_frames: int = 0
    """Deep only."""
