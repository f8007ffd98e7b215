"""What an audit found, as values: by drive and roll, and what is told while it runs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from ingest.assurance.rereading.values import Progress
from ingest.evidence import State
from ingest.jobs.audit_adding import Estimate

__all__ = ["AuditedDrive", "AuditedRoll", "Event", "Found", "Problem", "Result"]


@dataclass(frozen=True, slots=True)
class Problem:
    path: str
    """POSIX, relative to the drive's root."""
    drive: str
    state: State
    detail: str


@dataclass(frozen=True, slots=True)
class AuditedRoll:
    roll: str
    production: str
    folder: str
    """POSIX, relative to the drive's root."""
    files: int
    """Copies that were to be looked at."""
    states: Mapping[State, int]
    """What was found, copies that were reached only."""
    unknown: tuple[str, ...]
    """Files in the folder that nobody knows, relative to the drive's root."""
    only_listed: int = 0
    """Of `files`: those that the drive's hash lists name and the catalog doesn't know."""
    read_before: int = 0
    """Of `files`: those not read again, since an audit that was cut off had found them good."""
    called_now: str = ""
    """What its folder seems to be called now, where none of its files is in it any more."""

    @property
    def all_missing(self) -> bool:
        """Every file was looked for, and none is there."""
        return 0 < self.files == self.states.get(State.MISSING, 0)

    @property
    def not_reached(self) -> int:
        return self.files - self.read_before - sum(self.states.values())


@dataclass(frozen=True, slots=True)
class AuditedDrive:
    name: str
    root: str
    rolls: tuple[AuditedRoll, ...]
    cached: int
    """Reads that the operating system may have answered from memory."""
    gone: str
    """Why the drive was given up in the middle, or empty."""
    by_lists: bool = False
    """Compared with the hash lists that lie on it alone."""
    hash_lists: tuple[str, ...] = ()
    """The generations that this audit appended, relative to the drive's root."""
    no_list: tuple[str, ...] = ()
    """Why it appended none (or none to some rolls)."""
    notes: tuple[str, ...] = ()
    time_up: bool = False
    left_files: int = 0
    left_bytes: int = 0
    """Not reached."""
    left_seconds: float | None = None
    """What they will take at the speed measured; None where there is none."""
    since: datetime | None = None
    """When the audit that this one went on with began."""


@dataclass(frozen=True, slots=True)
class Result:
    drives: tuple[AuditedDrive, ...]
    problems: tuple[Problem, ...]
    quick: bool
    recorded: bool
    stopped: bool = False
    away: tuple[str, ...] = ()
    """Known drives that are not mounted, and so were not audited, when none was named."""

    @property
    def unfinished(self) -> bool:
        return self.stopped or any(drive.gone for drive in self.drives)

    @property
    def verdict(self) -> str:
        """problem, matched, or what is less than either: part (the time was used up), present
        (only looked at), unfinished, nothing (no copy was there to be read)."""
        if self.problems:
            return "problem"
        if self.unfinished:
            return "unfinished"
        if not any(roll.files for drive in self.drives for roll in drive.rolls):
            return "nothing"
        if any(drive.time_up for drive in self.drives):
            return "part"
        return "present" if self.quick else "matched"


@dataclass(frozen=True, slots=True)
class Found:
    """Told as soon as it is found, and after it was recorded: something is bad."""

    problem: Problem


Event = Progress | Found | Estimate
"""What is told while an audit runs."""
