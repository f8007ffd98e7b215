"""`ingest mend`: puts back what is known to be damaged or missing on a drive.

It works on what the evidence says and looks for nothing new; finding damage is the audit's job.
A file is put back from a copy proven good while it is read, and only when that has matched on
the drive is the damaged one moved aside, under a name that says so. Nothing is deleted.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from ingest.assurance.sources import Remedy, remedy
from ingest.catalog.catalog import Catalog
from ingest.catalog.records import Copy, FileRecord
from ingest.copying.values import Action
from ingest.errors import BadDestination, UsageError
from ingest.evidence import State
from ingest.jobs.fitting import check_room
from ingest.jobs.further.shelf import Shelf, folder_of, here_by_name, known_drives
from ingest.jobs.further.values import RollPlan, Target, Trouble, Wanted
from ingest.names import shown
from ingest.wording import counted, listed

__all__ = ["MendPlan", "prepare_mend"]

_LISTS = 2
"""Drives whose own lists must agree on a file that no card's read is known of."""


@dataclass(frozen=True, slots=True)
class MendPlan:
    """What is to be put back on one drive, by roll and folder."""

    target: Target
    rolls: tuple[RollPlan, ...]
    copies: int
    """Copies that the catalog knows on the drive."""
    unread: int
    """Of these, copies that nobody has read yet: whether they are good isn't known."""

    @property
    def bad(self) -> int:
        """Copies that something is to be done about."""
        return sum(len(one.wanted) + len(one.troubles) for one in self.rolls)


def prepare_mend(catalog: Catalog, drive: str, source: str | None = None) -> MendPlan:
    """What the evidence says is to be mended on a drive, and from where. Writes nothing.

    `source`: the one drive to take it from; None: the best for each file. Raises NotKnown,
    UsageError, and BadDestination when the drive can't be written to or gave read errors.
    """
    heres = known_drives(catalog, [drive, *([source] if source else [])])
    here = here_by_name(catalog, drive, heres)
    assert here.volume is not None
    name = here.drive.name
    only = here_by_name(catalog, source, heres).drive.id if source is not None else None
    if only == here.drive.id:
        raise UsageError("--from names the drive that is to be mended.", do="name another drive")
    shelf = Shelf(catalog, catalog.rolls(), heres)
    here_copies = [
        (copy, file)
        for file in shelf.file.values()
        for copy in shelf.copies[file.id]
        if copy.drive_id == here.drive.id
    ]
    asked = {copy.id: remedy(shelf.state[copy.id], shelf.looks(copy)) for copy, _ in here_copies}
    failing = [(copy, file) for copy, file in here_copies if asked[copy.id] is Remedy.NEW_DRIVE]
    if failing:
        raise _failing(shelf, name, failing)
    planner = _Planner(shelf, here.drive.id, name, only)
    for copy, file in here_copies:
        planner.add(copy, file, asked[copy.id])
    plans = planner.plans()
    if any(one.wanted for one in plans) and here.volume.read_only:
        raise BadDestination(
            f"{shown(here.volume.root)} is read-only.", do="check its lock switch, then try again"
        )
    check_room(here.volume, [one.file.size for plan in plans for one in plan.wanted])
    return MendPlan(
        target=Target(name, here.volume, here.drive),
        rolls=plans,
        copies=len(here_copies),
        unread=sum(
            asked[copy.id] is Remedy.NOTHING and shelf.state[copy.id].state is not State.MATCHED
            for copy, _ in here_copies
        ),
    )


def _failing(shelf: Shelf, name: str, failing: Sequence[tuple[Copy, FileRecord]]) -> BadDestination:
    rolls = sorted({shelf.rolls[file.roll_id].name for _, file in failing})
    paths = sorted(copy.path for copy, _ in failing)
    return BadDestination(
        f"{shown(name)} gave read errors ({counted(len(failing), 'file')}, in {listed(rolls)}: "
        f"{listed(paths, 2)}): it is not mended.",
        do="make a copy on a new drive: ingest copy --to NEW",
        dont=f"write to {shown(name)} any more",
    )


class _Planner:
    """Gathers what is to be done, by roll and folder."""

    def __init__(self, shelf: Shelf, drive_id: int, name: str, only: int | None) -> None:
        self._shelf = shelf
        self._drive_id = drive_id
        self._name = name
        self._only = only
        self._wanted: dict[tuple[int, str], list[Wanted]] = defaultdict(list)
        self._troubles: dict[tuple[int, str], list[Trouble]] = defaultdict(list)
        self._waiting: Counter[tuple[int, str]] = Counter()

    def add(self, copy: Copy, file: FileRecord, asked: Remedy) -> None:
        """One copy on the drive, and what its evidence asks for."""
        if asked is Remedy.NOTHING:
            return
        state = str(self._shelf.state[copy.id].state)
        folder = folder_of(copy, file)
        key = file.roll_id, folder or ""
        if asked is Remedy.AUDIT:
            self._trouble(
                key,
                file,
                state,
                self._shelf.state[copy.id].why,
                do=f"unplug {self._name}, plug it in again, then ingest audit {self._name}",
            )
            return
        if folder is None:
            self._trouble(key, file, state, f"it lies in no folder of its roll ({copy.path})", "")
            return
        sources = self._shelf.sources(file, besides=self._drive_id, only=self._only)
        if not sources:
            self._without_source(key, file, state)
        elif self._shelf.from_lists(file) and self._shelf.lists_agreeing(file) < _LISTS:
            self._trouble(
                key,
                file,
                "one list only",
                f"it is {state}, and only one drive's list says what it should be",
                do="ingest rebuild with every drive that holds this roll, then mend again",
            )
        else:
            against = self._shelf.against(file, copy)
            self._wanted[key].append(Wanted(file, Action.REPLACE, sources, against, state))

    def _without_source(self, key: tuple[int, str], file: FileRecord, state: str) -> None:
        away = self._shelf.away(file, self._drive_id)
        if away:
            self._waiting[key] += 1
            what, do = f"its other copies are on {listed(away)}", "plug that drive in"
            self._trouble(key, file, state, what, f"{do}, then run the same command again")
            return
        do = "offload the card again, if it is still whole (ingest offload CARD --to DRIVE)"
        what = "no other copy of it is known"
        if self._only is not None:
            what, do = "the drive that --from names holds no copy of it", "leave --from out"
        self._trouble(key, file, state, what, do)

    def _trouble(
        self, key: tuple[int, str], file: FileRecord, state: str, detail: str, do: str
    ) -> None:
        self._troubles[key].append(Trouble(file.path, self._name, state, detail, do))

    def plans(self) -> tuple[RollPlan, ...]:
        keys = sorted(
            self._wanted.keys() | self._troubles.keys(),
            key=lambda key: (self._shelf.rolls[key[0]].production, key[1]),
        )
        return tuple(
            RollPlan(
                roll=self._shelf.rolls[roll_id],
                folder=folder,
                files=tuple(self._shelf.files[roll_id]),
                wanted=tuple(self._wanted[roll_id, folder]),
                before=frozenset(),
                troubles=tuple(self._troubles[roll_id, folder]),
                waiting=self._waiting[roll_id, folder] > 0,
                whole=False,
            )
            for roll_id, folder in keys
        )
