"""What rebuilding says, and what its parts hand on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from ingest.evidence import Against
from ingest.jobs.further.layouts import Place
from ingest.jobs.further.lists import DriveLists, ListedFile, ListedRoll, Problem, RebuiltRoll

__all__ = ["ClaimHere", "Difference", "OnDrive", "Result", "RollFolders"]


@dataclass(frozen=True, slots=True)
class Difference:
    """Lists that say different things of one file, or can't be compared."""

    production: str
    roll: str
    path: str
    says: tuple[tuple[str, int, Mapping[str, str]], ...]
    """Drive (or `the catalog`), size and digests, each."""
    comparable: bool
    """False: they have no checksum kind in common."""


@dataclass(frozen=True, slots=True)
class OnDrive:
    name: str
    root: str
    rolls: tuple[RebuiltRoll, ...]
    unlisted: tuple[str, ...]
    """Files that lie there and no list names, relative to the drive's root."""


@dataclass(frozen=True, slots=True)
class Result:
    drives: tuple[OnDrive, ...]
    differences: tuple[Difference, ...]
    problems: tuple[Problem, ...]
    new_files: int
    new_claims: int

    @property
    def verdict(self) -> str:
        """problem, or claimed: nothing here was read, so it is never more than that."""
        return "problem" if self.problems or self.differences else "claimed"


@dataclass(frozen=True, slots=True)
class RollFolders:
    """One roll: its folders on all drives."""

    place: Place
    folders: tuple[tuple[DriveLists, ListedRoll], ...]


@dataclass(frozen=True, slots=True)
class ClaimHere:
    """A claim of one file at one place."""

    drive: DriveLists
    folder: str
    listed: ListedFile
    against: Against

    def path(self, path: str) -> str:
        """That file's path on its drive, relative to the root."""
        return f"{self.folder}/{path}" if self.folder else path
