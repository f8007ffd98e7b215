"""The files that were copied once and may be those on a card, with their copies and what people
decided about them. Reads the catalog; looks at no card and no drive."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import datetime

from ingest.assurance.reuse import (
    CopyNow,
    DriveNow,
    FileNow,
    Hold,
    Known,
    Looked,
    Undecoded,
    agrees,
)
from ingest.assurance.state import CopyState, copy_state
from ingest.catalog.catalog import Catalog
from ingest.catalog.custody_records import DrivePlace
from ingest.catalog.records import Copy, FileRecord, Look, NewCardLook, Roll
from ingest.copying.plan import inside
from ingest.drives import CardSeen
from ingest.jobs.custody.places import is_offsite, where_is
from ingest.jobs.known import DriveHere
from ingest.jobs.reuse.viewing import undecoded
from ingest.names import path_ends
from ingest.settings import Settings

__all__ = ["Copied", "drive_now"]


class Copied:
    """The files that were copied once and may be those on the card, with their copies."""

    def __init__(self, catalog: Catalog, files: Iterable[tuple[str, int]]) -> None:
        """`files`: path and size (bytes) of each file on the card."""
        self._catalog = catalog
        self._like = catalog.files_like(
            {(end, size) for path, size in files for end in path_ends(path)}
        )
        self.records: dict[int, FileRecord] = {}
        self.copies: tuple[Copy, ...] = ()
        self.label = ""
        self._rolls: dict[int, Roll] = {}
        self._reads: dict[int, int] = {}
        self._read_again: Mapping[int, Sequence[tuple[str, str]]] = {}
        self._cards: dict[int, list[CardSeen]] = defaultdict(list)
        self._disputes: frozenset[tuple[int, str]] = frozenset()
        self._unread: frozenset[tuple[int, str]] = frozenset()
        self._of_file: dict[int, list[Copy]] = defaultdict(list)

    def candidates(self, path: str, size: int) -> list[FileRecord]:
        """Files copied under this path, or under its end: whoever offloads may have named a
        folder below the card's top. Only samples make one the same."""
        return [record for end in path_ends(path) for record in self._like.get((end, size), ())]

    def kinds(self, path: str, size: int) -> list[str]:
        records = self.candidates(path, size)
        return list(dict.fromkeys(kind for record in records for kind in record.digests))

    def gather(self, files: Sequence[FileNow]) -> None:
        """The copies of those records that samples say are on the card, and their rolls."""
        every = [record for file in files for record in self.candidates(file.path, file.size)]
        same = [
            record
            for file in files
            for record in self.candidates(file.path, file.size)
            if record.samples == file.samples
        ]
        self.records = {record.id: record for record in same}
        ids = {record.roll_id for record in every}
        self._rolls = {roll_id: self._catalog.roll_by_id(roll_id) for roll_id in ids}
        labels = Counter(self._rolls[record.roll_id].card for record in same)
        self.label = max(labels, key=lambda label: (labels[label], label), default="")
        offloads = self._catalog.offloads(list(self._rolls.values()))
        notes = self._catalog.card_notes([offload.id for offload in offloads])
        self._unread = frozenset(
            (offload_id, note.path)
            for offload_id, some in notes.items()
            for note in some
            if note.kind == "unreadable"
        )
        for offload in offloads:
            self._reads[offload.id] = offload.end.card_read if offload.end is not None else 1
            if offload.card is not None:
                self._cards[offload.roll.id].append(offload.card)
        self._disputes = self._catalog.disputes(self._same_rolls())
        every_copy = self._catalog.copies(rolls=self._same_rolls())
        self.copies = tuple(copy for copy in every_copy if copy.file_id in self.records)
        for copy in self.copies:
            self._of_file[copy.file_id].append(copy)

    def read_again(
        self, files: Iterable[FileNow], card: CardSeen, at: datetime
    ) -> Iterator[NewCardLook]:
        """What files gave that were read whole now, from a card that came in as their roll (a copy
        of the card somewhere else says nothing of the card). A file that equals one of those
        copied under its name, size and samples is that one; else it may be any of them."""
        for file in files:
            if file.route is None:
                continue
            read = dict(file.digests)
            same = [
                record
                for record in self.candidates(file.path, file.size)
                if record.samples == file.samples
                and any(_is_same(card, one) for one in self._cards[record.roll_id])
            ]
            for record in [one for one in same if agrees(one, read)] or same:
                for kind in _telling(record, read):
                    yield NewCardLook(record.id, file.route, kind, read[kind], at)

    def looks(self) -> Mapping[int, Sequence[Look]]:
        """Evidence of each copy, what was recorded a moment ago included."""
        return self._catalog.looks([copy.id for copy in self.copies])

    def mostly_here(self) -> frozenset[int]:
        """Ids of the rolls of whose bytes at least half are on the card."""
        here: Counter[int] = Counter()
        whole: Counter[int] = Counter()
        for record in self._catalog.files(self._same_rolls()):
            whole[record.roll_id] += record.size
            here[record.roll_id] += record.size if record.id in self.records else 0
        return frozenset(one for one in whole if 2 * here[one] >= whole[one])

    def holds(self) -> Iterator[Hold]:
        """What people decided about the rolls that are on the card."""
        rolls = self._same_rolls()
        notes = self._catalog.roll_notes(rolls)
        for roll in rolls:
            note = notes[roll.id]
            if note.hold is not None or note.until is not None:
                yield Hold(roll.id, roll.name, note.hold, note.hold_by or "", note.until)

    def undecoded(self, looks: Mapping[int, Sequence[Look]]) -> Iterator[Undecoded]:
        """Clips of those rolls that somebody must view."""
        rolls = self._same_rolls()
        came_in: dict[tuple[int, str], int] = {}
        for record in self.records.values():
            ids = [look.id for copy in self._of_file[record.id] for look in looks[copy.id]]
            came_in[record.roll_id, record.path] = min(ids, default=0)
        return undecoded(self._catalog.clips(rolls), self._catalog.roll_notes(rolls), came_in)

    def with_candidates(
        self,
        files: Iterable[FileNow],
        drives: Mapping[int, DriveNow],
        looks: Mapping[int, Sequence[Look]],
        looked: Mapping[int, Looked],
    ) -> tuple[FileNow, ...]:
        """Each file with what was copied and may be it. `drives` by drive id; `looks` and `looked`
        by copy id, the latter empty where nothing is looked at now."""
        states = {copy_id: copy_state(of_copy) for copy_id, of_copy in looks.items()}
        self._read_again = self._catalog.read_again(list(self._rolls.values()))
        return tuple(
            replace(
                file,
                candidates=tuple(
                    self._known(record, drives, states, looked)
                    for record in self.candidates(file.path, file.size)
                ),
            )
            for file in files
        )

    def _known(
        self,
        record: FileRecord,
        drives: Mapping[int, DriveNow],
        states: Mapping[int, CopyState],
        looked: Mapping[int, Looked],
    ) -> Known:
        return Known(
            record=record,
            roll=self._rolls[record.roll_id].name,
            copies=tuple(
                CopyNow(drives[copy.drive_id], copy.path, states[copy.id], looked.get(copy.id))
                for copy in self._of_file.get(record.id, ())
            ),
            card_reads=self._card_reads(record),
            disputed=(record.offload_id, record.path) in self._disputes,
            read_otherwise=_stands(self._equal_again(record)),
        )

    def _equal_again(self, record: FileRecord) -> list[bool]:
        """Whether each further read of it on its card gave what was copied, the latest last."""
        return [
            record.digests[kind] == digest
            for kind, digest in self._read_again.get(record.id, ())
            if kind in record.digests
        ]

    def _card_reads(self, record: FileRecord) -> int:
        reads = self._reads.get(record.offload_id, 1)
        if (record.offload_id, record.path) in self._unread:
            # It was copied, so it is the second read that failed.
            reads = min(reads, 1)
        return max(reads, 1) + 1 if any(self._equal_again(record)) else reads

    def _same_rolls(self) -> list[Roll]:
        return [self._rolls[one] for one in sorted({r.roll_id for r in self.records.values()})]


def _telling(record: FileRecord, read: Mapping[str, str]) -> list[str]:
    """The checksum kind by which a read is told equal or other; none where none is shared."""
    shared = [kind for kind in record.digests if kind in read]
    return ([kind for kind in shared if read[kind] != record.digests[kind]] or shared)[:1]


def _stands(equal: Sequence[bool]) -> bool:
    """Whether bad news of the card stands: a further read gave other content, and not two since
    have been equal. As for a copy: seen good once, it is doubtful."""
    return False in equal and list(equal[-2:]) != [True, True]


def _is_same(now: CardSeen, then: CardSeen) -> bool:
    """Whether a card is one that came in: by its file system, else by the folder that was named."""
    if now.fs_uuid is not None or then.fs_uuid is not None:
        return now.fs_uuid == then.fs_uuid
    return inside(then.root, now.root)


def drive_now(here: DriveHere, place: DrivePlace, settings: Settings) -> DriveNow:
    """A drive as it stands, with the place it is at by what was written down or by ingest.toml."""
    return replace(
        here.now,
        place=place,
        where=where_is(place, settings),
        offsite=is_offsite(place, settings),
    )
