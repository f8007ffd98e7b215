"""`ingest rebuild`: the catalog from the drives' hash lists alone.

What a list says is a claim: enough to find a clip and to report it, and never enough to use a
card again. No footage is read. The drives are taken together, so that files on which their lists
differ come to light. Nothing is written to a drive, and a second run adds nothing.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from ingest import drives
from ingest.assurance.audit import kind_to_compare
from ingest.assurance.sources import FROM_LISTS, Claim, variants
from ingest.assurance.state import copy_state
from ingest.card.rolls import propose
from ingest.catalog.catalog import Catalog
from ingest.catalog.records import (
    CardSeen,
    Copy,
    Drive,
    FileRecord,
    NewFile,
    NewLook,
    NewOffload,
    Observer,
    OffloadEnd,
    Roll,
)
from ingest.copying.roll_folder import is_ours
from ingest.errors import NotKnown
from ingest.evidence import Act, Against, State
from ingest.jobs.further.layouts import Place
from ingest.jobs.further.lists import (
    DriveLists,
    ListedFile,
    ListedRoll,
    Problem,
    RebuiltRoll,
    Request,
    read_drive,
)
from ingest.manifest.model import HISTORY_FOLDER
from ingest.names import shown
from ingest.settings import FILE

__all__ = ["Difference", "OnDrive", "Problem", "RebuiltRoll", "Request", "Result", "rebuild"]


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
    for roll in _rolls(seen):
        work.take(roll)
    return work.result()


# Taken together -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _RollFolders:
    """One roll: its folders on all drives."""

    place: Place
    folders: tuple[tuple[DriveLists, ListedRoll], ...]


def _rolls(seen: Sequence[DriveLists]) -> Iterator[_RollFolders]:
    by_name: dict[tuple[str, str], list[tuple[DriveLists, ListedRoll]]] = defaultdict(list)
    for drive in seen:
        for folder in drive.folders:
            assert folder.place.production is not None and folder.place.roll is not None
            key = folder.place.production, folder.place.roll.casefold()
            by_name[key].append((drive, folder))
    for folders in by_name.values():
        yield _RollFolders(folders[0][1].place, tuple(folders))


@dataclass(frozen=True, slots=True)
class _Here:
    """A claim of one file at one place."""

    drive: DriveLists
    folder: str
    listed: ListedFile
    against: Against

    def path(self, path: str) -> str:
        return f"{self.folder}/{path}" if self.folder else path


class _Work:
    """What is recorded, and what has come to light."""

    def __init__(
        self,
        catalog: Catalog,
        observer: Observer,
        run: Callable[[], str],
        now: Callable[[], datetime],
        seen: Sequence[DriveLists],
    ) -> None:
        self._catalog = catalog
        self._observer = observer
        self._run = run
        self._now = now
        self._seen = seen
        self._known: dict[str, Drive] = {
            drive.seen.marker: catalog.see_drive(drive.seen) for drive in seen
        }
        self._differences: list[Difference] = []
        self._problems: list[Problem] = [one for drive in seen for one in drive.problems]
        self._new_files = 0
        self._new_claims = 0

    def take(self, roll: _RollFolders) -> None:
        """One roll: compare what the drives say of each file, and record what is new."""
        assert roll.place.production is not None and roll.place.roll is not None
        rolls = self._catalog.rolls(production=roll.place.production, name=roll.place.roll)
        before: dict[str, list[FileRecord]] = defaultdict(list)
        for old in self._catalog.files(rolls):
            before[old.path].append(old)
        by_path: dict[str, list[_Here]] = defaultdict(list)
        for drive, folder in roll.folders:
            for path, listed in folder.files.items():
                by_path[path].append(_Here(drive, folder.folder, listed, Against.OWN_LIST))
        fresh: list[tuple[str, list[_Here]]] = []
        known: list[tuple[FileRecord, list[_Here]]] = []
        for path, heres in by_path.items():
            groups = self._compared(roll, path, heres, before[path])
            if len(groups) == 1:
                more = _unlisted_copies(roll, path, groups[0], self._seen)
                groups[0].extend(more)
                heres.extend(more)
            for group in groups:
                record = next((one for one in before[path] if _same(one, group)), None)
                if record is None:
                    fresh.append((path, group))
                else:
                    known.append((record, group))
        if fresh:
            self._add(roll, fresh)
        if known:
            self._more(rolls, known)
        self._count(roll, by_path)

    def _compared(
        self,
        roll: _RollFolders,
        path: str,
        heres: Sequence[_Here],
        before: Sequence[FileRecord],
    ) -> list[list[_Here]]:
        claims = [Claim(one.drive.name, one.listed.size, one.listed.digests) for one in heres]
        groups = variants(claims)
        told = [(one.drive, one.size, one.digests) for one in claims]
        told += [
            ("the catalog", one.size, one.digests)
            for one in before
            if not any(_agree(one, claim.size, claim.digests) for claim in claims)
        ]
        if len(groups) > 1 or len(told) > len(claims):
            place = roll.place
            kinds = [set(digests) for _, _, digests in told]
            sizes = {size for _, size, _ in told}
            self._differences.append(
                Difference(
                    place.production or "",
                    place.roll or "",
                    path,
                    tuple(told),
                    comparable=len(sizes) > 1 or bool(set.intersection(*kinds)),
                )
            )
        left = list(zip(claims, heres, strict=True))
        return [[here for claim, here in left if any(claim is one for one in g)] for g in groups]

    # Recording ---------------------------------------------------------------------------------

    def _add(self, roll: _RollFolders, fresh: Sequence[tuple[str, list[_Here]]]) -> None:
        """Files that the catalog doesn't have, with their claims."""
        place = roll.place
        assert place.production and place.roll and place.day and place.date is not None
        paths = [path for path, _ in fresh]
        now = self._now()
        offload = self._catalog.begin_offload(
            NewOffload(
                run=self._run(),
                production=place.production,
                roll=place.roll,
                day=place.day,
                date=place.date.isoformat(),
                camera=place.camera or propose(paths, "", camera=None, used=()).camera,
                card=CardSeen(place.card or "not known", None, None, "not known", ""),
                observer=self._observer,
                started=now,
                plan={
                    FROM_LISTS: True,
                    "drives": sorted({one.drive.name for _, heres in fresh for one in heres}),
                },
            )
        )
        left = list(fresh)
        while left:
            # Two contents of one path are two files: they go in one after the other.
            some = dict(reversed(left))
            left = [(path, heres) for path, heres in left if some[path] is not heres]
            files = [_new_file(path, heres) for path, heres in some.items()]
            looks = [
                (path, look)
                for path, heres in some.items()
                for here in heres
                for look in self._looks(path, here, None, 0)
            ]
            self._catalog.record_copied(offload, files, looks)
            self._new_files += len(files)
        self._catalog.end_offload(
            offload,
            OffloadEnd(
                finished=self._now(),
                verdict="claimed",
                card_read=0,
                seconds=0.0,
                bytes=sum(heres[0].listed.size for _, heres in fresh),
                files=len(fresh),
                known=0,
                left_out=0,
                drives=(),
            ),
        )

    def _more(self, rolls: Sequence[Roll], known: Sequence[tuple[FileRecord, list[_Here]]]) -> None:
        """Claims of files that the catalog has: only where it knows nothing of the copy."""
        copies: dict[tuple[int, int, str], Copy] = {
            (copy.file_id, copy.drive_id, copy.path): copy
            for copy in self._catalog.copies(rolls=rolls)
        }
        looks = [
            look
            for record, heres in known
            for here in heres
            for look in self._looks(
                record.path,
                here,
                copies.get(
                    (
                        record.id,
                        self._known[here.drive.seen.marker].id,
                        here.path(record.path),
                    )
                ),
                record.id,
            )
        ]
        if looks:
            self._catalog.record_looks(self._run(), self._observer, looks)

    def _looks(self, path: str, here: _Here, copy: Copy | None, file_id: int) -> Iterator[NewLook]:
        """The claim, where there is no evidence of the copy yet; and that it isn't there, where
        that is news."""
        place = here.path(path)
        evidence = self._catalog.looks([copy.id])[copy.id] if copy is not None else ()
        kind = kind_to_compare(here.listed.digests)
        facts = NewLook(
            file_id=file_id,
            drive_id=self._known[here.drive.seen.marker].id,
            path=place,
            act=Act.CLAIMED,
            state=State.CLAIMED,
            route=None,
            against=here.against,
            size=here.listed.size,
            kind=kind,
            digest=here.listed.digests[kind] if kind is not None else None,
            mount=here.drive.volume.mount,
            at=self._now(),
        )
        if not evidence:
            self._new_claims += 1
            yield facts
        if not _absent(here.drive, place):
            return
        detail = "its list names it, and it is not there"
        self._problems.append(Problem(place, here.drive.name, str(State.MISSING), detail))
        if not evidence or not copy_state(evidence).state.is_bad:
            yield NewLook(
                file_id=file_id,
                drive_id=facts.drive_id,
                path=place,
                act=Act.LOOKED,
                state=State.MISSING,
                route=None,
                against=here.against,
                size=None,
                kind=None,
                digest=None,
                mount=facts.mount,
                at=facts.at,
                detail=detail,
            )

    # Telling -----------------------------------------------------------------------------------

    def _count(self, roll: _RollFolders, by_path: Mapping[str, Sequence[_Here]]) -> None:
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
                        missing=sum(_absent(drive, one.path(path)) for path, one in here),
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
            problems=tuple(self._problems),
            new_files=self._new_files,
            new_claims=self._new_claims,
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


def _absent(drive: DriveLists, path: str) -> bool:
    """Whether a file is known not to be there."""
    return path not in drive.there and not any(
        path == folder or path.startswith(f"{folder}/") or not folder for folder in drive.unread
    )


def _unlisted_copies(
    roll: _RollFolders, path: str, heres: Sequence[_Here], seen: Sequence[DriveLists]
) -> list[_Here]:
    """Copies of the file that lie where its roll lies, on drives whose own lists don't name it."""
    found = []
    listed = heres[0].listed
    places = {folder.folder for _, folder in roll.folders}
    taken = {(one.drive.seen.marker, one.folder) for one in heres}
    for drive in seen:
        for folder in sorted(places):
            place = f"{folder}/{path}" if folder else path
            there = drive.there.get(place)
            if (drive.seen.marker, folder) in taken or there is None:
                continue
            if there.size == listed.size:
                found.append(_Here(drive, folder, listed, Against.OTHER_LIST))
    return found


def _new_file(path: str, heres: Sequence[_Here]) -> NewFile:
    digests: dict[str, str] = {}
    for here in heres:
        digests |= here.listed.digests
    first = heres[0].listed
    return NewFile(path, first.size, first.mtime_ns, "", digests)


def _same(record: FileRecord, heres: Sequence[_Here]) -> bool:
    return any(_agree(record, here.listed.size, here.listed.digests) for here in heres)


def _agree(record: FileRecord, size: int, digests: Mapping[str, str]) -> bool:
    common = record.digests.keys() & digests.keys()
    same = bool(common) and all(record.digests[kind] == digests[kind] for kind in common)
    return record.size == size and same
