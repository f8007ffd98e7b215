"""The order of rebuilding: the drives read, roll by roll compared and taken in, and told."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime

from ingest import drives
from ingest.catalog.catalog import Catalog
from ingest.catalog.records import FileRecord, Observer
from ingest.copying.roll_folder import is_ours
from ingest.errors import NotKnown
from ingest.evidence import Against
from ingest.jobs.further.lists import DriveLists, RebuiltRoll, Request, read_drive
from ingest.jobs.rebuilding.comparing import (
    agree,
    claims_of,
    compared,
    is_absent,
    rolls_of,
    unlisted_copies,
)
from ingest.jobs.rebuilding.recording import Recorder
from ingest.jobs.rebuilding.values import ClaimHere, Difference, OnDrive, Result, RollFolders
from ingest.manifest.model import HISTORY_FOLDER
from ingest.names import shown
from ingest.settings import FILE

__all__ = ["rebuild"]


def rebuild(
    request: Request,
    catalog: Catalog,
    observer: Observer,
    *,
    run: Callable[[], str],
    now: Callable[[], datetime],
) -> Result:
    """Take in what the hash lists on these drives say. `run` gives a new random id each time.

    Raises UsageError when a folder doesn't tell its roll and no option does, NotKnown when there
    is no list at all, BadDestination and Unfinished when a drive can't be read.
    """
    seen = [read_drive(name, request, catalog) for name in dict.fromkeys(request.drives)]
    if not any(drive.folders or drive.problems for drive in seen):
        where = ", ".join(shown(drive.place) for drive in seen)
        raise NotKnown(
            f"No hash list was found on {where}.",
            do="name a drive that an offload wrote, or the folder of a roll on it",
        )
    work = _Work(catalog, observer, run, now, seen)
    for roll in rolls_of(seen):
        work.take(roll)
    return work.result()


class _Work:
    """What has come to light."""

    def __init__(
        self,
        catalog: Catalog,
        observer: Observer,
        run: Callable[[], str],
        now: Callable[[], datetime],
        seen: Sequence[DriveLists],
    ) -> None:
        self._catalog = catalog
        self._seen = seen
        self._recorder = Recorder(catalog, observer, run, now, seen)
        self._differences: list[Difference] = []

    def take(self, roll: RollFolders) -> None:
        """One roll: compare what the drives say of each file, and record what is new."""
        assert roll.place.production is not None and roll.place.roll is not None
        rolls = self._catalog.rolls(production=roll.place.production, name=roll.place.roll)
        before: dict[str, list[FileRecord]] = defaultdict(list)
        for old in self._catalog.files(rolls):
            before[old.path].append(old)
        by_path = claims_of(roll)
        fresh: list[tuple[str, list[ClaimHere]]] = []
        known: list[tuple[FileRecord, list[ClaimHere]]] = []
        for path, heres in by_path.items():
            groups, difference = compared(roll, path, heres, before[path])
            if difference is not None:
                self._differences.append(difference)
            if len(groups) == 1:
                more = unlisted_copies(roll, path, groups[0], self._seen)
                groups[0].extend(more)
                heres.extend(more)
            for group in groups:
                record = next((one for one in before[path] if _same(one, group)), None)
                if record is None:
                    fresh.append((path, group))
                else:
                    known.append((record, group))
        if fresh:
            self._recorder.add(roll, fresh)
        if known:
            self._recorder.more(rolls, known)
        self._count(roll, by_path)

    def _count(self, roll: RollFolders, by_path: Mapping[str, Sequence[ClaimHere]]) -> None:
        """What each drive has of this roll."""
        place = roll.place
        for drive in self._seen:
            own = [folder for other, folder in roll.folders if other is drive]
            others = {
                one.folder
                for heres in by_path.values()
                for one in heres
                if one.drive is drive and one.against is Against.OTHER_LIST
            }
            for where in sorted({folder.folder for folder in own} | others):
                here = [
                    (path, one)
                    for path, heres in by_path.items()
                    for one in heres
                    if one.drive is drive and one.folder == where
                ]
                drive.claimed.update(one.path(path) for path, one in here)
                mine = [one for _, one in here if one.against is Against.OWN_LIST]
                drive.rolls.append(
                    RebuiltRoll(
                        production=place.production or "",
                        roll=place.roll or "",
                        day=place.day or 0,
                        date=place.date.isoformat() if place.date is not None else "",
                        folder=where,
                        files=len(mine),
                        other_list=len(here) - len(mine),
                        missing=sum(is_absent(drive, one.path(path)) for path, one in here),
                    )
                )

    def result(self) -> Result:
        return Result(
            drives=tuple(
                OnDrive(
                    drive.name,
                    drive.volume.root,
                    tuple(drive.rolls),
                    tuple(path for path in sorted(drive.there) if _counts(drive, path)),
                )
                for drive in self._seen
            ),
            differences=tuple(self._differences),
            problems=(
                *(one for drive in self._seen for one in drive.problems),
                *self._recorder.problems,
            ),
            new_files=self._recorder.new_files,
            new_claims=self._recorder.new_claims,
        )


def _counts(drive: DriveLists, path: str) -> bool:
    """Whether a file is footage, perhaps, that no list names."""
    parts = path.split("/")
    return (
        path not in drive.claimed
        and HISTORY_FOLDER not in parts
        and parts[-1] != drives.MARKER
        and not (path == FILE or path.startswith(f"{FILE}.before-"))
        and not any(is_ours(part) for part in parts)
    )


def _same(record: FileRecord, heres: Sequence[ClaimHere]) -> bool:
    return any(agree(record, here.listed.size, here.listed.digests) for here in heres)
