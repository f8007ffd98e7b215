"""What follows the copying of a card: what it could not give and what changed on it, the hash
lists, what its clips are, and the takes that they hold."""

from __future__ import annotations

import threading
from datetime import UTC, datetime

from ingest.catalog.records import Observer
from ingest.copying.roll_folder import RollFolder
from ingest.jobs.offloading.card_again import (
    compare_with_lists,
    look_again,
    reread,
    salvage_unread,
)
from ingest.jobs.offloading.clips import ClipReader
from ingest.jobs.offloading.drives_closed import make_empty_folders, write_lists
from ingest.jobs.offloading.ledger import Ledger, Tell
from ingest.jobs.offloading.values import Phase

__all__ = ["close"]


def close(
    work: Ledger,
    clips: ClipReader,
    card: int,
    folders: list[RollFolder],
    *,
    run: str,
    observer: Observer,
    tell: Tell,
    stop: threading.Event,
) -> None:
    """Carry the offload to its end; once `stop` is set, no further than what is begun."""
    compare_with_lists(work)
    if work.unread:
        tell(Phase.SALVAGING)
        salvage_unread(work, card, folders, run, stop)
    if stop.is_set():
        return
    tell(Phase.LOOKING_AGAIN)
    look_again(work)
    if work.plan.request.reread:
        tell(Phase.REREADING)
        reread(work, card, stop)
        if stop.is_set():
            return
    if not work.problems and not work.unfinished:
        tell(Phase.CARD_FREE)
    make_empty_folders(work, folders)
    tell(Phase.LISTING)
    write_lists(work, folders, observer, stop)
    if stop.is_set():
        return
    tell(Phase.READING_CLIPS)
    work.clips = clips.finish(run, observer, lambda: datetime.now(UTC), work.standing, stop)
    work.healths = clips.healths
    if work.clips:
        _link(work)


def _link(work: Ledger) -> None:
    """The takes of the clips, and whether they were set as they should be."""
    from ingest.jobs.footage import footage_of
    from ingest.jobs.slate import match_production

    plan = work.plan
    match_production(work.catalog, plan.production, settings=plan.request.settings)
    footage = footage_of(work.catalog, [work.offload.roll], plan.request.settings)
    work.set_wrong, work.timecodes = footage.oddities, footage.timecodes
