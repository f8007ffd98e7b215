"""What goes into the engine and what comes out of it: frozen values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum, StrEnum

from ingest.drives import Volume
from ingest.evidence import Route, State

__all__ = [
    "COMPARED",
    "Action",
    "CardState",
    "CopyOutcome",
    "CopyOutcomeOf",
    "Destination",
    "DriveMeter",
    "DriveStopped",
    "Event",
    "FileOutcome",
    "FileTask",
    "Progress",
]

COMPARED = "xxh128"
"""The checksum kind that read-back compares; always computed, whatever else was asked for."""


class Action(Enum):
    """What is to be done for one file on one drive."""

    WRITE = "write"
    CHECK = "check"
    """It is there already: read it past the cache and compare with the card's read."""
    REPLACE = "replace"
    """Write it, and only when it has matched move what stands in its place aside, under a name
    that says so."""
    NOTHING = "nothing"


@dataclass(frozen=True, slots=True)
class FileTask:
    """One file of the card, and what each destination needs, in the destinations' order."""

    path: str
    size: int
    mtime_ns: int
    """What the copies get."""
    actions: tuple[Action, ...]
    expected: Mapping[str, str] | None = None
    """Checksum kind to digest that the read must give where it is known already: another read
    gets no final name anywhere. At least one of the kinds must be among those computed."""
    source_mtime_ns: int | None = None
    """The time that the file bears where it is read, when it isn't `mtime_ns`."""
    source_path: str | None = None
    """Where it is read, when that isn't `path`."""

    @property
    def drives(self) -> tuple[int, ...]:
        """Those that need something."""
        return tuple(number for number, one in enumerate(self.actions) if one is not Action.NOTHING)


@dataclass(frozen=True, slots=True)
class Destination:
    """A roll's folder on a drive. `folder` is POSIX, relative to the volume's root."""

    name: str
    volume: Volume
    folder: str
    read_back_after: bool = False
    """Wait with reading back until all is written: kinder to disks with moving heads."""


class CardState(StrEnum):
    """How the card's one read of a file went."""

    READ = "read"
    UNREADABLE = "unreadable"
    CHANGED = "changed"
    """Its length or time was another when it was read than in the inventory."""
    OTHER = "other content"
    """It was read whole, and isn't what was expected."""
    NOT_REACHED = "not reached"


@dataclass(frozen=True, slots=True)
class CopyOutcome:
    """What became of one file on one drive. `matched` only after a comparison past the write."""

    drive: int
    """Index of the destination."""
    state: State
    route: Route | None = None
    size: int | None = None
    digest: str | None = None
    """What was read back, in the kind `COMPARED`."""
    detail: str = ""
    written: bool = False
    """This run wrote it (and did not just find it there)."""


CopyOutcomeOf = tuple[int, CopyOutcome | None]
"""Index of the task, and what became of it on one drive; None: the card could not give it."""


@dataclass(frozen=True, slots=True)
class FileOutcome:
    """What became of one file. `copies` has one entry for each drive that was asked for it."""

    path: str
    size: int
    mtime_ns: int
    card: CardState
    detail: str
    samples: str
    digests: Mapping[str, str]
    copies: tuple[CopyOutcome, ...]


@dataclass(frozen=True, slots=True)
class DriveMeter:
    written: int
    checked: int
    """Bytes read back."""
    stopped: str
    """Why the drive was given up, or empty."""


@dataclass(frozen=True, slots=True)
class Progress:
    """Told a few times a second. Bytes since the start."""

    read: int
    drives: tuple[DriveMeter, ...]


@dataclass(frozen=True, slots=True)
class DriveStopped:
    """A drive was given up for this run; the others go on."""

    drive: int
    why: str


@dataclass(frozen=True, slots=True)
class CopyMatched:
    """The first copy of a file has matched, and stands under its final name on that drive; the
    other drives may still be at it."""

    path: str
    size: int
    drive: int
    digests: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class CardRead:
    """The card may leave the reader: all that could be read was read."""


Event = Progress | DriveStopped | CopyMatched | CardRead
