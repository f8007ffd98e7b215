"""What the catalog holds, as the rest of the program sees it: frozen values, no database in them.

Ids are the catalog's own integers. Paths inside a roll are POSIX, relative, exact (see
`ingest.names`). `at` is aware UTC and for people; the order of evidence is its `id`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from ingest.catalog.slate_records import (
    ComparedSound,
    Mark,
    PlannedShot,
    Rating,
    SlateRow,
    Sure,
    TakeLink,
)
from ingest.drives import CardSeen, DriveSeen
from ingest.evidence import Act, Against, Route, State
from ingest.media.facts import ClipFacts
from ingest.media.health import Health, standing

__all__ = [
    "CardNote",
    "CardSeen",
    "Clip",
    "ClipFile",
    "ClipLook",
    "ClipRole",
    "ComparedSound",
    "Copy",
    "Drive",
    "DriveSeen",
    "FileRecord",
    "Look",
    "Mark",
    "NewCardLook",
    "NewClip",
    "NewClipLook",
    "NewDigest",
    "NewFile",
    "NewLook",
    "NewOffload",
    "Observer",
    "Offload",
    "OffloadDrive",
    "OffloadEnd",
    "PlannedShot",
    "Rating",
    "Roll",
    "SlateRow",
    "Sure",
    "TakeLink",
]


@dataclass(frozen=True, slots=True)
class Observer:
    """Who looked, from which machine: carried by every piece of evidence."""

    who: str
    machine: str
    boot: str
    """Boot id of the machine: with `Look.mount` it tells one mount from a later one."""


@dataclass(frozen=True, slots=True)
class Drive:
    id: int
    marker: str
    name: str
    fs_uuid: str | None
    serial: str | None
    device: str
    fs_type: str
    root: str
    """Where it was last seen."""
    first_seen: datetime
    last_seen: datetime


@dataclass(frozen=True, slots=True)
class Roll:
    id: int
    production: str
    name: str
    day: int
    date: str
    """The shoot day's date, ISO 8601."""
    camera: str | None
    card: str
    """Label of the card it came from."""


@dataclass(frozen=True, slots=True)
class NewOffload:
    """The start of an offload. The roll is made when the production hasn't it yet."""

    run: str
    """Random id of this run, hexadecimal."""
    production: str
    roll: str
    day: int
    date: str
    camera: str | None
    card: CardSeen
    observer: Observer
    started: datetime
    plan: Mapping[str, object] = field(default_factory=dict)
    """What was asked (checksum kinds, layout, destinations), as plain JSON."""


@dataclass(frozen=True, slots=True)
class OffloadDrive:
    """What one offload left on one drive. Seconds count from the start of the copying."""

    drive_id: int
    folder: str
    """The roll's folder, POSIX, relative to the drive's root."""
    files_matched: int
    bytes: int
    seconds: float
    route: Route
    problem: str = ""
    """Why the drive was given up, or empty."""
    pace: tuple[tuple[float, int], ...] = ()
    """Seconds since the start, and bytes done by then (half for writing, half for reading
    back), some two hundred times at most; empty when nothing was measured."""


@dataclass(frozen=True, slots=True)
class OffloadEnd:
    finished: datetime
    verdict: str
    """matched, problem, or stopped."""
    card_read: int
    seconds: float
    bytes: int
    files: int
    known: int
    left_out: int
    drives: tuple[OffloadDrive, ...]


@dataclass(frozen=True, slots=True)
class Offload:
    id: int
    run: str
    roll: Roll
    observer: Observer
    started: datetime
    plan: Mapping[str, object]
    end: OffloadEnd | None
    """None while it runs, and for ever when it was cut off."""
    card: CardSeen | None = None
    """The card as it stood; the catalog always fills it in."""


@dataclass(frozen=True, slots=True)
class CardNote:
    """Something on a card that was seen and not copied whole, or (`witness`) not copied again.

    `kind`: litter, link, special, unreadable, changed, vanished, appeared, damaged, older, witness,
    disputed (copied, and not what the card's own hash lists say).
    """

    kind: str
    path: str
    detail: str = ""


@dataclass(frozen=True, slots=True)
class NewFile:
    """One file that an offload read from the card."""

    path: str
    size: int
    """Bytes, equal in inventory, on the card and read."""
    mtime_ns: int
    """As the card states it."""
    samples: str
    """Digest of fixed samples (see copying.samples); tells files of one name apart."""
    digests: Mapping[str, str]
    """Checksum kind to digest of the card's one read."""


@dataclass(frozen=True, slots=True)
class FileRecord:
    id: int
    roll_id: int
    offload_id: int
    path: str
    size: int
    mtime_ns: int
    samples: str
    digests: Mapping[str, str]
    later: frozenset[str] = frozenset()
    """Kinds among `digests` that no read of the card gave: an audit added them, from a copy that
    was equal in another kind in the same read."""


@dataclass(frozen=True, slots=True)
class NewDigest:
    """A checksum of a further kind, from a copy that was equal in another kind in the same read."""

    file_id: int
    copy_id: int
    kind: str
    digest: str
    at: datetime


@dataclass(frozen=True, slots=True)
class NewCardLook:
    """A further read of a file on its card, whole: what it gave, equal to its offload's or not."""

    file_id: int
    route: Route
    kind: str
    digest: str
    at: datetime


@dataclass(frozen=True, slots=True)
class Copy:
    """A place where a file was put. Whether it is good is for its evidence to say."""

    id: int
    file_id: int
    drive_id: int
    path: str
    """POSIX, relative to the drive's root."""


@dataclass(frozen=True, slots=True)
class NewLook:
    """One observation of one copy: evidence, never changed once written."""

    file_id: int
    drive_id: int
    path: str
    """POSIX, relative to the drive's root."""
    act: Act
    state: State
    route: Route | None
    against: Against
    size: int | None
    """Bytes found; None when it could not be opened."""
    kind: str | None
    """The checksum kind that was compared."""
    digest: str | None
    """What was found, in that kind."""
    mount: str
    """Which mount of the drive (its mount id); with the boot id, one mount from another."""
    at: datetime
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Look:
    """A piece of evidence as the catalog keeps it; `id` is the catalog's own sequence."""

    id: int
    copy_id: int
    run: str
    """The offload, audit or mending that it belongs to."""
    act: Act
    state: State
    route: Route | None
    against: Against
    size: int | None
    kind: str | None
    digest: str | None
    mount: str
    at: datetime
    detail: str
    observer: Observer


class ClipRole(StrEnum):
    SPAN = "span"
    """A part of the recording itself, in order."""
    COMPANION = "companion"
    """Beside it: metadata, thumbnail, proxy, LUT."""


@dataclass(frozen=True, slots=True)
class ClipFile:
    path: str
    role: ClipRole


@dataclass(frozen=True, slots=True)
class NewClip:
    name: str
    """Without extension and roll: `C0001`."""
    files: tuple[ClipFile, ...]
    """The spans in order, then the companions."""
    facts: ClipFacts
    poster: str | None
    """Name of its picture in the catalog's poster folder, or None."""
    slate_picture: str | None = None
    """Name of the picture of its slate, likewise; None where no slate was heard."""


@dataclass(frozen=True, slots=True)
class NewClipLook:
    """A look at a clip, to see whether it plays: never changed once written."""

    clip_id: int
    health: Health
    drive: str
    """Name of the drive whose copy was looked at."""
    at: datetime


@dataclass(frozen=True, slots=True)
class ClipLook:
    id: int
    clip_id: int
    health: Health
    drive: str
    at: datetime
    run: str
    observer: Observer


@dataclass(frozen=True, slots=True)
class Clip:
    id: int
    roll: Roll
    name: str
    files: tuple[ClipFile, ...]
    facts: ClipFacts
    poster: str | None
    slate_picture: str | None = None
    looks: tuple[ClipLook, ...] = ()
    """Whether it plays: every look at it, in order."""

    @property
    def health(self) -> Health | None:
        """What its looks come to (`media.health.standing`); None: nobody has looked."""
        return standing([look.health for look in self.looks])

    @property
    def full_name(self) -> str:
        """ROLL/NAME, since names repeat."""
        return f"{self.roll.name}/{self.name}"
