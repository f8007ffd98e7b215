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

from ingest import drives as drive_finding
from ingest.assurance.audit import Expected, Judged
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
from ingest.assurance.state import copy_state
from ingest.catalog.catalog import Catalog
from ingest.catalog.records import Copy, FileRecord, NewLook, Observer, Roll
from ingest.errors import BadDestination, NotKnown
from ingest.evidence import Act, Against, Route, State
from ingest.jobs.known import DriveHere, drives_here
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


@dataclass(frozen=True, slots=True)
class Result:
    drives: tuple[AuditedDrive, ...]
    problems: tuple[Problem, ...]
    quick: bool
    recorded: bool
    stopped: bool = False

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
    chosen = _choose(catalog, targets)
    if record:
        for one in chosen:
            if one.here.seen is not None:
                catalog.see_drive(one.here.seen)
    plan = _Plan(catalog, rolls, chosen)
    recorder = _Recorder(catalog, observer, run, now) if record else None
    keeper = _Keeper(plan, recorder, tell, quick)
    findings = reread([one.task for one in plan.shelves], quick=quick, stop=stop, tell=tell)
    try:
        keeper.keep(findings)
    finally:
        if recorder is not None:
            recorder.flush()
    return keeper.result(stopped=stop.is_set() and keeper.cut_short)


# Which drives -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Chosen:
    here: DriveHere
    below: str
    """Only what lies in this folder of it; empty: all."""


def _choose(catalog: Catalog, targets: Sequence[str]) -> list[_Chosen]:
    folders = [target for target in targets if _is_folder(target)]
    heres = drives_here(catalog, [root for root in map(_marked_root, folders) if root])
    if not targets:
        mounted = [_Chosen(here, "") for here in heres if here.volume is not None]
        if not mounted:
            raise BadDestination(
                "No drive that the catalog knows is mounted.",
                do="plug one in, or name a folder on it (ingest drives shows them all)",
            )
        return [_trusted(one) for one in mounted]
    by_id = {here.drive.id: here for here in heres}
    chosen: dict[tuple[int, str], _Chosen] = {}
    for target in targets:
        named = None if "/" in target else catalog.drive(name=target)
        one = _Chosen(by_id[named.id], "") if named is not None else _by_folder(target, heres)
        chosen[one.here.drive.id, one.below] = _trusted(_mounted(one))
    whole = {drive_id for drive_id, below in chosen if not below}
    return [one for (drive_id, below), one in chosen.items() if not below or drive_id not in whole]


def _is_folder(target: str) -> bool:
    return os.path.isdir(target)


def _marked_root(folder: str) -> str | None:
    """The folder itself, or the nearest one above it, that carries a drive's marker."""
    place = os.path.realpath(folder)
    while True:
        if os.path.lexists(os.path.join(place, drive_finding.MARKER)):
            return place
        above = os.path.dirname(place)
        if above == place:
            return None
        place = above


def _by_folder(target: str, heres: Sequence[DriveHere]) -> _Chosen:
    if not _is_folder(target):
        if os.path.lexists(target):
            raise BadDestination(f"{shown(target)} is a file, not a drive or folder.")
        raise NotKnown(
            f"No drive is known as {shown(target)}, and there is no folder of that name.",
            do="ingest drives shows what is known; or plug the drive in and name its folder",
        )
    place = os.path.realpath(target)
    root = _marked_root(target)
    for here in heres:
        if root is not None and here.seen is not None and os.path.samefile(here.seen.root, root):
            below = os.path.relpath(place, root)
            return _Chosen(here, "" if below == "." else below)
    seen = drive_finding.recognise(root) if root is not None else None
    if seen is not None and any(here.drive.marker == seen.marker for here in heres):
        raise BadDestination(
            f"{shown(seen.name)} is mounted twice: {shown(target)} is one of two places that "
            "carry its identity.",
            do="unmount the copy, then run the same command again",
        )
    raise NotKnown(
        f"The catalog knows nothing of {shown(target)}.",
        do="name a drive that an offload of this catalog wrote (ingest drives shows them)",
    )


def _mounted(one: _Chosen) -> _Chosen:
    if one.here.volume is None:
        raise BadDestination(
            f"{shown(one.here.drive.name)} is not mounted (last seen at "
            f"{shown(one.here.drive.root)}).",
            do=f"plug in {shown(one.here.drive.name)} and run the same command again; "
            "when it is mounted in two places, unmount one",
        )
    return one


def _trusted(one: _Chosen) -> _Chosen:
    if one.here.doubt and one.here.seen is not None:
        raise BadDestination(
            f"{shown(one.here.seen.root)} is marked as {shown(one.here.drive.name)}, but "
            f"{one.here.doubt}.",
            do=f"plug in the real {shown(one.here.drive.name)}, and unmount this one",
            dont="count on what is on it",
        )
    return one


# What to read -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Shelf:
    """One drive of the audit."""

    here: DriveHere
    task: DriveTask
    copies: tuple[Copy, ...]
    """By the items' keys."""


class _Plan:
    def __init__(self, catalog: Catalog, rolls: Sequence[Roll], chosen: Sequence[_Chosen]) -> None:
        self.catalog = catalog
        self.rolls = {roll.id: roll for roll in rolls}
        self.files = {file.id: file for file in catalog.files(rolls)}
        by_drive: dict[int, list[_Chosen]] = defaultdict(list)
        for one in chosen:
            by_drive[one.here.drive.id].append(one)
        self.shelves = [self._shelf(some) for some in by_drive.values()]

    def folder(self, copy: Copy) -> str:
        """The roll's folder on the drive: what stands before the file's own path."""
        path = self.files[copy.file_id].path
        if copy.path.endswith("/" + path):
            return copy.path[: -len(path) - 1]
        return "" if copy.path == path else os.path.dirname(copy.path)

    def _shelf(self, chosen: Sequence[_Chosen]) -> _Shelf:
        here = chosen[0].here
        assert here.volume is not None
        everything = self.catalog.copies(drive_id=here.drive.id)
        copies = sorted(
            (
                copy
                for copy in everything
                if copy.file_id in self.files and any(_lies_in(copy.path, one) for one in chosen)
            ),
            key=lambda copy: os.fsencode(copy.path),
        )
        folders = sorted({self.folder(copy) for copy in copies})
        task = DriveTask(
            name=here.drive.name,
            volume=here.volume,
            items=tuple(
                Item(key, copy.path, _expected(self.files[copy.file_id]))
                for key, copy in enumerate(copies)
            ),
            folders=tuple(folders),
            known=frozenset(copy.path for copy in everything),
        )
        return _Shelf(here, task, tuple(copies))


def _lies_in(path: str, chosen: _Chosen) -> bool:
    return not chosen.below or path == chosen.below or path.startswith(chosen.below + "/")


def _expected(file: FileRecord) -> Expected:
    return Expected(file.size, file.mtime_ns, file.digests, Against.CATALOG)


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
    states: dict[tuple[int, str], Counter[State]] = field(
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
            on.reached < len(shelf.copies)
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
        copy, judged = shelf.copies[finding.item.key], finding.judged
        if self._recorder is not None and finding.about_the_copy:
            self._recorder.add(copy, judged, shelf.task.volume.mount)
        on.reached += 1
        roll = self._plan.files[copy.file_id].roll_id
        on.states[roll, self._plan.folder(copy)][judged.state] += 1
        if judged.act is Act.AUDITED and judged.route is not Route.MEDIUM:
            on.cached += 1
        if judged.state is State.MATCHED:
            on.good.append(copy.id)
        suspicious = judged.state is State.UNVERIFIED and (judged.detail or not self._quick)
        if judged.state.is_bad or suspicious:
            problem = Problem(copy.path, shelf.here.drive.name, judged.state, judged.detail)
            self._problems.append(problem)
            self._tell(Found(problem))

    def result(self, *, stopped: bool) -> Result:
        for shelf, on in zip(self._plan.shelves, self._on, strict=True):
            self._problems += self._still_doubtful(shelf, on)
        return Result(
            drives=tuple(map(self._drive, self._plan.shelves, self._on)),
            problems=tuple(self._problems),
            quick=self._quick,
            recorded=self._recorder is not None,
            stopped=stopped,
        )

    def _still_doubtful(self, shelf: _Shelf, on: _OnDrive) -> Iterator[Problem]:
        """Bad news stands: what matched now, and was found bad before, is not good yet."""
        looks = self._plan.catalog.looks(on.good)
        for copy in shelf.copies:
            if copy.id not in looks:
                continue
            state = copy_state(looks[copy.id])
            if state.state.is_bad or state.state is State.DOUBTFUL:
                yield Problem(
                    copy.path,
                    shelf.here.drive.name,
                    State.DOUBTFUL,
                    f"good this time, but {state.why}; unplug the drive, plug it in again, and "
                    "audit once more",
                )

    def _drive(self, shelf: _Shelf, on: _OnDrive) -> AuditedDrive:
        counts = Counter(
            (self._plan.files[copy.file_id].roll_id, self._plan.folder(copy))
            for copy in shelf.copies
        )
        return AuditedDrive(
            name=shelf.here.drive.name,
            root=shelf.task.volume.root,
            rolls=tuple(
                AuditedRoll(
                    roll=self._plan.rolls[roll_id].name,
                    production=self._plan.rolls[roll_id].production,
                    folder=folder,
                    files=count,
                    states=dict(on.states.get((roll_id, folder), {})),
                    unknown=tuple(on.unknown.get(folder, ())),
                )
                for (roll_id, folder), count in counts.items()
            ),
            cached=on.cached,
            gone=on.gone,
        )
