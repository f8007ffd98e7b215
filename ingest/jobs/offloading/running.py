"""The run of a planned offload: copy, record, look again, list, read the clips.

The catalog's rows are written after the drives' own flushes, so the catalog never knows more
than the drives hold. What is left behind at any moment is gone on with by the same command.
"""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from datetime import UTC, datetime
from importlib import import_module

from ingest import drives
from ingest.catalog.catalog import Catalog
from ingest.catalog.records import CardNote, NewOffload, Observer
from ingest.copying.buffers import MEMORY
from ingest.copying.engine import copy
from ingest.copying.head_start import HeadStart
from ingest.copying.plan import room_for, take_stock
from ingest.copying.roll_folder import RollFolder, is_ours
from ingest.copying.values import Action, Destination
from ingest.drives import DriveSeen
from ingest.errors import BadCard, BadDestination, Unfinished
from ingest.jobs.fitting import free_room, is_full
from ingest.jobs.marking import mark_drives
from ingest.jobs.offloading.clips import ClipReader, clip_readers
from ingest.jobs.offloading.ledger import Ledger, Tell
from ingest.jobs.offloading.looking import looking_at, opened
from ingest.jobs.offloading.pace import past_rates
from ingest.jobs.offloading.preparing import prepare
from ingest.jobs.offloading.values import Phase, Plan, PlannedDrive, Result
from ingest.manifest.kept import kept_path
from ingest.media.workers import ProbePool
from ingest.names import shown
from ingest.wording import counted, size

__all__ = ["check_still_there", "run_offload"]

_LATER = ("ingest.jobs.offloading.closing", "ingest.jobs.footage", "ingest.jobs.slate")


def run_offload(
    plan: Plan,
    catalog: Catalog,
    observer: Observer,
    *,
    run: str,
    tell: Tell,
    stop: threading.Event,
    memory: int = MEMORY,
    readers: ProbePool | None = None,
    head_start: HeadStart | None = None,
    poisoned: bool = False,
) -> Result:
    """Carry out the plan. `run`: 16 hexadecimal digits, new for each run.

    Setting `stop` ends it within two seconds. Where another run has filled the roll since the plan
    was made, it is planned anew; the result holds the plan that was carried out. `readers` of
    clips may be shared with other cards. Raises
    BadDestination when a drive is held by another run, Unfinished when a drive refuses at the very
    start or the roll has become another; whatever happens later is in the result.
    """
    begun = time.monotonic()
    with ExitStack() as stack:
        check_still_there(plan)
        seen = mark_drives(catalog, ((one.volume.root, one.name) for one in plan.drives))
        card = stack.enter_context(opened(plan.card_volume.root))
        roots = [stack.enter_context(opened(one.volume.root)) for one in plan.drives]
        folders = _hold(stack, plan, seen, roots, run, take_over=plan.request.take_over)
        if _is_stale(plan, folders):
            tell(Phase.PLANNING_ANEW)
            plan = _planned_anew(plan, catalog)
        known = [catalog.see_drive(one) for one in seen]
        offload = catalog.begin_offload(_start(plan, run, observer))
        pasts = past_rates(catalog.offloads(catalog.rolls()))
        work = Ledger(plan, catalog, offload, known, seen, begun, pasts)
        work.set_aside(folders, run)
        catalog.note_card(offload, _notes(plan))
        readers = readers or stack.enter_context(clip_readers())
        with ClipReader(plan, catalog, offload.roll, seen, readers.shared()) as clips:
            tell(Phase.COPYING)
            _load_meanwhile()
            outcomes = copy(
                card,
                plan.card_volume,
                work.tasks(),
                folders,
                kinds=plan.kinds,
                stop=stop,
                tell=work.listening(tell, clips),
                memory=memory,
                poisoned=poisoned,
                head_start=head_start,
            )
            work.take(outcomes)
            from ingest.jobs.offloading.closing import close

            close(work, clips, card, folders, run=run, observer=observer, tell=tell, stop=stop)
        work.look_for_room(folders)
        asked_to_stop = stop.is_set()
        result = work.result(stopped=asked_to_stop)
        catalog.end_offload(offload, work.end(result))
        for folder, drive in zip(folders, result.drives, strict=True):
            folder.release(complete=not drive.problems and not drive.stopped and not asked_to_stop)
        tell(Phase.DONE)
        return result


def _load_meanwhile() -> None:
    """Load what is needed after the copying while the devices are at work."""

    def load() -> None:
        for name in _LATER:
            import_module(name)

    threading.Thread(target=load, name="load", daemon=True).start()


def check_still_there(plan: Plan) -> None:
    """Raise BadDestination or BadCard unless everything is mounted as it was planned for.

    Between the plan and Enter a drive may have been pulled: what is there now must be what
    was planned for, or the footage would land on the disk beneath."""
    for one in plan.drives:
        now = drives.look_at(one.volume.root)
        if (now.st_dev, now.mount) != (one.volume.st_dev, one.volume.mount):
            raise BadDestination(
                f"{shown(one.volume.root)} is not the drive any more that it was a moment ago.",
                do="check that it is plugged in and mounted, then run the same command again",
            )
    card = drives.look_at(plan.card_volume.root)
    if (card.st_dev, card.mount) != (plan.card_volume.st_dev, plan.card_volume.mount):
        raise BadCard(
            f"{shown(plan.card_volume.root)} is not the card any more that it was a moment ago.",
            do="put the card back, then run the same command again",
        )


def _hold(
    stack: ExitStack,
    plan: Plan,
    seen: list[DriveSeen],
    roots: list[int],
    run: str,
    *,
    take_over: bool,
) -> list[RollFolder]:
    folders = []
    for one, drive, root in zip(plan.drives, seen, roots, strict=True):
        if os.fstat(root).st_dev != one.volume.st_dev:
            raise BadDestination(
                f"{shown(one.volume.root)} is not the drive any more that it was a moment ago.",
                do="check that it is plugged in and mounted, then run the same command again",
            )
        place = Destination(drive.name, one.volume, one.folder, one.read_back_after)
        try:
            folder = RollFolder(root, place, run, take_over=take_over)
        except Unfinished as error:
            if is_full(error.__cause__):
                raise _full(plan, one, root) from error.__cause__
            raise
        folders.append(stack.enter_context(folder))
    return folders


def _full(plan: Plan, one: PlannedDrive, root: int) -> Unfinished:
    """What to raise where a drive has filled since the plan was made."""
    sizes = [file.size for file in plan.files if one.actions[file.path] is Action.WRITE]
    lacking = room_for(sizes or [0]) - free_room(root) - one.stock.reclaimable
    more = f": {size(lacking)} more room is needed" if lacking > 0 else ""
    return Unfinished(
        f"{shown(one.name)} is full{more}.",
        do="make room on it, then run the same command again; it goes on where it was",
    )


def _is_stale(plan: Plan, folders: Sequence[RollFolder]) -> bool:
    """Whether another run has filled these folders since the plan was made. They are held now, so
    what is seen stays true. Raises Unfinished where a drive refuses."""
    for one, folder in zip(plan.drives, folders, strict=True):
        with looking_at(one.volume, one.folder, Unfinished):
            if one.stock.sizes or not all(map(is_ours, os.listdir(folder.handle))):
                paths = [kept_path(path) for path in one.actions]
                if take_stock(folder.root, one.folder, paths).sizes != one.stock.sizes:
                    return True
    return False


def _planned_anew(plan: Plan, catalog: Catalog) -> Plan:
    """The same card, roll and folders, planned by what stands there now. Raises Unfinished where
    that is another roll: what somebody has seen and confirmed is not changed behind their back."""
    anew = prepare(plan.request, catalog)
    if [one.folder for one in anew.drives] != [one.folder for one in plan.drives]:
        raise Unfinished(
            f"Another run has filled {shown(plan.roll)} meanwhile.",
            do="run the same command again",
        )
    return anew


def _start(plan: Plan, run: str, observer: Observer) -> NewOffload:
    return NewOffload(
        run=run,
        production=plan.production,
        roll=plan.roll,
        day=plan.day,
        date=plan.date.isoformat(),
        camera=plan.camera,
        card=plan.card,
        observer=observer,
        started=datetime.now(UTC),
        plan={
            "checksums": list(plan.kinds),
            "files": len(plan.files),
            "bytes": plan.bytes,
            "drives": [
                {
                    "name": one.name,
                    "root": one.volume.root,
                    "folder": one.folder,
                    "device": one.volume.device,
                    "fs_type": one.volume.fs_type,
                }
                for one in plan.drives
            ],
            "copies": plan.copies,
            "card_history": [
                {"folder": one.place, "lists": one.lists, "problems": list(one.problems)}
                for one in plan.histories
            ],
        },
    )


def _notes(plan: Plan) -> Iterator[CardNote]:
    for file in plan.inventory.litter:
        yield CardNote("litter", file.path)
    for found in plan.inventory.not_followed:
        kind = "link" if found.kind == "link" else "special"
        yield CardNote(kind, found.path, found.kind)
    for unread in plan.inventory.unreadable:
        yield CardNote("unreadable", unread.path, unread.detail)
    for file in plan.older:
        yield CardNote("older", file.path)
    if plan.witness:
        files = counted(len(plan.known), "file")
        detail = f"another card with the same {files}, every byte compared: {plan.witness}"
        yield CardNote("witness", ".", detail)
