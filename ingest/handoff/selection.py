"""The clips that are handed over, as values: named, timed exactly, with one path each. Pure.

A part is one file of a clip; most clips have one, a long recording several, in order. Times are
`Span`s: whole counts at an exact rate, never seconds as a floating number.
"""

from __future__ import annotations

import contextlib
from dataclasses import dataclass
from fractions import Fraction

from ingest.catalog.records import Clip, TakeLink
from ingest.media.facts import ClipFacts, ClipKind
from ingest.media.timecode import BadTimecode, from_label

__all__ = ["HandedClip", "Part", "Span", "span_of"]


@dataclass(frozen=True, slots=True)
class Span:
    """When a file runs: `start` and `length` are counts at `rate` a second."""

    start: int
    length: int
    rate: Fraction

    @property
    def end(self) -> int:
        """The first count after it."""
        return self.start + self.length


@dataclass(frozen=True, slots=True)
class Part:
    """One file. `place` is the best path that can be read now; None: there is none."""

    file: str
    """Relative to the roll's folder."""
    place: str | None
    drive: str
    state: str
    span: Span | None
    """None: no length is known (a still, a file that couldn't be read)."""


@dataclass(frozen=True, slots=True)
class HandedClip:
    name: str
    """What people call it."""
    clip: Clip
    takes: tuple[TakeLink, ...]
    parts: tuple[Part, ...]

    @property
    def missing(self) -> tuple[str, ...]:
        """Files of it that can't be read now."""
        return tuple(part.file for part in self.parts if part.place is None)

    @property
    def is_sound(self) -> bool:
        return self.clip.facts.kind is ClipKind.SOUND


def span_of(facts: ClipFacts, after: Span | None = None) -> Span | None:
    """When a file runs, exactly; None where its length isn't known.

    Picture counts frames at its own rate, from its start timecode. Sound counts samples, from its
    time reference (EBU Tech 3285), since that may lie between two frames. Without a timecode it
    starts at 0, and the next file of a long recording where the one before it (`after`) ended.
    """
    if facts.kind is ClipKind.SOUND:
        return _sound(facts, after)
    rate = facts.frame_rate
    if rate is None:
        return None
    length = facts.duration_frames
    if length is None and facts.duration_seconds is not None:
        length = round(facts.duration_seconds * rate)
    if not length:
        return None
    start = after.end if after is not None and after.rate == rate else 0
    if facts.start_timecode is not None:
        # A label that doesn't exist goes along as text; no count of it can be trusted.
        with contextlib.suppress(BadTimecode):
            start = from_label(facts.start_timecode, rate).frames
    return Span(start, length, rate)


def _sound(facts: ClipFacts, after: Span | None) -> Span | None:
    rate = next((track.sample_rate for track in facts.audio if track.sample_rate), None)
    if rate is None or facts.duration_seconds is None:
        return None
    length = round(facts.duration_seconds * rate)
    if length <= 0:
        return None
    start = after.end if after is not None and after.rate == rate else 0
    if facts.sound is not None and facts.sound.time_reference is not None:
        start = facts.sound.time_reference
    return Span(start, length, Fraction(rate))
