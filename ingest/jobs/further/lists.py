"""What the hash lists on one drive say, roll by roll, and which files lie there.

No footage is read, and nothing is written but a marker, where that is asked for.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime

from ingest import drives
from ingest.assurance.listed import expected_from, listed_folders
from ingest.card.inventory import CardFile, inventory
from ingest.catalog.catalog import Catalog
from ingest.copying.reading import open_root
from ingest.copying.tree import Tree
from ingest.drives import DriveSeen, Volume
from ingest.errors import BadCard, BadDestination, Unfinished, UsageError
from ingest.jobs.further.layouts import Place, place_of
from ingest.jobs.known import drives_here
from ingest.manifest.history import read_history
from ingest.manifest.model import HISTORY_FOLDER
from ingest.names import shown
from ingest.settings import Settings

__all__ = [
    "DriveLists",
    "ListedFile",
    "ListedRoll",
    "Problem",
    "RebuiltRoll",
    "Request",
    "read_drive",
]


@dataclass(frozen=True, slots=True)
class Request:
    """Drives (folders on them, or known names), and what their folders don't tell."""

    drives: tuple[str, ...]
    settings: Settings
    production: str | None = None
    day: int | None = None
    roll: str | None = None
    mark: bool = False
    """Write a marker on a drive that has none, so that it is known again."""


@dataclass(frozen=True, slots=True)
class Problem:
    path: str
    """Relative to the drive's root."""
    drive: str
    state: str
    detail: str


@dataclass(frozen=True, slots=True)
class RebuiltRoll:
    production: str
    roll: str
    day: int
    date: str
    folder: str
    """Relative to the drive's root."""
    files: int
    """That a list on this drive names."""
    other_list: int
    """That lie here, and only another drive's list names."""
    missing: int
    """Named by the list, and not there."""


@dataclass(frozen=True, slots=True)
class ListedFile:
    """One file that a list names."""

    size: int
    mtime_ns: int
    digests: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class ListedRoll:
    """A roll's folder with its history read."""

    folder: str
    place: Place
    files: Mapping[str, ListedFile]
    """By path relative to the folder."""


@dataclass(slots=True)
class DriveLists:
    place: str
    seen: DriveSeen
    volume: Volume
    there: Mapping[str, CardFile]
    """Regular files, by path relative to the drive's root."""
    unread: tuple[str, ...]
    """Folders that could not be listed: what is in them isn't known."""
    folders: list[ListedRoll] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    claimed: set[str] = field(default_factory=set)
    rolls: list[RebuiltRoll] = field(default_factory=list)

    @property
    def name(self) -> str:
        return self.seen.name


def read_drive(name: str, request: Request, catalog: Catalog) -> DriveLists:
    folder = _folder(name, catalog)
    volume, seen, below = _identify(folder, mark=request.mark)
    prefix = f"{below}/" if below else ""
    try:
        found = inventory(folder)
    except BadCard:
        files: tuple[CardFile, ...] = ()
        unread: tuple[str, ...] = ()
    else:
        files = (*found.files, *found.litter)
        unread = tuple(prefix + one.path for one in found.unreadable)
    there = {prefix + file.path: file for file in files}
    drive = DriveLists(folder, seen, volume, there, unread)
    try:
        _read_histories(drive, folder, prefix, request)
    except OSError as error:
        raise Unfinished(
            f"{shown(folder)} can't be read: {error.strerror or error}.",
            do="check the drive and its cable, then run the same command again",
        ) from error
    return drive


def _folder(name: str, catalog: Catalog) -> str:
    if os.path.isdir(name):
        return os.path.realpath(name)
    known = None if "/" in name else catalog.drive(name=name)
    if known is None:
        return drives.look_at(name).root  # which says what is wrong
    here = next(here for here in drives_here(catalog) if here.drive.id == known.id)
    if here.seen is None:
        raise BadDestination(f"{shown(name)} is not mounted.", do="plug it in and try again")
    return here.seen.root


def _identify(folder: str, *, mark: bool) -> tuple[Volume, DriveSeen, str]:
    """The drive that a folder lies on, by the nearest marker at or above it."""
    place = folder
    while True:
        seen = drives.recognise(place)
        if seen is not None:
            below = os.path.relpath(folder, place)
            return drives.look_at(place), seen, "" if below == "." else below
        above = os.path.dirname(place)
        if above == place:
            break
        place = above
    if not mark:
        raise BadDestination(
            f"{shown(folder)} carries no drive's marker, so it could not be known again.",
            do="say --mark to write a small marker file at that place; or ingest audit it by its "
            "own lists, which writes nothing",
        )
    seen = drives.mark(folder, os.path.basename(folder) or "drive")
    return drives.look_at(folder), seen, ""


def _read_histories(drive: DriveLists, folder: str, prefix: str, request: Request) -> None:
    root = open_root(folder)
    try:
        with Tree(root) as tree:
            for place in listed_folders(root):
                where = (prefix + place).rstrip("/")
                history = read_history(tree.folder(place))
                inside = f"{where}/" if where else ""
                drive.problems += (
                    Problem(
                        f"{inside}{HISTORY_FOLDER}/{one.name}", drive.name, "hash list", one.detail
                    )
                    for one in history.problems
                )
                files = {}
                for path, expected in expected_from(history).items():
                    there = drive.there.get(inside + path)
                    size = expected.size
                    if size is None and there is not None:
                        size = there.size
                    digests = {
                        kind: digest if kind == "c4" else digest.lower()
                        for kind, digest in expected.digests.items()
                    }
                    if size is None or not digests:
                        continue  # nothing to compare with: it counts among what no list names
                    mtime_ns = expected.mtime_ns
                    if mtime_ns is None:
                        mtime_ns = there.mtime_ns if there is not None else 0
                    files[path] = ListedFile(size, mtime_ns, digests)
                if files:
                    made = [
                        one.hash_list.creator.created
                        for one in history.generations
                        if one.hash_list is not None
                    ]
                    found = _roll_place(where, request, next(filter(None, made), None))
                    drive.folders.append(ListedRoll(where, found, files))
    finally:
        os.close(root)


def _roll_place(folder: str, request: Request, made: datetime | None) -> Place:
    """Production, roll, day and date: from the folder, else as said. Raises UsageError."""
    told = place_of(folder, request.settings.layout)
    production = told.production or request.production or request.settings.production
    name = shown(folder) or "the drive's top folder"
    if not production:
        raise UsageError(
            f"Which production is {name} from? Its place doesn't tell.", do='--production "NAME"'
        )
    roll = told.roll or request.roll or os.path.basename(folder)
    if not roll:
        raise UsageError(f"Which roll is {name}? Its place doesn't tell.", do="--roll NAME")
    day = told.day or request.day
    if not day or day < 1:
        raise UsageError(
            f"Which shoot day is {name} from? Its place doesn't tell.", do="--day N, from 1"
        )
    on = told.date
    days: Sequence[date] = request.settings.days
    if on is None:
        on = days[day - 1] if day <= len(days) else made.date() if made is not None else None
    if on is None:
        raise UsageError(
            f"Which date is shoot day {day}? Neither {name} nor its list tells.",
            do="write the shoot days into ingest.toml: days = [...]",
        )
    return Place(production, day, on, roll, told.camera, told.card)
