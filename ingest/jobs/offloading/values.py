"""What an offload is asked, what it plans, and what came of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from enum import Enum
from typing import TYPE_CHECKING

from ingest.card.inventory import CardFile, Inventory
from ingest.catalog.records import FileRecord, Roll
from ingest.copying.plan import Stock
from ingest.copying.values import Action
from ingest.drives import CardSeen, Volume
from ingest.jobs.offloading.card_history import CardHistory
from ingest.media.health import Health
from ingest.settings import Settings

if TYPE_CHECKING:
    from ingest.assurance.footage.set_wrong import Oddity
    from ingest.assurance.footage.timecodes import TimecodeFault

__all__ = [
    "ClipHealth",
    "Confirming",
    "DriveResult",
    "Phase",
    "Plan",
    "PlannedDrive",
    "Problem",
    "Request",
    "Result",
]


@dataclass(frozen=True, slots=True)
class Request:
    """One card and what was said about it; None is worked out and shown."""

    card: str
    to: tuple[str, ...]
    """Folders, or names of known drives that are mounted."""
    now: datetime
    """Aware, in the machine's local zone."""
    settings: Settings
    production: str | None = None
    day: int | None = None
    roll: str | None = None
    camera: str | None = None
    label: str | None = None
    """The card's sticker."""
    checksums: tuple[str, ...] = ()
    layout: str | None = None
    reread: bool = False
    since: date | None = None
    same_drive_ok: bool = False
    system_disk_ok: bool = False
    take_over: bool = False
    read_back_after: bool | None = None
    """True: after the roll is written; False: right behind the writer; None: by the device."""
    deep: bool = False
    """Every frame of every clip is decoded."""


@dataclass(frozen=True, slots=True)
class PlannedDrive:
    """One destination: what is to be done there for each file."""

    name: str
    volume: Volume
    folder: str
    """The roll's folder, POSIX, relative to the drive's root."""
    stock: Stock
    actions: Mapping[str, Action]
    set_aside: tuple[str, ...]
    """Damaged copies in the way, which are kept under another name."""
    read_back_after: bool
    why_after: str


@dataclass(frozen=True, slots=True)
class Plan:
    """Everything that is decided before the first byte is written."""

    request: Request
    inventory: Inventory
    card: CardSeen
    card_volume: Volume
    production: str
    day: int
    date: date
    roll: str
    camera: str | None
    because: str
    """What the roll's name rests on."""
    joins: Roll | None
    """The roll that this card continues, or None for a new one."""
    files: tuple[CardFile, ...]
    """What is copied, in order; `known` and `older` are not among them."""
    known: Mapping[str, FileRecord]
    elsewhere: Mapping[str, FileRecord]
    """Known files that belong to an earlier roll."""
    lacking: tuple[tuple[str, str], ...]
    """(drive, roll): an earlier roll of this card that has no whole copy on that drive."""
    older: tuple[CardFile, ...]
    kinds: tuple[str, ...]
    drives: tuple[PlannedDrive, ...]
    copies: int
    """What the destinations count for: those on one physical device count as one copy."""
    samples: Mapping[str, str]
    """Samples taken from the card while planning, by path."""
    histories: tuple[CardHistory, ...] = ()
    """Hash lists that the card brought along."""
    witness: str = ""
    """Not empty: another card than the roll came from, with the same content, every byte of it
    compared. Says how the cards were told apart."""

    @property
    def bytes(self) -> int:
        return sum(file.size for file in self.files)


@dataclass(frozen=True, slots=True)
class Problem:
    """Something that a person must look at. `drive` is None for the card."""

    path: str
    drive: str | None
    state: str
    detail: str


@dataclass(frozen=True, slots=True)
class ClipHealth:
    """Whether a clip plays. `clip` is ROLL/NAME."""

    clip: str
    health: Health


@dataclass(frozen=True, slots=True)
class DriveResult:
    name: str
    root: str
    folder: str
    """Absolute."""
    device: str
    files_matched: int
    """Files of the card with a matched copy here, known ones included."""
    bytes: int
    problems: int
    route: str
    stopped: str
    room_needed: int
    """Bytes that what is left takes on a drive that stopped, hash list and all; 0 where it didn't,
    or tells nothing any more."""
    room_free: int
    """Bytes that were free for it then."""
    seconds: float
    slower: str
    """A sentence when it was much slower than in its own past, or empty."""


@dataclass(frozen=True, slots=True)
class Result:
    plan: Plan
    card_read: int
    seconds: float
    drives: tuple[DriveResult, ...]
    problems: tuple[Problem, ...]
    hash_lists: tuple[str, ...]
    not_listed: tuple[str, ...]
    clips: int
    stopped: bool
    """The user stopped it."""
    unfinished: bool
    """A drive or the card gave out: the same command goes on."""
    set_wrong: tuple[Oddity, ...] = ()
    """Clips of the roll that were recorded otherwise than they should have been."""
    timecodes: tuple[TimecodeFault, ...] = ()
    """Where the roll's timecode doesn't go forwards."""
    healths: tuple[ClipHealth, ...] = ()
    """Whether each clip that came in plays."""

    @property
    def verdict(self) -> str:
        return "matched" if not self.problems and not self.stopped else "problem"


class Phase(Enum):
    """Told when the work changes."""

    PLANNING_ANEW = "another run was at this roll: looking at all of it again"
    COPYING = "copying"
    SALVAGING = "reading around bad spots"
    LOOKING_AGAIN = "looking at the card again"
    REREADING = "reading the card again"
    CARD_FREE = "the card is not needed any more"
    LISTING = "writing the hash lists"
    READING_CLIPS = "reading the clips"
    DONE = "done"


@dataclass(frozen=True, slots=True)
class Confirming:
    """Told while files that are known are read again in full, before the plan stands."""

    files: int
    bytes_done: int
    bytes_total: int
