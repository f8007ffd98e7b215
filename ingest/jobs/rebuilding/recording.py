"""Claims taken into the catalog, where it knows nothing of the copy yet."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import datetime

from ingest.assurance.audit import kind_to_compare
from ingest.assurance.sources import FROM_LISTS
from ingest.assurance.state import copy_state
from ingest.card.rolls import propose
from ingest.catalog.catalog import Catalog
from ingest.catalog.records import (
    CardSeen,
    Copy,
    Drive,
    FileRecord,
    NewFile,
    NewLook,
    NewOffload,
    Observer,
    OffloadEnd,
    Roll,
)
from ingest.evidence import Act, State
from ingest.jobs.further.lists import DriveLists, Problem
from ingest.jobs.rebuilding.comparing import is_absent
from ingest.jobs.rebuilding.values import ClaimHere, RollFolders

__all__ = ["Recorder"]


class Recorder:
    """Records what is new, and counts it."""

    def __init__(
        self,
        catalog: Catalog,
        observer: Observer,
        run: Callable[[], str],
        now: Callable[[], datetime],
        seen: Sequence[DriveLists],
    ) -> None:
        """`run` gives a new random id each time."""
        self._catalog = catalog
        self._observer = observer
        self._run = run
        self._now = now
        self._known: dict[str, Drive] = {
            drive.seen.marker: catalog.see_drive(drive.seen) for drive in seen
        }
        self.problems: list[Problem] = []
        """What a list names and isn't there."""
        self.new_files = 0
        self.new_claims = 0

    def add(self, roll: RollFolders, fresh: Sequence[tuple[str, list[ClaimHere]]]) -> None:
        """Files that the catalog doesn't have, with their claims."""
        place = roll.place
        assert place.production and place.roll and place.day and place.date is not None
        paths = [path for path, _ in fresh]
        now = self._now()
        offload = self._catalog.begin_offload(
            NewOffload(
                run=self._run(),
                production=place.production,
                roll=place.roll,
                day=place.day,
                date=place.date.isoformat(),
                camera=place.camera or propose(paths, "", camera=None, used=()).camera,
                card=CardSeen(place.card or "not known", None, None, "not known", ""),
                observer=self._observer,
                started=now,
                plan={
                    FROM_LISTS: True,
                    "drives": sorted({one.drive.name for _, heres in fresh for one in heres}),
                },
            )
        )
        left = list(fresh)
        while left:
            # Two contents of one path are two files: they go in one after the other.
            some = dict(reversed(left))
            left = [(path, heres) for path, heres in left if some[path] is not heres]
            files = [_new_file(path, heres) for path, heres in some.items()]
            looks = [
                (path, look)
                for path, heres in some.items()
                for here in heres
                for look in self._looks(path, here, None, 0)
            ]
            self._catalog.record_copied(offload, files, looks)
            self.new_files += len(files)
        self._catalog.end_offload(
            offload,
            OffloadEnd(
                finished=self._now(),
                verdict="claimed",
                card_read=0,
                seconds=0.0,
                bytes=sum(heres[0].listed.size for _, heres in fresh),
                files=len(fresh),
                known=0,
                left_out=0,
                drives=(),
            ),
        )

    def more(
        self, rolls: Sequence[Roll], known: Sequence[tuple[FileRecord, list[ClaimHere]]]
    ) -> None:
        """Claims of files that the catalog has: only where it knows nothing of the copy."""
        copies: dict[tuple[int, int, str], Copy] = {
            (copy.file_id, copy.drive_id, copy.path): copy
            for copy in self._catalog.copies(rolls=rolls)
        }
        looks = [
            look
            for record, heres in known
            for here in heres
            for look in self._looks(
                record.path,
                here,
                copies.get(
                    (
                        record.id,
                        self._known[here.drive.seen.marker].id,
                        here.path(record.path),
                    )
                ),
                record.id,
            )
        ]
        if looks:
            self._catalog.record_looks(self._run(), self._observer, looks)

    def _looks(
        self, path: str, here: ClaimHere, copy: Copy | None, file_id: int
    ) -> Iterator[NewLook]:
        """The claim, where there is no evidence of the copy yet; and that it isn't there, where
        that is news."""
        place = here.path(path)
        evidence = self._catalog.looks([copy.id])[copy.id] if copy is not None else ()
        kind = kind_to_compare(here.listed.digests)
        facts = NewLook(
            file_id=file_id,
            drive_id=self._known[here.drive.seen.marker].id,
            path=place,
            act=Act.CLAIMED,
            state=State.CLAIMED,
            route=None,
            against=here.against,
            size=here.listed.size,
            kind=kind,
            digest=here.listed.digests[kind] if kind is not None else None,
            mount=here.drive.volume.mount,
            at=self._now(),
        )
        if not evidence:
            self.new_claims += 1
            yield facts
        if not is_absent(here.drive, place):
            return
        detail = "its list names it, and it is not there"
        self.problems.append(Problem(place, here.drive.name, str(State.MISSING), detail))
        if not evidence or not copy_state(evidence).state.is_bad:
            yield NewLook(
                file_id=file_id,
                drive_id=facts.drive_id,
                path=place,
                act=Act.LOOKED,
                state=State.MISSING,
                route=None,
                against=here.against,
                size=None,
                kind=None,
                digest=None,
                mount=facts.mount,
                at=facts.at,
                detail=detail,
            )


def _new_file(path: str, heres: Sequence[ClaimHere]) -> NewFile:
    digests: dict[str, str] = {}
    for here in heres:
        digests |= here.listed.digests
    first = heres[0].listed
    return NewFile(path, first.size, first.mtime_ns, "", digests)
