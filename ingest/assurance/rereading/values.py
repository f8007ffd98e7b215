"""What is to be read again, and what comes of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from ingest.assurance.audit import Expected, Judged
from ingest.drives import Volume

__all__ = [
    "Checked",
    "DriveGone",
    "DriveTask",
    "Finding",
    "Item",
    "Progress",
    "Speed",
    "TimeUp",
    "UnknownFile",
]


@dataclass(frozen=True, slots=True)
class Item:
    """One copy to look at. `path` is POSIX, relative to the volume's root."""

    key: int
    """The caller's own number for it."""
    path: str
    expected: Expected


@dataclass(frozen=True, slots=True)
class DriveTask:
    name: str
    volume: Volume
    items: tuple[Item, ...]
    folders: tuple[str, ...] = ()
    """Roll folders, relative to the volume's root, to be searched for what nobody knows."""
    known: frozenset[str] = frozenset()
    """Every path that is known there, whether in `items` or not."""
    also: tuple[str, ...] = ()
    """Checksum kinds to compute in the same read, besides the one that is compared."""


@dataclass(frozen=True, slots=True)
class Checked:
    drive: int
    """Index of the task."""
    item: Item
    judged: Judged
    about_the_copy: bool = True
    """False: the system refused us (permission and the like); no evidence about the copy."""
    mtime_ns: int | None = None
    """As found."""
    digests: Mapping[str, str] = field(default_factory=dict)
    """Every digest that the read gave."""


@dataclass(frozen=True, slots=True)
class UnknownFile:
    """In a roll's folder, and nobody knows of it."""

    drive: int
    folder: str
    path: str
    """Relative to the volume's root."""


@dataclass(frozen=True, slots=True)
class DriveGone:
    """The drive left, or stopped answering; the rest of it was not read."""

    drive: int
    why: str


@dataclass(frozen=True, slots=True)
class TimeUp:
    """The time given is used up; the rest of the drive was not read."""

    drive: int


@dataclass(frozen=True, slots=True)
class Speed:
    """Told when a drive was read, as far as it was: what came of it for the next estimate."""

    drive: int
    bytes: int
    seconds: float


Finding = Checked | UnknownFile | DriveGone | TimeUp | Speed


@dataclass(frozen=True, slots=True)
class Progress:
    """Told a few times a second: bytes (copies, when only looking) done of each task."""

    names: tuple[str, ...]
    done: tuple[int, ...]
    total: tuple[int, ...]
