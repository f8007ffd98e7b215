"""Audit: every known copy on the drives read again, past the cache, and compared.

What is bad is committed by itself before anybody is told; what is good, in groups.
"""

from __future__ import annotations

import os
import threading
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from ingest.assurance.audit import Expected, Judged
from ingest.assurance.listed import ListedFolder
from ingest.assurance.rereading import (
    Checked,
    DriveGone,
    DriveTask,
    Finding,
    Item,
    Progress,
    UnknownFile,
    reread,
)
from ingest.assurance.sources import came_from_lists, claimed_against
from ingest.assurance.state import copy_state
from ingest.catalog.catalog import Catalog
from ingest.catalog.records import Copy, FileRecord, NewLook, Observer, Roll
from ingest.errors import NotKnown
from ingest.evidence import Act, Against, Route, State
from ingest.jobs.audit_targets import Chosen, choose, lies_in
from ingest.names import shown

__all__ = ["AuditedDrive", "AuditedRoll", "Found", "Problem", "Result", "audit"]

_GROUP = 500
"""Good findings committed together."""


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
    """Files in the folder that the catalog doesn't know, relative to the drive's root."""

    @property
    def not_reached(self) -> int:
        return self.files - sum(self.states.values())


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
    """The catalog knows nothing there: compared with the hash lists that lie on it."""


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
        """problem, matched, or what is less than either: present (only looked at), unfinished,
        nothing (no copy was there to be read)."""
        if self.problems:
            return "problem"
        if self.unfinished:
            return "unfinished"
        if not any(roll.files for drive in self.drives for roll in drive.rolls):
            return "nothing"
        return "present" if self.quick else "matched"


@dataclass(frozen=True, slots=True)
class Found:
    """Told as soon as it is found, and after it was recorded: something is bad."""

    problem: Problem


Event = Progress | Found


def audit(
    catalog: Catalog,
    observer: Observer,
    targets: Sequence[str] = (),
    *,
    run: str,
    now: Callable[[], datetime],
    tell: Callable[[Event], None],
    stop: threading.Event,
    roll: str | None = None,
    production: str | None = None,
    quick: bool = False,
    record: bool = True,
) -> Result:
    """Audit these drives (names or folders on them; none: every known drive that is mounted).

    `run`: random id that ties the evidence together. `now`: aware UTC. `stop` ends it early; what
    was found until then is kept. Raises NotKnown and BadDestination when a drive or roll isn't
    there to be read; a drive that leaves in the middle is in the result.
    """
    rolls = catalog.rolls(production=production, name=roll)
    if not rolls and (roll or production):
        named = " of ".join(f"{shown(name)}" for name in (roll, production) if name)
        raise NotKnown(f"The catalog has no roll {named}.", do="ingest rolls shows what is known")
    asked = choose(catalog, targets)
    if record:
        for one in asked.chosen:
            if one.here.seen is not None:
                catalog.see_drive(one.here.seen)
    plan = _Plan(catalog, rolls, asked.chosen, asked.listed)
    recorder = _Recorder(catalog, observer, run, now) if record else None
    keeper = _Keeper(plan, recorder, tell, quick)
    findings = reread([one.task for one in plan.shelves], quick=quick, stop=stop, tell=tell)
    try:
        keeper.keep(findings)
    finally:
        if recorder is not None:
            recorder.flush()
    return keeper.result(stopped=stop.is_set() and keeper.cut_short, away=asked.away)


# What to read -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Place:
    """Where an item belongs: counted by roll and folder."""

    production: str
    roll: str
    folder: str
    copy: Copy | None
    """None: the catalog doesn't know of it, so there is nothing to record."""

    @property
    def key(self) -> tuple[str, str, str]:
        return self.production, self.roll, self.folder


@dataclass(frozen=True, slots=True)
class _Shelf:
    """One drive of the audit; a place for each item, by its key."""

    task: DriveTask
    places: tuple[_Place, ...]
    problems: tuple[tuple[str, str], ...] = ()
    """What is wrong with the hash lists themselves: path and detail."""
    by_lists: bool = False


class _Plan:
    def __init__(
        self,
        catalog: Catalog,
        rolls: Sequence[Roll],
        chosen: Sequence[Chosen],
        listed: Sequence[ListedFolder],
    ) -> None:
        self.catalog = catalog
        self.rolls = {roll.id: roll for roll in rolls}
        self.files = {file.id: file for file in catalog.files(rolls)}
        self._lists = {one.id for one in catalog.offloads(rolls) if came_from_lists(one)}
        by_drive: dict[int, list[Chosen]] = defaultdict(list)
        for one in chosen:
            by_drive[one.here.drive.id].append(one)
        self.shelves = [self._shelf(some) for some in by_drive.values()]
        self.shelves += map(_listed_shelf, listed)

    def folder(self, copy: Copy) -> str:
        """The roll's folder on the drive: what stands before the file's own path."""
        path = self.files[copy.file_id].path
        if copy.path.endswith("/" + path):
            return copy.path[: -len(path) - 1]
        return "" if copy.path == path else os.path.dirname(copy.path)

    def _shelf(self, chosen: Sequence[Chosen]) -> _Shelf:
        here = chosen[0].here
        assert here.volume is not None
        everything = self.catalog.copies(drive_id=here.drive.id)
        copies = sorted(
            (
                copy
                for copy in everything
                if copy.file_id in self.files and any(lies_in(copy.path, one) for one in chosen)
            ),
            key=lambda copy: os.fsencode(copy.path),
        )
        folders = sorted({self.folder(copy) for copy in copies})
        against = self._against(copies)
        task = DriveTask(
            name=here.drive.name,
            volume=here.volume,
            items=tuple(
                Item(key, copy.path, _expected(self.files[copy.file_id], against[copy.id]))
                for key, copy in enumerate(copies)
            ),
            folders=tuple(folders),
            known=frozenset(copy.path for copy in everything),
        )
        return _Shelf(task, tuple(map(self._place, copies)))

    def _against(self, copies: Sequence[Copy]) -> dict[int, Against]:
        """What each copy is compared with: the catalog's digest, where a card's read gave it.
        Where it was taken from hash lists, a list, which carries no card to reuse."""
        listed = [copy.id for copy in copies if self.files[copy.file_id].offload_id in self._lists]
        looks = self.catalog.looks(listed)
        against = {copy.id: Against.CATALOG for copy in copies}
        return against | {copy_id: claimed_against(looks[copy_id]) for copy_id in listed}

    def _place(self, copy: Copy) -> _Place:
        roll = self.rolls[self.files[copy.file_id].roll_id]
        return _Place(roll.production, roll.name, self.folder(copy), copy)


def _listed_shelf(listed: ListedFolder) -> _Shelf:
    task = DriveTask(
        name=listed.name,
        volume=listed.volume,
        items=listed.items,
        folders=tuple(sorted(set(listed.folders))),
        known=frozenset(item.path for item in listed.items),
    )
    top = os.path.basename(listed.volume.root)
    places = tuple(
        _Place("", os.path.basename(folder) or top, folder, None) for folder in listed.folders
    )
    return _Shelf(task, places, listed.problems, by_lists=True)


def _expected(file: FileRecord, against: Against) -> Expected:
    return Expected(file.size, file.mtime_ns, file.digests, against)


# What was found -----------------------------------------------------------------------------------


class _Recorder:
    """Writes evidence: bad news alone and at once, good news in groups."""

    def __init__(
        self, catalog: Catalog, observer: Observer, run: str, now: Callable[[], datetime]
    ) -> None:
        self._catalog = catalog
        self._observer = observer
        self._run = run
        self._now = now
        self._waiting: list[NewLook] = []

    def add(self, copy: Copy, judged: Judged, mount: str) -> None:
        look = NewLook(
            file_id=copy.file_id,
            drive_id=copy.drive_id,
            path=copy.path,
            act=judged.act,
            state=judged.state,
            route=judged.route,
            against=judged.against,
            size=judged.size,
            kind=judged.kind,
            digest=judged.digest,
            mount=mount,
            at=self._now(),
            detail=judged.detail,
        )
        if judged.state.is_bad:
            self._catalog.record_looks(self._run, self._observer, [look])
            return
        self._waiting.append(look)
        if len(self._waiting) >= _GROUP:
            self.flush()

    def flush(self) -> None:
        if self._waiting:
            self._catalog.record_looks(self._run, self._observer, self._waiting)
            self._waiting = []


@dataclass(slots=True)
class _OnDrive:
    states: dict[tuple[str, str, str], Counter[State]] = field(
        default_factory=lambda: defaultdict(Counter)
    )
    unknown: dict[str, list[str]] = field(default_factory=lambda: defaultdict(list))
    good: list[int] = field(default_factory=list)
    """Ids of the copies that matched."""
    cached: int = 0
    gone: str = ""
    reached: int = 0


class _Keeper:
    """Takes the findings as they come: records, tells, counts."""

    def __init__(
        self,
        plan: _Plan,
        recorder: _Recorder | None,
        tell: Callable[[Event], None],
        quick: bool,
    ) -> None:
        self._plan = plan
        self._recorder = recorder
        self._tell = tell
        self._quick = quick
        self._on = [_OnDrive() for _ in plan.shelves]
        self._problems: list[Problem] = []

    @property
    def cut_short(self) -> bool:
        return any(
            on.reached < len(shelf.places)
            for on, shelf in zip(self._on, self._plan.shelves, strict=True)
        )

    def keep(self, findings: Iterator[Finding]) -> None:
        for finding in findings:
            if isinstance(finding, Checked):
                self._checked(finding)
            elif isinstance(finding, UnknownFile):
                self._on[finding.drive].unknown[finding.folder].append(finding.path)
            elif isinstance(finding, DriveGone):
                self._on[finding.drive].gone = finding.why

    def _checked(self, finding: Checked) -> None:
        shelf, on = self._plan.shelves[finding.drive], self._on[finding.drive]
        place, judged = shelf.places[finding.item.key], finding.judged
        copy = place.copy
        if self._recorder is not None and copy is not None and finding.about_the_copy:
            self._recorder.add(copy, judged, shelf.task.volume.mount)
        on.reached += 1
        on.states[place.key][judged.state] += 1
        if judged.act is Act.AUDITED and judged.route is not Route.MEDIUM:
            on.cached += 1
        if judged.state is State.MATCHED and copy is not None:
            on.good.append(copy.id)
        suspicious = judged.state is State.UNVERIFIED and (judged.detail or not self._quick)
        if judged.state.is_bad or suspicious:
            problem = Problem(finding.item.path, shelf.task.name, judged.state, judged.detail)
            self._problems.append(problem)
            self._tell(Found(problem))

    def result(self, *, stopped: bool, away: tuple[str, ...]) -> Result:
        for shelf, on in zip(self._plan.shelves, self._on, strict=True):
            self._problems += self._still_doubtful(shelf, on)
            self._problems += (
                Problem(path, shelf.task.name, State.UNVERIFIED, f"hash list {detail}")
                for path, detail in shelf.problems
            )
        return Result(
            drives=tuple(map(self._drive, self._plan.shelves, self._on)),
            problems=tuple(self._problems),
            quick=self._quick,
            recorded=self._recorder is not None,
            stopped=stopped,
            away=away,
        )

    def _still_doubtful(self, shelf: _Shelf, on: _OnDrive) -> Iterator[Problem]:
        """Bad news stands: what matched now, and was found bad before, is not good yet."""
        looks = self._plan.catalog.looks(on.good)
        for copy in (place.copy for place in shelf.places):
            if copy is None or copy.id not in looks:
                continue
            state = copy_state(looks[copy.id])
            if state.state.is_bad or state.state is State.DOUBTFUL:
                yield Problem(
                    copy.path,
                    shelf.task.name,
                    State.DOUBTFUL,
                    f"good this time, but {state.why}; unplug the drive, plug it in again, and "
                    "audit once more",
                )

    def _drive(self, shelf: _Shelf, on: _OnDrive) -> AuditedDrive:
        counts = Counter(place.key for place in shelf.places)
        return AuditedDrive(
            name=shelf.task.name,
            root=shelf.task.volume.root,
            rolls=tuple(
                AuditedRoll(
                    roll=roll,
                    production=production,
                    folder=folder,
                    files=count,
                    states=dict(on.states.get((production, roll, folder), {})),
                    unknown=tuple(on.unknown.get(folder, ())),
                )
                for (production, roll, folder), count in counts.items()
            ),
            cached=on.cached,
            gone=on.gone,
            by_lists=shelf.by_lists,
        )
