"""The card once more, when it has been read: what its own lists say, what it could not give, and
what changed on it meanwhile."""

from __future__ import annotations

import threading
from datetime import UTC, datetime

from ingest.card.inventory import CardFile, inventory
from ingest.catalog.records import CardNote, NewCardLook
from ingest.copying.reading import read_cold
from ingest.copying.roll_folder import RollFolder
from ingest.copying.salvage import salvage
from ingest.copying.values import COMPARED
from ingest.errors import BadCard, Stopped
from ingest.jobs.offloading.card_history import differing
from ingest.jobs.offloading.ledger import Ledger
from ingest.jobs.offloading.values import Problem

__all__ = ["compare_with_lists", "look_again", "reread", "salvage_unread"]

_HOLES = 8


def compare_with_lists(work: Ledger) -> None:
    """What the card gave, against the hash lists that it brought along."""
    for history in work.plan.histories:
        for path, expected in history.expected.items():
            outcome = work.read.get(path)
            kind = differing(expected, outcome.digests) if outcome is not None else None
            if kind is not None:
                detail = f"not what the hash lists on the card say (another {kind})"
                work.note(CardNote("disputed", path, detail))


def salvage_unread(
    work: Ledger, card: int, folders: list[RollFolder], run: str, stop: threading.Event
) -> None:
    """Bad spots come last, when everything else of a dying card is saved."""
    able = [f for f, on in zip(folders, work.on_drive, strict=True) if not on.stopped]
    for outcome in work.unread:
        detail = outcome.detail
        if not stop.is_set():
            try:
                kept = salvage(
                    card, work.plan.card_volume, outcome.path, outcome.size, able, run, stop
                )
            except Stopped:
                detail += "; stopped before what can be read of it was kept"
            except OSError as error:
                detail = error.strerror or str(error)
            else:
                missing = sum(length for _, length in kept.missing)
                holes = ", ".join(f"{at}+{length}" for at, length in kept.missing[:_HOLES])
                more = " ..." if len(kept.missing) > _HOLES else ""
                detail += f"; {missing} of {outcome.size} bytes missing (at {holes}{more})"
                if kept.kept:
                    detail += f"; the rest is kept as {kept.kept[0]}"
                    work.catalog.note_card(
                        work.offload, [CardNote("damaged", kept.kept[0], detail)]
                    )
        work.note(CardNote("unreadable", outcome.path, detail))


def look_again(work: Ledger) -> None:
    """The card once more: what changed, vanished or appeared since the inventory."""
    for unread in work.plan.inventory.unreadable:
        work.unfinished = True
        work.problems.append(Problem(unread.path, None, "unreadable", unread.detail))
    told = {problem.path for problem in work.problems if problem.drive is None}
    try:
        now = {file.path: file for file in inventory(work.plan.inventory.root).files}
    except (BadCard, OSError) as error:
        work.unfinished = True
        what = error.what if isinstance(error, BadCard) else error.strerror or str(error)
        work.note(CardNote("vanished", ".", what))
        return
    before = {file.path: file for file in work.plan.inventory.files}
    for path in sorted(now.keys() | before.keys()):
        kind = _difference(before.get(path), now.get(path))
        if kind and path not in told:
            work.note(CardNote(kind, path, "while the card was copied"))


def reread(work: Ledger, card: int, stop: threading.Event) -> None:
    """Read every file of the card a second time, past the cache, and compare. A read that differs
    is evidence against the card, recorded before it is told. Once `stop` is set the card counts
    as read once."""

    def go_on(_: int) -> None:
        if stop.is_set():
            raise Stopped("It was stopped.")

    ids: dict[str, int] = {}
    for path, outcome in work.read.items():
        try:
            again = read_cold(card, path, [COMPARED], work.plan.card_volume, go_on)
        except Stopped:
            return
        except OSError as error:
            work.note(CardNote("unreadable", path, error.strerror or str(error)))
            continue
        if again.digests[COMPARED] != outcome.digests[COMPARED]:
            ids = ids or {one.path: one.id for one in work.catalog.files([work.offload.roll])}
            found = NewCardLook(
                ids[path], again.route, COMPARED, again.digests[COMPARED], datetime.now(UTC)
            )
            work.catalog.record_card_looks(work.offload.run, work.offload.observer, [found])
            work.note(CardNote("changed", path, "two reads of the card differ"))
    work.card_read = 2


def _difference(before: CardFile | None, now: CardFile | None) -> str:
    if before is None:
        return "appeared"
    if now is None:
        return "vanished"
    return "changed" if before != now else ""
