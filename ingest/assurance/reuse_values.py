"""What the verdict on a card is made of, and what it says: the card now, its copies, the policy."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Literal

from ingest.assurance.state import CopyState
from ingest.catalog.custody_records import DrivePlace
from ingest.catalog.records import FileRecord
from ingest.drives import Volume
from ingest.evidence import Route, State
from ingest.names import shown

__all__ = [
    "CardFound",
    "CopyNow",
    "CopyVerdict",
    "DriveNow",
    "FileNow",
    "FileVerdict",
    "Hold",
    "Known",
    "Looked",
    "Policy",
    "Reason",
    "Reasons",
    "Undecoded",
    "Verdict",
]


@dataclass(frozen=True, slots=True)
class Policy:
    """What is asked of the copies before a card may be used again."""

    copies: int = 2
    """Good copies on devices shown to be different (common practice; the 3-2-1 rule counts the
    original as the third)."""
    max_age_days: int | None = None
    offsite: int = 0
    """How many of the copies must be in off-site places, and have been read there."""
    read_twice: bool = False
    offline_ok: bool = False
    """Copies on drives that are not here count too, and the verdict says so."""
    viewed: bool = False
    """Clips that can't be decoded must have been viewed by a person."""
    hold_until: date | None = None
    """No card is reused before this day."""


@dataclass(frozen=True, slots=True)
class DriveNow:
    """A drive of the catalog, as it stands at this moment."""

    name: str
    serial: str | None
    """The hardware's serial as the catalog has it."""
    volume: Volume | None
    """None: not mounted."""
    doubt: str = ""
    """Why it can't be taken for the drive of that name, or empty."""
    place: DrivePlace | None = None
    """Where it is, by what was written down; None: nothing was asked."""
    where: str | None = None
    """Its place, by that or by ingest.toml."""
    offsite: bool | None = None
    """Whether that place is off-site; None: nothing tells."""


@dataclass(frozen=True, slots=True)
class Looked:
    """One copy, looked at just now: presence, size, time and samples."""

    bad: State | None
    """What was found wrong, or None. None is no proof of content."""
    detail: str = ""
    """What is wrong; with `bad` None, that its time is not the one it was copied with."""
    mtime_ns: int | None = None


@dataclass(frozen=True, slots=True)
class CopyNow:
    drive: DriveNow
    path: str
    state: CopyState
    looked: Looked | None
    """None: it was not looked at (the drive is not here, or nothing is: `as_last_known`)."""


@dataclass(frozen=True, slots=True)
class Known:
    """A file that was copied once, under this path and of this size, perhaps the one in hand."""

    record: FileRecord
    roll: str
    copies: tuple[CopyNow, ...]
    card_reads: int = 1
    """How often it was read from the card: by its offload, and since."""
    disputed: bool = False
    """It came off the card other than the card's own hash lists say, and nobody has viewed it."""
    read_otherwise: bool = False
    """A further read of it on the card gave other content, and not two since have been equal."""


@dataclass(frozen=True, slots=True)
class FileNow:
    """A file on the card, as it stands now."""

    path: str
    size: int
    mtime_ns: int
    samples: str | None
    """Read past the cache just now; None: it could not be read."""
    digests: tuple[tuple[str, str], ...] = ()
    """Kind and digest of a full read made just now, or empty."""
    route: Route | None = None
    """Of that read."""
    detail: str = ""
    """Why it could not be read."""
    candidates: tuple[Known, ...] = ()


@dataclass(frozen=True, slots=True)
class Hold:
    """What a person decided about a roll that the card may hold."""

    roll_id: int
    roll: str
    because: str | None = None
    """Why its card is held, or None."""
    by: str = ""
    until: date | None = None
    """Its card is kept until this day."""


@dataclass(frozen=True, slots=True)
class Undecoded:
    """A clip that could not be decoded here, or was found broken, and that nobody has viewed
    since it came in."""

    roll_id: int
    clip: str
    """ROLL/NAME."""
    path: str
    """Of its main file, in the roll."""
    broken: str = ""
    """What was found wrong with it, a sentence; empty: it could not be decoded here."""


@dataclass(frozen=True, slots=True)
class CardFound:
    """A card, and all that is to be judged about it."""

    label: str
    now: datetime
    files: tuple[FileNow, ...]
    unreadable: tuple[tuple[str, str], ...] = ()
    """Path and detail of what could not even be listed."""
    covered: tuple[str, ...] = ()
    """Folders of it on which another volume is mounted: it hides what the card holds there."""
    volume: Volume | None = None
    today: date | None = None
    """The date by the production's clock; None: by `now`."""
    holds: tuple[Hold, ...] = ()
    undecoded: tuple[Undecoded, ...] = ()
    mostly_here: frozenset[int] = frozenset()
    """Ids of the rolls of whose bytes at least half are on it: what was decided about them binds
    the card, whatever other rolls the same files came in with."""
    as_last_known: bool = False
    """Neither card nor drives were looked at: `files` are what the card gave, and every copy counts
    as when it was last read, wherever its drive is."""


@dataclass(frozen=True, slots=True)
class Reason:
    why: str
    do: str


class Reasons:
    """Reasons in the order they came up, files with the same trouble counted together."""

    def __init__(self) -> None:
        self._files: dict[Reason, list[str]] = {}

    def add(self, why: str, do: str, path: str = "") -> None:
        paths = self._files.setdefault(Reason(why, do), [])
        if path:
            paths.append(path)

    def told(self) -> tuple[Reason, ...]:
        return tuple(
            Reason(f"{_listed(paths)}: {reason.why}" if paths else reason.why, reason.do)
            for reason, paths in self._files.items()
        )


def _listed(paths: Sequence[str]) -> str:
    first = shown(paths[0])
    if len(paths) == 1:
        return first
    return f"{len(paths)} files ({first}{', ' + shown(paths[1]) if len(paths) == 2 else ', ...'})"


@dataclass(frozen=True, slots=True)
class CopyVerdict:
    drive: str
    state: State
    evidence: str
    at: datetime | None


@dataclass(frozen=True, slots=True)
class FileVerdict:
    path: str
    copies: tuple[CopyVerdict, ...]
    good: bool
    """It asks for nothing more."""


@dataclass(frozen=True, slots=True)
class Verdict:
    verdict: Literal["reuse", "hold"]
    reasons: tuple[Reason, ...]
    files: tuple[FileVerdict, ...]
    rolls: tuple[str, ...]
