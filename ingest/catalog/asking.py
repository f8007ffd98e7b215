"""What comes out: rolls, drives, offloads, files, copies and their evidence."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from sqlalchemy import Connection, Row, Select, select

from ingest.catalog.columns import path_key
from ingest.catalog.door import Door, chunks
from ingest.catalog.records import (
    CardNote,
    CardSeen,
    Copy,
    Drive,
    FileRecord,
    Look,
    Observer,
    Offload,
    OffloadDrive,
    OffloadEnd,
    Roll,
)
from ingest.catalog.tables import (
    ADDED_DIGEST,
    CARD_LOOK,
    CARD_NOTE,
    COPY,
    DRIVE,
    FILE,
    LOOK,
    OFFLOAD,
    OFFLOAD_DRIVE,
    OFFLOAD_END,
    PRODUCTION,
    ROLL,
)
from ingest.errors import Ambiguous, NotKnown
from ingest.evidence import Act, Against, Route, State

__all__ = ["Asking", "drive_of", "drive_query", "roll_of", "roll_query"]


class Asking(Door):
    """The reading half of `Catalog`."""

    def productions(self) -> tuple[str, ...]:
        """Names of the productions, sorted."""
        with self._reading() as connection:
            return tuple(sorted(connection.execute(select(PRODUCTION.c.name)).scalars()))

    def rolls(
        self, *, production: str | None = None, day: int | None = None, name: str | None = None
    ) -> tuple[Roll, ...]:
        """By production, day, name order. `name` compares without case."""
        query = roll_query()
        if production is not None:
            query = query.where(PRODUCTION.c.name == production)
        if day is not None:
            query = query.where(ROLL.c.day == day)
        if name is not None:
            query = query.where(ROLL.c.name_folded == name.casefold())
        with self._reading() as connection:
            found = [roll_of(row) for row in connection.execute(query)]
        return tuple(sorted(found, key=lambda roll: (roll.production, roll.day, roll.name)))

    def roll_by_id(self, roll_id: int) -> Roll:
        """Raises NotKnown when there is none."""
        with self._reading() as connection:
            row = connection.execute(roll_query().where(ROLL.c.id == roll_id)).first()
        if row is None:
            raise NotKnown(f"The catalog has no roll with the id {roll_id}.")
        return roll_of(row)

    def drives(self) -> tuple[Drive, ...]:
        """Every drive, in the order in which they were first seen."""
        with self._reading() as connection:
            return tuple(drive_of(row) for row in connection.execute(drive_query()))

    def drive(self, *, marker: str | None = None, name: str | None = None) -> Drive | None:
        """The drive of this marker, or name, or both; None when there is none.

        Of several with one marker (see `see_drive`) it is the one seen last. A name is compared
        exactly first, then without case. Raises Ambiguous when drives of different markers bear
        it.
        """
        found = [drive for drive in self.drives() if marker in (None, drive.marker)]
        if name is not None:
            exact = [drive for drive in found if drive.name == name]
            folded = name.casefold()
            found = exact or [drive for drive in found if drive.name.casefold() == folded]
            if len({drive.marker for drive in found}) > 1:
                bearers = "; ".join(f"{each.marker} on {each.device}" for each in found)
                raise Ambiguous(
                    f"Several drives bear the name {name}: {bearers}.",
                    do="name the drive by its folder",
                )
        return max(found, key=lambda drive: (drive.last_seen, drive.id), default=None)

    def offloads(self, rolls: Sequence[Roll]) -> tuple[Offload, ...]:
        """The offloads of these rolls, oldest first."""
        by_id = {roll.id: roll for roll in rolls}
        found: list[Offload] = []
        with self._reading() as connection:
            for ids in chunks(by_id):
                query = select(OFFLOAD).where(OFFLOAD.c.roll_id.in_(ids))
                rows = connection.execute(query).all()
                ends = _ends(connection, [row.id for row in rows])
                found += [_offload_of(row, by_id[row.roll_id], ends.get(row.id)) for row in rows]
        return tuple(sorted(found, key=lambda offload: offload.id))

    def card_notes(self, offload_ids: Sequence[int]) -> Mapping[int, tuple[CardNote, ...]]:
        """What each offload saw on its card and did not copy whole; every id is a key."""
        found: defaultdict[int, list[CardNote]] = defaultdict(list)
        with self._reading() as connection:
            for ids in chunks(offload_ids):
                query = select(CARD_NOTE).where(CARD_NOTE.c.offload_id.in_(ids))
                for row in connection.execute(query.order_by(CARD_NOTE.c.id)):
                    found[row.offload_id].append(CardNote(row.kind, row.path, row.detail))
        return {each: tuple(found[each]) for each in offload_ids}

    def read_again(self, rolls: Sequence[Roll]) -> Mapping[int, Sequence[tuple[str, str]]]:
        """What each further read of their files on the card gave: by file id, kind and digest in
        the order in which they were recorded."""
        found: dict[int, list[tuple[str, str]]] = defaultdict(list)
        with self._reading() as connection:
            for ids in chunks(roll.id for roll in rolls):
                query = (
                    select(CARD_LOOK.c.file_id, CARD_LOOK.c.kind, CARD_LOOK.c.digest)
                    .join(FILE, FILE.c.id == CARD_LOOK.c.file_id)
                    .where(FILE.c.roll_id.in_(ids))
                    .order_by(CARD_LOOK.c.id)
                )
                for file_id, kind, digest in connection.execute(query):
                    found[file_id].append((kind, digest))
        return found

    def files(self, rolls: Sequence[Roll]) -> tuple[FileRecord, ...]:
        """The files of these rolls, in the order in which they were recorded, with the checksums
        that audits have added."""
        found: list[FileRecord] = []
        with self._reading() as connection:
            for ids in chunks(roll.id for roll in rolls):
                query = _FILES.where(FILE.c.roll_id.in_(ids))
                found += [FileRecord(*row) for row in connection.execute(query)]
            added = _added(connection, [roll.id for roll in rolls])
        found = [_with_added(file, added[file.id]) if file.id in added else file for file in found]
        return tuple(sorted(found, key=lambda file: file.id))

    def files_like(
        self, keys: Iterable[tuple[str, int]]
    ) -> Mapping[tuple[str, int], tuple[FileRecord, ...]]:
        """Known files of any roll by (path, size): candidates only, since names repeat; compare
        samples before believing. Keys with no such file are left out."""
        wanted = set(keys)
        found: defaultdict[tuple[str, int], list[FileRecord]] = defaultdict(list)
        with self._reading() as connection:
            for hashed in chunks(sorted({path_key(path) for path, _ in wanted})):
                query = _FILES.where(FILE.c.path_key.in_(hashed)).order_by(FILE.c.id)
                for row in connection.execute(query):
                    file = FileRecord(*row)
                    if (file.path, file.size) in wanted:
                        found[file.path, file.size].append(file)
        return {key: tuple(files) for key, files in found.items()}

    def files_of_sizes(self, sizes: Iterable[int]) -> tuple[FileRecord, ...]:
        """Known files of any roll with one of these sizes (bytes), in the order recorded."""
        found: list[FileRecord] = []
        with self._reading() as connection:
            for some in chunks(sorted(set(sizes))):
                query = _FILES.where(FILE.c.size.in_(some))
                found += [FileRecord(*row) for row in connection.execute(query)]
        return tuple(sorted(found, key=lambda file: file.id))

    def copies(
        self, *, rolls: Sequence[Roll] | None = None, drive_id: int | None = None
    ) -> tuple[Copy, ...]:
        """Places where files were put: of these rolls, on this drive, or both; else all."""
        query = select(COPY.c.id, COPY.c.file_id, COPY.c.drive_id, COPY.c.path)
        if drive_id is not None:
            query = query.where(COPY.c.drive_id == drive_id)
        found: list[Copy] = []
        with self._reading() as connection:
            if rolls is None:
                found += [Copy(*row) for row in connection.execute(query)]
            else:
                query = query.join(FILE, FILE.c.id == COPY.c.file_id)
                for ids in chunks(roll.id for roll in rolls):
                    rows = connection.execute(query.where(FILE.c.roll_id.in_(ids)))
                    found += [Copy(*row) for row in rows]
        return tuple(sorted(found, key=lambda copy: copy.id))

    def looks(self, copy_ids: Sequence[int]) -> Mapping[int, tuple[Look, ...]]:
        """Evidence of each copy, oldest first. Any number of ids; every id is a key."""
        found: defaultdict[int, list[Look]] = defaultdict(list)
        with self._reading() as connection:
            for ids in chunks(copy_ids):
                query = _LOOKS.where(LOOK.c.copy_id.in_(ids)).order_by(LOOK.c.id)
                for row in connection.execute(query):
                    look = _look_of(row)
                    found[look.copy_id].append(look)
        return {each: tuple(found[each]) for each in copy_ids}


def roll_query() -> Select[*tuple[Any, ...]]:
    """Rolls with their production's name, as `roll_of` takes them."""
    return select(
        ROLL.c.id,
        PRODUCTION.c.name.label("production"),
        ROLL.c.name,
        ROLL.c.day,
        ROLL.c.date,
        ROLL.c.camera,
        ROLL.c.card,
    ).join(PRODUCTION, PRODUCTION.c.id == ROLL.c.production_id)


def roll_of(row: Row[*tuple[Any, ...]]) -> Roll:
    return Roll(*row)


def drive_query() -> Select[*tuple[Any, ...]]:
    """Drives in the order in which they were first seen, as `drive_of` takes them."""
    return select(
        DRIVE.c.id,
        DRIVE.c.marker,
        DRIVE.c.name,
        DRIVE.c.fs_uuid,
        DRIVE.c.serial,
        DRIVE.c.device,
        DRIVE.c.fs_type,
        DRIVE.c.root,
        DRIVE.c.first_seen,
        DRIVE.c.last_seen,
    ).order_by(DRIVE.c.id)


def drive_of(row: Row[*tuple[Any, ...]]) -> Drive:
    return Drive(*row)


_FILES = select(
    FILE.c.id,
    FILE.c.roll_id,
    FILE.c.offload_id,
    FILE.c.path,
    FILE.c.size,
    FILE.c.mtime_ns,
    FILE.c.samples,
    FILE.c.digests,
)


def _added(connection: Connection, roll_ids: Sequence[int]) -> dict[int, dict[str, str]]:
    """By file id: the first added digest of each kind."""
    found: dict[int, dict[str, str]] = {}
    for ids in chunks(roll_ids):
        query = (
            select(ADDED_DIGEST.c.file_id, ADDED_DIGEST.c.kind, ADDED_DIGEST.c.digest)
            .join(FILE, FILE.c.id == ADDED_DIGEST.c.file_id)
            .where(FILE.c.roll_id.in_(ids))
            .order_by(ADDED_DIGEST.c.id)
        )
        for file_id, kind, digest in connection.execute(query):
            found.setdefault(file_id, {}).setdefault(kind, digest)
    return found


def _with_added(file: FileRecord, added: Mapping[str, str]) -> FileRecord:
    later = frozenset(added.keys() - file.digests.keys())
    return replace(file, digests={**added, **file.digests}, later=later)


def _ends(connection: Connection, offload_ids: Sequence[int]) -> dict[int, OffloadEnd]:
    ends: dict[int, OffloadEnd] = {}
    for ids in chunks(offload_ids):
        drives: defaultdict[int, list[OffloadDrive]] = defaultdict(list)
        query = select(OFFLOAD_DRIVE).where(OFFLOAD_DRIVE.c.offload_id.in_(ids))
        for row in connection.execute(query.order_by(OFFLOAD_DRIVE.c.id)):
            drives[row.offload_id].append(
                OffloadDrive(
                    drive_id=row.drive_id,
                    folder=row.folder,
                    files_matched=row.files_matched,
                    bytes=row.bytes,
                    seconds=row.seconds,
                    route=Route(row.route),
                    problem=row.problem,
                    pace=tuple((float(at), int(count)) for at, count in row.pace or ()),
                )
            )
        ended = select(OFFLOAD_END).where(OFFLOAD_END.c.offload_id.in_(ids))
        for row in connection.execute(ended):
            ends[row.offload_id] = OffloadEnd(
                finished=row.finished,
                verdict=row.verdict,
                card_read=row.card_read,
                seconds=row.seconds,
                bytes=row.bytes,
                files=row.files,
                known=row.known,
                left_out=row.left_out,
                drives=tuple(drives[row.offload_id]),
            )
    return ends


def _offload_of(row: Row[Any], roll: Roll, end: OffloadEnd | None) -> Offload:
    return Offload(
        id=row.id,
        run=row.run,
        roll=roll,
        observer=Observer(row.who, row.machine, row.boot),
        started=row.started,
        plan=row.plan,
        end=end,
        card=CardSeen(
            label=row.card_label,
            fs_uuid=row.card_fs_uuid,
            serial=row.card_serial,
            device=row.card_device,
            root=row.card_root,
        ),
    )


_LOOKS = select(
    LOOK.c.id,
    LOOK.c.copy_id,
    LOOK.c.run,
    LOOK.c.act,
    LOOK.c.state,
    LOOK.c.route,
    LOOK.c.against,
    LOOK.c.size,
    LOOK.c.kind,
    LOOK.c.digest,
    LOOK.c.mount,
    LOOK.c.at,
    LOOK.c.detail,
    LOOK.c.who,
    LOOK.c.machine,
    LOOK.c.boot,
)


def _look_of(row: Row[*tuple[Any, ...]]) -> Look:
    # Unpacked at once: the catalog may hand out a hundred thousand of them.
    number, copy_id, run, act, state, route, against, size, kind, digest, mount, at, detail, *by = (
        row
    )
    return Look(
        id=number,
        copy_id=copy_id,
        run=run,
        act=Act(act),
        state=State(state),
        route=None if route is None else Route(route),
        against=Against(against),
        size=size,
        kind=kind,
        digest=digest,
        mount=mount,
        at=at,
        detail=detail,
        observer=Observer(*by),
    )
