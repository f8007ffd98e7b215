"""What is done on the drives when all is copied: empty folders, and the hash lists."""

from __future__ import annotations

import threading
import time
from collections.abc import Mapping

from ingest import platforms
from ingest.catalog.records import Observer
from ingest.copying.drive_worker import told
from ingest.copying.roll_folder import RollFolder
from ingest.copying.tree import Tree
from ingest.copying.values import Action
from ingest.errors import BadDestination, Unfinished
from ingest.jobs.offloading.ledger import Ledger
from ingest.jobs.offloading.listing import Alike, Listed, ToList, list_roll
from ingest.jobs.offloading.values import Problem

__all__ = ["make_empty_folders", "write_lists"]

_WAIT = 0.2
_LEAVE = 1.5
_PATIENCE = 300.0


def make_empty_folders(work: Ledger, folders: list[RollFolder]) -> None:
    """Empty folders of the card are kept: a camera may want them back."""
    for folder, on in zip(folders, work.on_drive, strict=True):
        if on.stopped:
            continue
        try:
            with Tree(folder.handle) as tree:
                for path in work.plan.inventory.empty_folders:
                    _, made = tree.make_folder(path)
                    for above in made:
                        platforms.flush(tree.folder(above))
        except OSError as error:
            on.stopped = told(error)


def write_lists(
    work: Ledger, folders: list[RollFolder], observer: Observer, stop: threading.Event
) -> None:
    """One new generation of the hash list on every drive, of what is in none there yet; on
    all drives at once, since each is waited for at every flush.

    A drive that hasn't written its own after five minutes is given up; once `stop` is
    set, in less than two."""
    alike = Alike()
    written: dict[int, Listed | BaseException] = {}

    def write(number: int) -> None:
        try:
            if matched := _to_list(work, number):
                written[number] = list_roll(folders[number], matched, work.plan, observer, alike)
        except BaseException as error:
            written[number] = error

    # Daemons, waited for with a limit: a drive that hangs here must not keep the program from
    # being left.
    threads = {
        number: threading.Thread(target=write, args=(number,), name="hash list", daemon=True)
        for number, on in enumerate(work.on_drive)
        if not on.stopped
    }
    for thread in threads.values():
        thread.start()
    until = time.monotonic() + _PATIENCE
    while alive := [number for number, thread in threads.items() if thread.is_alive()]:
        threads[alive[0]].join(_WAIT)
        if stop.is_set():
            until = min(until, time.monotonic() + _LEAVE)
        if time.monotonic() > until:
            break
    for number in alive:
        # The thread may wake up yet: what it holds is never used again.
        folders[number].abandoned = True
        work.on_drive[number].stopped = "it gave no answer while its hash list was written"
        work.unfinished = True
    for number, listed in sorted(written.items()):
        if number in alive:
            continue
        on, name = work.on_drive[number], work.seen[number].name
        if isinstance(listed, (OSError, Unfinished, BadDestination)):
            why = told(listed) if isinstance(listed, OSError) else str(listed)
            on.stopped = f"the hash list can't be written: {why}"
            work.unfinished = True
        elif isinstance(listed, BaseException):
            raise listed
        else:
            if listed.problem:
                on.problems += 1
                work.problems.append(Problem("ascmhl", name, "hash list", listed.problem))
            if listed.path:
                drive = work.plan.drives[number]
                work.hash_lists.append(f"{drive.volume.root}/{drive.folder}/{listed.path}")
            work.not_listed += [one for one in listed.not_listed if one not in work.not_listed]


def _to_list(work: Ledger, number: int) -> Mapping[str, ToList]:
    """What stands matched on a drive, from earlier runs and from this one."""
    actions = work.plan.drives[number].actions
    before = {
        path: ToList(record.size, record.mtime_ns, record.digests)
        for path, record in work.plan.known.items()
        if actions.get(path) is Action.NOTHING
    }
    return before | {
        path: ToList(outcome.size, outcome.mtime_ns, outcome.digests)
        for path, outcome in work.matched[number].items()
    }
