"""What `ingest reuse` would say of a card if it still held what it gave, and every copy stood as
when it was last read. Looks at no card and no copy, so it may be wrong to the good: before a card
is formatted, `judging` looks at it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime

from ingest.assurance.reuse import CardFound, DriveNow, FileNow, Reason, judge_card
from ingest.catalog.catalog import Catalog
from ingest.catalog.custody_records import CardKnown
from ingest.catalog.records import CardNote, FileRecord, Offload
from ingest.jobs.holdings import card_offloads
from ingest.jobs.known import drives_here
from ingest.jobs.reuse.copied import Copied, drive_now
from ingest.jobs.reuse.policy import policy_of, production_date
from ingest.names import shown
from ingest.settings import Settings
from ingest.wording import counted

__all__ = ["LastKnown"]

_OFFLOAD = "offload it (ingest offload): only what isn't there yet is copied"


class LastKnown:
    """How cards stand by the catalog alone; the drives are looked up once for all of them."""

    def __init__(self, catalog: Catalog, settings: Settings, now: datetime) -> None:
        self._catalog = catalog
        self._settings = settings
        self._now = now
        places = catalog.drive_places()
        self._drives: Mapping[int, DriveNow] = {
            here.drive.id: drive_now(here, places[here.drive.id], settings)
            for here in drives_here(catalog)
        }

    def holds(self, card: CardKnown) -> tuple[Reason, ...]:
        """Why this card would be held, the most telling first; empty: nothing that is known
        speaks against it. Of a card that came in."""
        offloads = card_offloads(card)
        notes = self._catalog.card_notes([offload.id for offload in offloads[:1]])
        files = self._given(card, offloads)
        found = [FileNow(one.path, one.size, one.mtime_ns, one.samples) for one in files]
        copied = Copied(self._catalog, ((one.path, one.size) for one in files))
        copied.gather(found)
        looks = copied.looks()
        last = offloads[0]
        told = judge_card(
            CardFound(
                label=card.label,
                now=self._now,
                files=copied.with_candidates(found, self._drives, looks, {}),
                today=production_date(self._now, self._settings.time_zone),
                holds=tuple(copied.holds()),
                undecoded=tuple(copied.undecoded(looks)),
                mostly_here=copied.mostly_here(),
                as_last_known=True,
            ),
            policy_of(self._settings),
        )
        left = _left_on_it(last, notes[last.id], files)
        return (*left, *(told.reasons if told.verdict == "hold" else ()))

    def _given(self, card: CardKnown, offloads: Sequence[Offload]) -> list[FileRecord]:
        """What it holds as far as is known: of each path, what the latest of these offloads gave.
        What was known already when it first came in under this label came in from another card (a
        second slot's) as the roll that it joined."""
        ids = {offload.id for offload in offloads}
        first = offloads[-1]
        joined = first.roll.id if first.end is not None and first.end.known else None
        given = [
            record
            for record in self._catalog.files(card.rolls)
            if record.offload_id in ids or record.roll_id == joined
        ]
        latest = {record.path: record.offload_id for record in given}
        return [record for record in given if record.offload_id == latest[record.path]]


def _left_on_it(
    last: Offload, notes: Iterable[CardNote], files: Sequence[FileRecord]
) -> Iterator[Reason]:
    """What was on the card and was not copied, by its last offload."""
    roll = shown(last.roll.name)
    if last.end is None:
        yield Reason(f"the offload of {roll} was cut off", "run it again: ingest offload")
        return
    new = sum(record.offload_id == last.id for record in files)
    lacking = last.end.files - last.end.known - new
    if lacking > 0:
        each = f"{counted(lacking, 'file')} of {last.end.files} on it"
        yield Reason(f"{each} {'was' if lacking == 1 else 'were'} never copied", _OFFLOAD)
    elsewhere = last.end.files - len(files)
    if not lacking and elsewhere > 0:
        yield Reason(
            f"{counted(elsewhere, 'file')} on it came in before, from a card of another name",
            "look at it: ingest reuse",
        )
    for note in notes:
        if note.kind in ("changed", "appeared"):
            yield Reason(f"{shown(note.path)} {note.kind} while it was copied", _OFFLOAD)
        elif note.kind == "unreadable":
            yield Reason(
                f"{shown(note.path)} could not be read",
                "try another reader or cable: ingest offload",
            )
