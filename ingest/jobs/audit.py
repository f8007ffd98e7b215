"""Audit: every known copy on the drives read again, past the cache, and compared.

What is bad is committed by itself before anybody is told; what is good, in groups.
"""

from __future__ import annotations

import threading
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from ingest.assurance.audit import Judged, look_of
from ingest.assurance.rereading.drives import reread
from ingest.assurance.rereading.values import (
    Checked,
    DriveGone,
    DriveTask,
    Finding,
    Speed,
    TimeUp,
    UnknownFile,
)
from ingest.assurance.schedule import seconds_for
from ingest.assurance.state import copy_state
from ingest.catalog.catalog import Catalog
from ingest.catalog.records import Copy, NewDigest, NewLook, Observer
from ingest.errors import NotKnown, Unfinished
from ingest.evidence import Act, Route, State
from ingest.jobs.audit_adding import Adding, estimates
from ingest.jobs.audit_listing import ListsWritten, Read, append_audit, why_no_list
from ingest.jobs.audit_plan import AuditPlan, Disagreement, Shelf, Wish
from ingest.jobs.audit_renamed import renamed_folders
from ingest.jobs.audit_targets import choose
from ingest.jobs.audit_values import AuditedDrive, AuditedRoll, Event, Found, Problem, Result
from ingest.names import shown

__all__ = ["audit"]

_EVERYTHING = Wish()
_NO_LISTS = ListsWritten()
_GROUP = 500
"""Good findings committed together."""


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
    wish: Wish = _EVERYTHING,
    record: bool = True,
    budget: float | None = None,
) -> Result:
    """Audit these drives (names or folders on them; none: every known drive that is mounted).

    `run`: random id, 16 hexadecimal digits, that ties the evidence together. `now`: aware UTC.
    `stop` ends it early; what was found until then is kept. `budget`: seconds after which nothing
    more is begun. `record`: leave evidence in the catalog, and a generation in each roll's hash
    lists (see `audit_listing`). Raises NotKnown and BadDestination when a drive or roll isn't
    there to be read, Unfinished when a drive's lists can't be; a drive that leaves in the middle
    is in the result.
    """
    rolls = catalog.rolls(production=production, name=roll)
    narrowed = bool(roll or production)
    if not rolls and narrowed:
        named = " of ".join(f"{shown(name)}" for name in (roll, production) if name)
        raise NotKnown(f"The catalog has no roll {named}.", do="ingest rolls shows what is known")
    asked = choose(catalog, targets, by_lists=not wish.with_catalog)
    if record:
        for one in asked.chosen:
            if one.here.seen is not None:
                catalog.see_drive(one.here.seen)
    try:
        plan = AuditPlan(catalog, rolls, asked.chosen, asked.listed, wish, now(), narrowed=narrowed)
    except OSError as error:
        raise Unfinished(
            f"The hash lists on a drive can't be read: {error.strerror or error}.",
            do="check cable and power, then run the same command again",
        ) from error
    begun = now()
    recorder = _Recorder(catalog, observer, run, now) if record else None
    keeper = _Keeper(plan, recorder, tell, wish.quick)
    tasks = [one.task for one in plan.shelves]
    if wish.also:
        for estimate in estimates(catalog, rolls, plan):
            tell(estimate)
    findings = reread(tasks, quick=wish.quick, stop=stop, tell=tell, budget=budget)
    try:
        keeper.keep(findings)
    finally:
        if recorder is not None:
            recorder.flush()
            if not wish.quick:
                keeper.write_lists(observer, run, begun)
    return keeper.result(stopped=stop.is_set() and keeper.cut_short, away=asked.away)


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
        self._digests: list[NewDigest] = []

    def add(self, copy: Copy, judged: Judged, mount: str) -> None:
        look = look_of(judged, copy, mount, self._now())
        if judged.state.is_bad:
            self._catalog.record_looks(self._run, self._observer, [look])
            return
        self._waiting.append(look)
        if len(self._waiting) >= _GROUP:
            self.flush()

    def add_digests(self, copy: Copy, digests: Mapping[str, str]) -> None:
        self._digests += (
            NewDigest(copy.file_id, copy.id, kind, digest, self._now())
            for kind, digest in digests.items()
        )

    def flush(self) -> None:
        if self._waiting:
            self._catalog.record_looks(self._run, self._observer, self._waiting)
            self._waiting = []
        if self._digests:
            self._catalog.add_digests(self._run, self._observer, self._digests)
            self._digests = []


@dataclass(slots=True)
class _OnDrive:
    states: dict[tuple[str, str, str], Counter[State]] = field(
        default_factory=lambda: defaultdict(Counter)
    )
    unknown: dict[str, list[str]] = field(default_factory=lambda: defaultdict(list))
    good: list[int] = field(default_factory=list)
    """Ids of the copies that matched."""
    judged: dict[int, Judged] = field(default_factory=dict)
    """By key of the item."""
    reads: dict[str, list[Read]] = field(default_factory=lambda: defaultdict(list))
    """By roll folder: what the catalog knows of, for the drive's hash lists."""
    lists: ListsWritten = _NO_LISTS
    cached: int = 0
    gone: str = ""
    reached: int = 0
    time_up: bool = False
    bytes: int = 0
    seconds: float = 0.0


class _Keeper:
    """Takes the findings as they come: records, tells, counts."""

    def __init__(
        self,
        plan: AuditPlan,
        recorder: _Recorder | None,
        tell: Callable[[Event], None],
        quick: bool,
    ) -> None:
        self._plan = plan
        self._recorder = recorder
        self._tell = tell
        self._quick = quick
        self._on = [_OnDrive() for _ in plan.shelves]
        self._adding = Adding()
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
            elif isinstance(finding, TimeUp):
                self._on[finding.drive].time_up = True
            elif isinstance(finding, Speed):
                on = self._on[finding.drive]
                on.bytes, on.seconds = finding.bytes, finding.seconds

    def write_lists(self, observer: Observer, run: str, now: datetime) -> None:
        """One more generation on each drive that may be written to."""
        for shelf, on in zip(self._plan.shelves, self._on, strict=True):
            if not on.reads:
                continue
            states = sum(on.states.values(), Counter[State]())
            if why := why_no_list(shelf, states, on.gone):
                on.lists = ListsWritten((), (why,))
            else:
                on.lists = append_audit(shelf, on.reads, observer, run=run, now=now)

    def _checked(self, finding: Checked) -> None:
        shelf, on = self._plan.shelves[finding.drive], self._on[finding.drive]
        place, judged = shelf.places[finding.item.key], finding.judged
        copy = place.copy
        if self._recorder is not None and copy is not None and finding.about_the_copy:
            self._recorder.add(copy, judged, shelf.task.volume.mount)
        on.reached += 1
        on.judged[finding.item.key] = judged
        added = self._add(finding, copy, shelf.task) if copy is not None else {}
        if copy is not None and finding.about_the_copy:
            inside = finding.item.path[len(place.folder) + 1 :] if place.folder else copy.path
            on.reads[place.folder].append(Read(inside, judged, finding.mtime_ns, added))
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

    def _add(self, finding: Checked, copy: Copy, task: DriveTask) -> Mapping[str, str]:
        new, fresh, other = self._adding.take(finding, copy, task)
        if self._recorder is not None and fresh:
            self._recorder.add_digests(copy, fresh)
        for detail in other:
            problem = Problem(finding.item.path, task.name, State.DOUBTFUL, detail)
            self._problems.append(problem)
            self._tell(Found(problem))
        return new

    def result(self, *, stopped: bool, away: tuple[str, ...]) -> Result:
        for shelf, on in zip(self._plan.shelves, self._on, strict=True):
            self._problems += self._still_doubtful(shelf, on)
            self._problems += (
                Problem(path, shelf.task.name, State.UNVERIFIED, f"hash list {detail}")
                for path, detail in shelf.problems
            )
            self._problems += (
                _disagreed(one, on.judged.get(one.item), shelf.task.name)
                for one in shelf.disagreements
            )
        return Result(
            drives=tuple(map(self._drive, self._plan.shelves, self._on)),
            problems=tuple(self._problems),
            quick=self._quick,
            recorded=self._recorder is not None,
            stopped=stopped,
            away=away,
        )

    def _still_doubtful(self, shelf: Shelf, on: _OnDrive) -> Iterator[Problem]:
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

    def _drive(self, shelf: Shelf, on: _OnDrive) -> AuditedDrive:
        every = (*shelf.places, *shelf.read_before)
        counts = Counter(place.key for place in every)
        listed = Counter(place.key for place in shelf.places if place.copy is None)
        before = Counter(place.key for place in shelf.read_before)
        left = [item for item in shelf.task.items if item.key not in on.judged]
        left_bytes = sum(item.expected.size or 0 for item in left)
        gone = [key for key in counts if on.states.get(key) == {State.MISSING: counts[key]}]
        called = {} if on.gone else renamed_folders(shelf, [folder for _, _, folder in gone])
        return AuditedDrive(
            name=shelf.task.name,
            root=shelf.task.volume.root,
            rolls=tuple(
                AuditedRoll(
                    roll=roll,
                    production=production,
                    folder=folder,
                    files=counts[production, roll, folder],
                    states=dict(on.states.get((production, roll, folder), {})),
                    unknown=tuple(on.unknown.get(folder, ())),
                    only_listed=0 if shelf.by_lists else listed[production, roll, folder],
                    read_before=before[production, roll, folder],
                    called_now=called.get(folder, ""),
                )
                for production, roll, folder in sorted(counts)
            ),
            cached=on.cached,
            gone=on.gone,
            by_lists=shelf.by_lists,
            hash_lists=on.lists.paths,
            no_list=on.lists.refused,
            notes=shelf.notes,
            time_up=on.time_up,
            left_files=len(left),
            left_bytes=left_bytes,
            left_seconds=seconds_for(left_bytes, on.bytes, on.seconds),
            since=shelf.since,
        )


def _disagreed(one: Disagreement, judged: Judged | None, drive: str) -> Problem:
    """Who is right is for a person; what the drive holds is told."""
    if judged is None or judged.digest is None:
        holds = ""
    elif judged.state is State.MATCHED:
        holds = "; the drive holds what the catalog says"
    elif (judged.kind, judged.digest) == (one.what, one.said):
        holds = "; the drive holds what the list says"
    else:
        holds = "; the drive holds neither"
    detail = f"the catalog and the hash list {one.list_name} disagree ({one.what}){holds}"
    return Problem(one.path, drive, State.UNVERIFIED, detail)
