"""The run of a planned further copy or mending: fill, list, count what there is now."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from ingest import platforms
from ingest.card.inventory import inventory
from ingest.catalog.catalog import Catalog
from ingest.catalog.records import Drive, Observer
from ingest.checksums import KINDS
from ingest.copying.buffers import MEMORY
from ingest.copying.roll_folder import RollFolder
from ingest.copying.tree import Tree
from ingest.copying.values import Destination, Event
from ingest.drives import DriveSeen
from ingest.errors import BadCard
from ingest.jobs.further.destination import opened, register
from ingest.jobs.further.filling import Added, Filling
from ingest.jobs.further.shelf import Shelf
from ingest.jobs.further.values import Filled, RollPlan, RollResult, Target, Trouble
from ingest.jobs.known import drives_here
from ingest.jobs.offloading.listing import Listed, ToList, list_files
from ingest.manifest.history import read_history
from ingest.manifest.model import HISTORY_FOLDER

__all__ = ["run_rolls"]


def run_rolls(
    target: Target,
    plans: Sequence[RollPlan],
    catalog: Catalog,
    observer: Observer,
    *,
    run: str,
    tell: Callable[[Event], None],
    stop: threading.Event,
    take_over: bool = False,
    memory: int = MEMORY,
    poisoned: bool = False,
) -> tuple[RollResult, ...]:
    """Carry the plans out, roll by roll. `run`: 16 hexadecimal digits, new for each run.

    Setting `stop` ends it within two seconds; rolls not reached have a result too. Raises
    BadDestination when another run fills a roll there, Unfinished when the drive refuses at once.
    """
    results: list[RollResult] = []
    with opened(target.volume) as root:
        seen = register(catalog, target)
        work = _Work(
            target,
            seen,
            catalog.see_drive(seen),
            catalog,
            observer,
            run,
            root,
            stop,
            Added(tell),
            take_over,
            memory,
            poisoned,
        )
        for plan in plans:
            results.append(work.roll(plan, given_up=any(one.stopped for one in results)))
    return tuple(results)


@dataclass(slots=True)
class _Work:
    """What every roll of the run has in common."""

    target: Target
    seen: DriveSeen
    drive: Drive
    catalog: Catalog
    observer: Observer
    run: str
    root: int
    """A handle of the filled drive's root."""
    stop: threading.Event
    told: Added
    take_over: bool
    memory: int
    poisoned: bool

    def roll(self, plan: RollPlan, *, given_up: bool) -> RollResult:
        begun = time.monotonic()
        filled, listed = Filled(), Listed("", ())
        # With nothing to copy, what an earlier run left unlisted is listed.
        something = plan.wanted or (plan.before and (plan.whole or plan.listed))
        if something and not self.stop.is_set() and not given_up:
            filled, listed = self._fill(plan)
        elif plan.wanted:
            filled.unfinished = True
        self.told.begin_next()
        root = self.target.volume.root
        heres = drives_here(self.catalog, [root])
        return RollResult(
            plan=plan,
            target=self.seen.name,
            root=root,
            device=self.target.volume.device,
            put=filled.put,
            troubles=(*plan.troubles, *filled.troubles),
            bad_at=filled.bad_at,
            hash_lists=("/".join(filter(None, (root, plan.folder, listed.path))),)
            if listed.path
            else (),
            not_listed=listed.not_listed,
            copies=Shelf(self.catalog, [plan.roll], heres).copies_of(plan.roll),
            unfinished=filled.unfinished or plan.waiting,
            stopped=filled.stopped,
            seconds=time.monotonic() - begun,
        )

    def _fill(self, plan: RollPlan) -> tuple[Filled, Listed]:
        volume = self.target.volume
        place = Destination(self.seen.name, volume, plan.folder, bool(volume.rotational))
        with RollFolder(self.root, place, self.run, take_over=self.take_over) as folder:
            filling = Filling(
                self.catalog,
                self.observer,
                self.run,
                folder,
                self.drive,
                kinds=[kind for kind in plan.kinds if kind in KINDS],
                stop=self.stop,
                tell=self.told.tell,
                memory=self.memory,
                poisoned=self.poisoned,
            )
            filled, listed = filling.fill(plan.wanted), Listed("", ())
            if not self.stop.is_set() and not filled.stopped:
                try:
                    listed = self._list(folder, plan, filled)
                except OSError as error:
                    filled.stopped = error.strerror or str(error)
                if listed.problem:
                    filled.troubles.append(
                        Trouble(".", self.seen.name, "no hash list", listed.problem)
                    )
            elif self.stop.is_set():
                filled.unfinished = True  # at the least, it is not listed yet
            mine = any(one.drive == self.seen.name for one in filled.troubles)
            whole = not (mine or filled.stopped or filled.unfinished or self.stop.is_set())
            folder.release(complete=whole)
        return filled, listed

    def _list(self, folder: RollFolder, plan: RollPlan, filled: Filled) -> Listed:
        """What stands there now and no list names yet. Raises OSError."""
        empty = _empty_folders(plan) if plan.whole else ()
        with Tree(folder.handle) as tree:
            for path in empty:
                _, made = tree.make_folder(path)
                for above in made:
                    platforms.flush(tree.folder(above))
        all_of_it = plan.whole or plan.listed
        if not all_of_it and not read_history(folder.handle).generations:
            return Listed("", ())  # a list of nothing but the mended files would mislead
        matched = {
            file.path: ToList(file.size, file.mtime_ns, file.digests)
            for file in plan.files
            if file.path in filled.put or (all_of_it and file.id in plan.before)
        }
        return list_files(
            folder,
            matched,
            kinds=plan.kinds,
            whole={file.path for file in plan.files} if plan.whole else (),
            empty_folders=empty,
            observer=self.observer,
        )


def _empty_folders(plan: RollPlan) -> tuple[str, ...]:
    """Empty folders where the roll is read from: a camera may want them back."""
    found: set[str] = set()
    places = {(one.volume.root, one.folder) for wanted in plan.wanted for one in wanted.sources[:1]}
    for root, folder in places:
        try:
            found.update(inventory(f"{root}/{folder}").empty_folders)
        except (BadCard, OSError):
            continue  # what is wrong with that drive was told when its files were read
    return tuple(sorted(path for path in found if path.partition("/")[0] != HISTORY_FOLDER))
