"""The paper of the shoot as the catalog keeps it: rows of logs and shot lists, links to clips.

Text is as written, trimmed. Times stay on the axis they were written on: a timecode is a label,
a wall clock is the time of day of whoever kept the log; neither is turned into the other here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

__all__ = ["ComparedSound", "Mark", "PlannedShot", "Rating", "SlateRow", "Sure", "TakeLink"]


class Rating(StrEnum):
    CIRCLED = "circled"
    KEEP = "keep"
    NG = "NG"


class Mark(StrEnum):
    """What a log says of how a take was slated or shot, besides its rating."""

    SERIES = "series"
    """One of several takes in one clip."""
    FALSE_START = "false start"
    """Given up before it was a take."""
    TAIL_SLATE = "tail slate"
    """Slated at the end of the clip."""
    NO_SLATE = "no slate"
    SECOND_STICKS = "second sticks"
    """Clapped twice: the second clap counts for sync."""
    PICK_UP = "pick-up"
    WILD_TRACK = "wild track"
    ROOM_TONE = "room tone"


class Sure(StrEnum):
    """How sure a link between clip and take is."""

    SURE = "sure"
    LIKELY = "likely"
    OPEN = "open"


@dataclass(frozen=True, slots=True)
class SlateRow:
    """One row of a slate log, as loaded. Text as written, trimmed."""

    scene: str
    take: str
    shot: str | None = None
    day: int | None = None
    camera: str | None = None
    roll: str | None = None
    sound_roll: str | None = None
    clip: str | None = None
    start_timecode: str | None = None
    end_timecode: str | None = None
    rating: Rating | None = None
    mos: bool = False
    note: str | None = None
    extra: Mapping[str, str] = field(default_factory=dict)
    """Every other column of the row, header as written."""
    log: str = ""
    """Name of the file it came from."""
    row: int = 0
    """Line in that file, the header being 1."""
    date: str | None = None
    """The date that stands in the row, ISO 8601, where a date and no number says the day."""
    start_clock: str | None = None
    """HH:MM:SS by the wall clock of whoever kept the log; 00 where no seconds stood."""
    end_clock: str | None = None
    marks: tuple[Mark, ...] = ()
    """In the order of `Mark`, each once; those that follow from the take's name too."""
    frame_rate: str | None = None
    lens: str | None = None
    stop: str | None = None
    """T-stop or f-number, as written."""
    filter: str | None = None
    iso: str | None = None
    white_balance: str | None = None
    shutter: str | None = None


@dataclass(frozen=True, slots=True)
class PlannedShot:
    """One row of a shot list: what is to be shot."""

    scene: str
    shot: str | None = None
    """Frame of the storyboard, or line of the shot list; None where only the scene is planned."""
    setup: str | None = None
    day: int | None = None
    date: str | None = None
    """ISO 8601, where a date and no number says the day."""
    size: str | None = None
    location: str | None = None
    cameras: tuple[str, ...] = ()
    """Letters, in the order of the list."""
    note: str | None = None
    extra: Mapping[str, str] = field(default_factory=dict)
    list: str = ""
    """Name of the file it came from."""
    row: int = 0
    """Line in that file, the header being 1."""


@dataclass(frozen=True, slots=True)
class TakeLink:
    """A clip holds a take (or part of one)."""

    clip_id: int
    scene: str
    take: str
    shot: str | None
    rating: Rating | None
    sure: Sure
    basis: str
    """What the link rests on, in words."""
    note: str | None = None
    by_hand: bool = False


@dataclass(frozen=True, slots=True)
class ComparedSound:
    """What the waveforms of a picture and a sound file said, whatever clips they belong to."""

    picture: str
    """The file's content: kind of checksum and digest, `kind:digest`."""
    sound: str
    method: int
    """Which way of comparing it was (`slate.matching.by_waveform.METHOD`)."""
    same: bool | None
    """None: nothing can be said."""
    lag_us: int | None
    """Microseconds by which the sound file starts after the picture, where it is the same."""
    at: datetime
