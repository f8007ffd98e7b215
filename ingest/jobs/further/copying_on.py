"""`ingest copy`: a further copy of rolls, from drives instead of the card.

Each file comes from the best copy that is mounted, and gets its final name only when what was
read there is what was copied first. Nothing is written to a drive that is only read.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from ingest.card.inventory import CardFile
from ingest.catalog.catalog import Catalog
from ingest.catalog.records import FileRecord, Roll
from ingest.copying.plan import check_names, take_stock
from ingest.copying.reading import sample_in
from ingest.copying.tree import Tree
from ingest.copying.values import Action
from ingest.errors import BadDestination, NotKnown, UsageError
from ingest.evidence import State
from ingest.jobs.fitting import check_room
from ingest.jobs.further.destination import check_target, find_target, opened
from ingest.jobs.further.shelf import Shelf, folder_of, here_by_name, known_drives
from ingest.jobs.further.values import RollPlan, Target, Trouble, Wanted
from ingest.jobs.known import DriveHere
from ingest.manifest.kept import kept_path
from ingest.names import shown
from ingest.wording import listed

__all__ = ["CopyPlan", "Request", "prepare_copy"]


@dataclass(frozen=True, slots=True)
class Request:
    """What is to be copied on, and where to."""

    to: str
    """A folder, or a known drive's name."""
    source: str | None = None
    """The one drive to read from; None: the best for each file."""
    production: str | None = None
    day: int | None = None
    roll: str | None = None
    same_drive_ok: bool = False
    system_disk_ok: bool = False
    take_over: bool = False
    only: frozenset[tuple[int, str]] | None = None
    """Only these files: id of the roll, and path in it. None: whole rolls."""


@dataclass(frozen=True, slots=True)
class CopyPlan:
    """Everything that is decided before the first byte is written."""

    target: Target
    rolls: tuple[RollPlan, ...]
    heres: tuple[DriveHere, ...]
    take_over: bool = False


def prepare_copy(request: Request, catalog: Catalog) -> CopyPlan:
    """Which files go where, and from where. Writes nothing.

    Raises NotKnown, UsageError or BadDestination for whatever speaks against it.
    """
    rolls = _rolls(request, catalog)
    named = [request.to, *([request.source] if request.source else [])]
    heres = known_drives(catalog, named)
    target = find_target(catalog, request.to, heres)
    only = None
    if request.source is not None:
        only = here_by_name(catalog, request.source, heres).drive.id
    shelf = Shelf(catalog, rolls, heres)
    besides = target.drive.id if target.drive is not None else None
    if only is not None and only == besides:
        raise UsageError("--from and --to name one drive.", do="name two drives")
    holders = list(shelf.holders(besides))
    if not holders:
        away = sorted({name for file in shelf.file.values() for name in shelf.away(file, besides)})
        raise BadDestination(
            "No drive that holds a copy of this is mounted"
            + (f" (copies are on {listed(away)})." if away else "."),
            do="plug one in, then run the same command again",
        )
    check_target(
        target,
        holders,
        same_drive_ok=request.same_drive_ok,
        system_disk_ok=request.system_disk_ok,
    )
    with opened(target.volume) as root:
        plans = [
            _RollPlanner(shelf, roll, target, root, only, request.only).plan()
            for roll in rolls
            if any(
                request.only is None or (roll.id, file.path) in request.only
                for file in shelf.files[roll.id]
            )
        ]
    for plan in plans:
        files = [CardFile(one.file.path, one.file.size, one.file.mtime_ns) for one in plan.wanted]
        check_names(files, target.volume)
    check_room(
        target.volume,
        [
            one.file.size
            for plan in plans
            for one in plan.wanted
            if one.action is Action.WRITE and one.sources
        ],
    )
    return CopyPlan(target, tuple(plans), heres, request.take_over)


def _rolls(request: Request, catalog: Catalog) -> tuple[Roll, ...]:
    production = request.production
    if production is None:
        productions = catalog.productions()
        if len(productions) > 1 and request.roll is not None:
            found = catalog.rolls(day=request.day, name=request.roll)
            if len({roll.production for roll in found}) == 1:
                return found
        if len(productions) > 1:
            raise UsageError(
                f"Which production? The catalog knows {listed(productions)}.",
                do='say --production "NAME", or write production = "NAME" into ingest.toml',
            )
    rolls = catalog.rolls(production=production, day=request.day, name=request.roll)
    if not rolls:
        what = " ".join(
            said
            for said in (
                f"roll {shown(request.roll)}" if request.roll else "roll",
                f"of day {request.day}" if request.day is not None else "",
                f"in {shown(production)}" if production else "",
            )
            if said
        )
        raise NotKnown(f"The catalog has no {what}.", do="ingest rolls shows what is known")
    return rolls


class _RollPlanner:
    """Plans one roll. `root` is a handle of the drive that is filled."""

    def __init__(
        self,
        shelf: Shelf,
        roll: Roll,
        target: Target,
        root: int,
        only: int | None,
        part: frozenset[tuple[int, str]] | None,
    ) -> None:
        self._shelf = shelf
        self._roll = roll
        self._target = target
        self._root = root
        self._only = only
        self._part = part
        self._drive_id = target.drive.id if target.drive is not None else None
        self._troubles: list[Trouble] = []
        self._waiting = False

    def plan(self) -> RollPlan:
        files = self._shelf.files[self._roll.id]
        folder = self._folder(files)
        if self._part is not None:
            files = [file for file in files if (self._roll.id, file.path) in self._part]
        twice = {path for path, count in Counter(file.path for file in files).items() if count > 1}
        for path in sorted(twice):
            self._troubles.append(
                Trouble(
                    path,
                    None,
                    "lists differ",
                    "two different contents are known under this path",
                    do="ingest audit; then copy the right one by hand",
                )
            )
        stock = take_stock(self._root, folder, [kept_path(file.path) for file in files])
        wanted, before = [], set()
        for file in files:
            if file.path in twice:
                continue
            there = stock.sizes.get(kept_path(file.path))
            state = self._state(file, folder)
            if state is State.MATCHED and there == file.size:
                before.add(file.id)
            elif state is not None and there is not None and state.is_bad:
                self._damaged(file, str(state))
            elif one := self._wanted(file, folder, there):
                wanted.append(one)
        return RollPlan(
            roll=self._roll,
            folder=folder,
            files=tuple(files),
            wanted=tuple(wanted),
            before=frozenset(before),
            troubles=tuple(self._troubles),
            waiting=self._waiting,
            whole=self._part is None,
            listed=self._part is not None,
        )

    def _folder(self, files: Sequence[FileRecord]) -> str:
        """Where the roll lies on this drive already, else as on most copies."""
        here: Counter[str] = Counter()
        anywhere: Counter[str] = Counter()
        for file in files:
            for copy in self._shelf.copies[file.id]:
                folder = folder_of(copy, file)
                if folder is not None:
                    anywhere[folder] += 1
                    here[folder] += copy.drive_id == self._drive_id
        return max(anywhere, key=lambda one: (here[one], anywhere[one], one), default="")

    def _state(self, file: FileRecord, folder: str) -> State | None:
        """The state of the copy that this drive has in that place, or None."""
        for copy in self._shelf.copies[file.id]:
            if copy.drive_id == self._drive_id and folder_of(copy, file) == folder:
                return self._shelf.state[copy.id].state
        return None

    def _damaged(self, file: FileRecord, state: str) -> None:
        name = self._target.name
        self._troubles.append(
            Trouble(file.path, name, state, "it stands there damaged", do=f"ingest mend {name}")
        )

    def _wanted(self, file: FileRecord, folder: str, there: int | None) -> Wanted | None:
        action = Action.WRITE
        if there is not None:
            action = Action.CHECK
            known = self._state(file, folder) is not None
            if there != file.size and known:
                state = State.SHORT if 0 <= there < file.size else State.LONG
                self._damaged(file, str(state))
                return None
            if there != file.size or not (known or self._like(file, folder)):
                raise BadDestination(
                    f"{shown(self._target.volume.root)}/{shown(folder)}/{shown(file.path)} is "
                    "already taken by other content.",
                    do="move that folder aside, or name another drive",
                )
        sources = self._shelf.sources(file, besides=self._drive_id, only=self._only)
        if not sources:
            away = self._shelf.away(file, self._drive_id)
            self._waiting = self._waiting or bool(away)
            self._troubles.append(
                Trouble(
                    file.path,
                    None,
                    "not here" if away else "no good copy",
                    f"its copies are on {listed(away)}"
                    if away
                    else "no copy of it is known on any drive"
                    if self._only is None
                    else "the drive that --from names holds no copy of it",
                    do="plug that drive in, and run the same command again"
                    if away
                    else "offload the card again, if it is still whole",
                )
            )
            return None
        return Wanted(file, action, sources, self._shelf.against(file, None))

    def _like(self, file: FileRecord, folder: str) -> bool:
        """Whether what lies there may be this file: its samples, where some are known, agree."""
        if not file.samples:
            return True
        path = kept_path(file.path)
        path = f"{folder}/{path}" if folder else path
        with Tree(self._root) as tree:
            try:
                return sample_in(tree, path, self._target.volume.fs_type) == file.samples
            except OSError:
                return False
