"""Several cards in several readers, to the same drives, at once.

Each card is an offload of its own, with its own roll, engine and share of the memory; the drives
are shared as their queues come. What one card meets doesn't stop the others.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence

from ingest.catalog.catalog import Catalog
from ingest.catalog.records import Observer
from ingest.copying.buffers import shares
from ingest.copying.head_start import HeadStart
from ingest.copying.values import Action, Event
from ingest.drives import Volume
from ingest.jobs.fitting import check_room
from ingest.jobs.marking import mark_drives
from ingest.jobs.offloading.clips import clip_readers
from ingest.jobs.offloading.preparing import prepare
from ingest.jobs.offloading.running import check_still_there, run_offload
from ingest.jobs.offloading.values import Confirming, Phase, Plan, Request, Result

__all__ = ["prepare_all", "run_all"]

_WAIT = 0.2


def prepare_all(
    requests: Sequence[Request],
    catalog: Catalog,
    tell: Callable[[Confirming], None] = lambda event: None,
) -> list[Plan]:
    """Plans that don't get in each other's way: rolls differ, and all fit. Raises as `prepare`."""
    plans: list[Plan] = []
    for request in requests:
        taken = [plan.roll for plan in plans if plan.joins is None]
        plans.append(prepare(request, catalog, tell, taken=taken))
    volumes: dict[int, Volume] = {}
    sizes: dict[int, list[int]] = {}
    reclaimable: dict[int, int] = {}
    for plan in plans:
        for drive in plan.drives:
            volumes[drive.volume.st_dev] = drive.volume
            held = reclaimable.get(drive.volume.st_dev, 0) + drive.stock.reclaimable
            reclaimable[drive.volume.st_dev] = held
            sizes.setdefault(drive.volume.st_dev, []).extend(
                file.size for file in plan.files if drive.actions[file.path] is Action.WRITE
            )
    for number, volume in volumes.items():
        check_room(volume, sizes[number], reclaimable[number])
    return plans


def run_all(
    plans: Sequence[Plan],
    open_catalog: Callable[[], Catalog],
    observer: Observer,
    *,
    runs: Sequence[str],
    tell: Callable[[int, Event | Phase], None],
    stop: threading.Event,
    head_starts: Sequence[HeadStart] = (),
    poisoned: bool = False,
) -> list[Result]:
    """Run the plans at once and wait for all. `tell` is given the plan's index with each event,
    from several threads; `open_catalog` a catalog for each thread; `head_starts`: of each plan's
    card, if any. An error of one is raised
    when the others have ended."""
    results: dict[int, Result] = {}
    errors: list[BaseException] = []
    count = len(plans)
    memory = shares([plan.bytes for plan in plans])

    def work(number: int) -> None:
        try:
            with open_catalog() as catalog:
                results[number] = run_offload(
                    plans[number],
                    catalog,
                    observer,
                    run=runs[number],
                    tell=lambda event: tell(number, event),
                    stop=stop,
                    memory=memory[number],
                    readers=readers,
                    head_start=head_starts[number] if head_starts else None,
                    poisoned=poisoned,
                )
        except BaseException as error:
            errors.append(error)

    with clip_readers() as readers:
        if count == 1:
            work(0)
        else:
            # Marked before the threads start, so that two of them never mark one drive.
            for plan in plans:
                check_still_there(plan)
            with open_catalog() as catalog:
                mark_drives(catalog, ((one.volume.root, one.name) for one in plans[0].drives))
            threads = [
                threading.Thread(target=work, args=(number,), daemon=True)
                for number in range(count)
            ]
            # The largest first: it decides when all is done.
            for number in sorted(range(count), key=lambda number: -plans[number].bytes):
                threads[number].start()
            for thread in threads:
                while thread.is_alive():
                    thread.join(_WAIT)
    if errors:
        raise errors[0]
    return [results[number] for number in range(count)]
