"""What comes in: offloads, drives, and evidence of copies."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from sqlalchemy import Connection, Table, func, insert, select, update

from ingest.catalog.asking import drive_of, drive_query, roll_of, roll_query
from ingest.catalog.columns import path_key
from ingest.catalog.door import Door, chunks
from ingest.catalog.records import (
    CardNote,
    Drive,
    DriveSeen,
    NewCardLook,
    NewDigest,
    NewFile,
    NewLook,
    NewOffload,
    Observer,
    Offload,
    OffloadEnd,
    Roll,
)
from ingest.catalog.rows import Same, insert_columns
from ingest.catalog.tables import (
    ADDED_DIGEST,
    CARD_LOOK,
    CARD_NOTE,
    COPY,
    CUSTODY,
    DRIVE,
    FILE,
    LOOK,
    OFFLOAD,
    OFFLOAD_DRIVE,
    OFFLOAD_END,
    PRODUCTION,
    ROLL,
)

__all__ = ["Intake", "production_id"]


class Intake(Door):
    """The writing half of `Catalog` that offload, audit and mending use."""

    def begin_offload(self, start: NewOffload) -> Offload:
        """Record the start of an offload, and make its roll when the production hasn't it yet.

        A roll of this name, case apart, is the same roll: it keeps the day, camera and card that
        it was made with, and the offload keeps its own.
        """
        with self._writing() as connection:
            roll = _roll_for(connection, start)
            offload_id = _insert(
                connection,
                OFFLOAD,
                run=start.run,
                roll_id=roll.id,
                day=start.day,
                date=start.date,
                camera=start.camera,
                card_label=start.card.label,
                card_fs_uuid=start.card.fs_uuid,
                card_serial=start.card.serial,
                card_device=start.card.device,
                card_root=start.card.root,
                who=start.observer.who,
                machine=start.observer.machine,
                boot=start.observer.boot,
                started=start.started,
                plan=dict(start.plan),
            )
        return Offload(
            id=offload_id,
            run=start.run,
            roll=roll,
            observer=start.observer,
            started=start.started,
            plan=start.plan,
            end=None,
            card=start.card,
        )

    def see_drive(self, seen: DriveSeen) -> Drive:
        """Register a drive or refresh what is known of it (key: marker).

        Where file-system UUID or serial contradict what the marker stood for, it is a new drive
        with no evidence: a copied marker, or a drive formatted anew. Unknown contradicts nothing.
        A name that a person gave it here beats the one on the marker.
        """
        now = self._clock()
        with self._writing() as connection:
            query = drive_query().where(DRIVE.c.marker == seen.marker)
            known = [drive_of(row) for row in connection.execute(query)]
            same = [drive for drive in known if _is_drive(drive, seen)]
            facts = {
                "name": _name_given(connection, seen.marker) or seen.name,
                "device": seen.device,
                "fs_type": seen.fs_type,
                "root": seen.root,
                "last_seen": now,
            }
            if same:
                drive_id = same[-1].id
                facts["fs_uuid"] = seen.fs_uuid or same[-1].fs_uuid
                facts["serial"] = seen.serial or same[-1].serial
                connection.execute(update(DRIVE).where(DRIVE.c.id == drive_id).values(facts))
            else:
                drive_id = _insert(
                    connection,
                    DRIVE,
                    marker=seen.marker,
                    fs_uuid=seen.fs_uuid,
                    serial=seen.serial,
                    first_seen=now,
                    **facts,
                )
            row = connection.execute(drive_query().where(DRIVE.c.id == drive_id)).one()
            return drive_of(row)

    def record_copied(
        self, offload: Offload, files: Sequence[NewFile], looks: Sequence[tuple[str, NewLook]]
    ) -> Mapping[str, int]:
        """One transaction: new files of the offload, and looks keyed by the file's path (their
        `file_id` is ignored here and filled in). A file that the roll already has under this path
        with the same size, samples and digests is reused, not doubled. Returns path -> file id.

        Digests are the same when the two have a kind in common and all kinds in common agree;
        kinds that are new are then added to what is known of the file. Raises ValueError for a
        look at a path that is not among `files`, and for two different files of one path.
        """
        by_path = _by_path(files)
        with self._writing() as connection:
            ids = _known_files(connection, offload.roll.id, by_path)
            ids |= _add_files(
                connection, offload, [f for f in by_path.values() if f.path not in ids]
            )
            places = []
            for path, look in looks:
                if path not in ids:
                    raise ValueError(f"a look at {path!r}, which is not among the files")
                places.append((ids[path], look))
            _add_looks(connection, offload.run, offload.observer, places)
        return {path: ids[path] for path in by_path}

    def note_card(self, offload: Offload, notes: Iterable[CardNote]) -> None:
        """Keep what was seen on the card and not copied whole."""
        rows = [
            {"offload_id": offload.id, "kind": note.kind, "path": note.path, "detail": note.detail}
            for note in notes
        ]
        with self._writing() as connection:
            _insert_all(connection, CARD_NOTE, rows)

    def end_offload(self, offload: Offload, end: OffloadEnd) -> None:
        """Record how an offload ended; once for each."""
        with self._writing() as connection:
            connection.execute(
                insert(OFFLOAD_END).values(
                    offload_id=offload.id,
                    finished=end.finished,
                    verdict=end.verdict,
                    card_read=end.card_read,
                    seconds=end.seconds,
                    bytes=end.bytes,
                    files=end.files,
                    known=end.known,
                    left_out=end.left_out,
                )
            )
            rows = [
                {
                    "offload_id": offload.id,
                    "drive_id": drive.drive_id,
                    "folder": drive.folder,
                    "files_matched": drive.files_matched,
                    "bytes": drive.bytes,
                    "seconds": drive.seconds,
                    "route": drive.route.value,
                    "problem": drive.problem,
                    "pace": drive.pace or None,
                }
                for drive in end.drives
            ]
            _insert_all(connection, OFFLOAD_DRIVE, rows)

    def record_looks(self, run: str, observer: Observer, looks: Sequence[NewLook]) -> None:
        """Append evidence in one transaction, committed when this returns."""
        with self._writing() as connection:
            _add_looks(connection, run, observer, [(look.file_id, look) for look in looks])

    def add_digests(self, run: str, observer: Observer, digests: Sequence[NewDigest]) -> None:
        """Append checksums of further kinds; the first of a file and kind stands."""
        rows = [
            {
                "file_id": one.file_id,
                "copy_id": one.copy_id,
                "kind": one.kind,
                "digest": one.digest,
                "run": run,
                "who": observer.who,
                "machine": observer.machine,
                "boot": observer.boot,
                "at": one.at,
            }
            for one in digests
        ]
        if rows:
            with self._writing() as connection:
                connection.execute(insert(ADDED_DIGEST), rows)

    def record_card_looks(self, run: str, observer: Observer, looks: Sequence[NewCardLook]) -> None:
        """Keep what files gave that were read whole on their card once more."""
        if not looks:
            return
        columns: dict[str, Sequence[object] | Same] = {
            "file_id": [one.file_id for one in looks],
            "run": Same(run),
            "who": Same(observer.who),
            "machine": Same(observer.machine),
            "boot": Same(observer.boot),
            "at": [one.at for one in looks],
            "route": [one.route.value for one in looks],
            "kind": [one.kind for one in looks],
            "digest": [one.digest for one in looks],
        }
        with self._writing() as connection:
            insert_columns(connection, CARD_LOOK, columns)


def production_id(connection: Connection, name: str) -> int:
    """The id of a production, made when there is none of this name."""
    query = select(PRODUCTION.c.id).where(PRODUCTION.c.name == name)
    found = connection.execute(query).scalar()
    return found if found is not None else _insert(connection, PRODUCTION, name=name)


def _insert(connection: Connection, table: Table, **values: object) -> int:
    done = connection.execute(insert(table).values(**values)).inserted_primary_key
    assert done is not None
    return int(done[0])


def _insert_all(connection: Connection, table: Table, rows: Sequence[Mapping[str, object]]) -> None:
    if rows:
        connection.execute(insert(table), list(rows))


def _roll_for(connection: Connection, start: NewOffload) -> Roll:
    production = production_id(connection, start.production)
    folded = start.roll.casefold()
    query = roll_query().where(ROLL.c.production_id == production, ROLL.c.name_folded == folded)
    if connection.execute(query).first() is None:
        _insert(
            connection,
            ROLL,
            production_id=production,
            name=start.roll,
            name_folded=folded,
            day=start.day,
            date=start.date,
            camera=start.camera,
            card=start.card.label,
        )
    return roll_of(connection.execute(query).one())


def _name_given(connection: Connection, marker: str) -> str | None:
    query = select(CUSTODY.c.value).where(
        CUSTODY.c.about == "drive", CUSTODY.c.subject == marker, CUSTODY.c.what == "name"
    )
    told = connection.execute(query.order_by(CUSTODY.c.id.desc())).first()
    return None if told is None else str(told.value["name"])


def _is_drive(known: Drive, seen: DriveSeen) -> bool:
    pairs = ((known.fs_uuid, seen.fs_uuid), (known.serial, seen.serial))
    return all(not one or not other or one == other for one, other in pairs)


# Files ----------------------------------------------------------------------------------------


def _by_path(files: Sequence[NewFile]) -> dict[str, NewFile]:
    by_path: dict[str, NewFile] = {}
    for file in files:
        if by_path.setdefault(file.path, file) != file:
            raise ValueError(f"two different files of one path: {file.path!r}")
    return by_path


def _known_files(
    connection: Connection, roll_id: int, by_path: Mapping[str, NewFile]
) -> dict[str, int]:
    """Path to id of those that the roll has already, their new digests added."""
    by_key = {path_key(path): file for path, file in by_path.items()}
    ids: dict[str, int] = {}
    added: list[tuple[int, dict[str, str]]] = []
    for keys in chunks(by_key):
        query = select(
            FILE.c.id, FILE.c.path_key, FILE.c.size, FILE.c.samples, FILE.c.digests
        ).where(FILE.c.roll_id == roll_id, FILE.c.path_key.in_(keys))
        for row in connection.execute(query.order_by(FILE.c.id)):
            file = by_key[row.path_key]
            if (file.size, file.samples) != (row.size, row.samples) or file.path in ids:
                continue
            if _agree(row.digests, file.digests):
                ids[file.path] = row.id
                if not file.digests.keys() <= row.digests.keys():
                    added.append((row.id, {**file.digests, **row.digests}))
    for file_id, digests in added:
        connection.execute(update(FILE).where(FILE.c.id == file_id).values(digests=digests))
    return ids


def _agree(one: Mapping[str, str], other: Mapping[str, str]) -> bool:
    common = one.keys() & other.keys()
    return bool(common) and all(one[kind] == other[kind] for kind in common)


def _add_files(
    connection: Connection, offload: Offload, files: Sequence[NewFile]
) -> dict[str, int]:
    before = _last_id(connection, FILE)
    insert_columns(
        connection,
        FILE,
        {
            "roll_id": Same(offload.roll.id),
            "offload_id": Same(offload.id),
            "path": [file.path for file in files],
            "path_key": [path_key(file.path) for file in files],
            "size": [file.size for file in files],
            "mtime_ns": [file.mtime_ns for file in files],
            "samples": [file.samples for file in files],
            "digests": [dict(file.digests) for file in files],
        },
    )
    added = _ids_after(connection, FILE, before)
    return {file.path: row for file, row in zip(files, added, strict=True)}


# Looks ----------------------------------------------------------------------------------------


_Place = tuple[int, int, str]
"""File id, drive id, path on the drive."""


def _add_looks(
    connection: Connection, run: str, observer: Observer, looks: Sequence[tuple[int, NewLook]]
) -> None:
    copies = _copy_ids(connection, [(file_id, look.drive_id, look.path) for file_id, look in looks])
    insert_columns(
        connection,
        LOOK,
        {
            "copy_id": copies,
            "run": Same(run),
            "who": Same(observer.who),
            "machine": Same(observer.machine),
            "boot": Same(observer.boot),
            "mount": [look.mount for _, look in looks],
            "act": [look.act.value for _, look in looks],
            "state": [look.state.value for _, look in looks],
            "route": [None if look.route is None else look.route.value for _, look in looks],
            "against": [look.against.value for _, look in looks],
            "size": [look.size for _, look in looks],
            "kind": [look.kind for _, look in looks],
            "digest": [look.digest for _, look in looks],
            "at": [look.at for _, look in looks],
            "detail": [look.detail for _, look in looks],
        },
    )


def _copy_ids(connection: Connection, places: Sequence[_Place]) -> list[int]:
    """The id of each place, known or made now."""
    columns = (COPY.c.id, COPY.c.file_id, COPY.c.drive_id, COPY.c.path)
    ids: dict[_Place, int] = {}
    for file_ids in chunks(file_id for file_id, _, _ in places):
        query = select(*columns).where(COPY.c.file_id.in_(file_ids))
        for copy_id, file_id, drive_id, path in connection.execute(query):
            ids[file_id, drive_id, path] = copy_id
    before = _last_id(connection, COPY)
    new = [place for place in dict.fromkeys(places) if place not in ids]
    insert_columns(
        connection,
        COPY,
        {
            "file_id": [file_id for file_id, _, _ in new],
            "drive_id": [drive_id for _, drive_id, _ in new],
            "path": [path for _, _, path in new],
            "path_key": [path_key(path) for _, _, path in new],
        },
    )
    ids |= zip(new, _ids_after(connection, COPY, before), strict=True)
    return [ids[place] for place in places]


def _last_id(connection: Connection, table: Table) -> int:
    return int(connection.execute(select(func.coalesce(func.max(table.c.id), 0))).scalar_one())


def _ids_after(connection: Connection, table: Table, before: int) -> Sequence[int]:
    """The ids of the rows inserted since, in their order: nobody else can have added one
    meanwhile, since the write lock is ours."""
    query = select(table.c.id).where(table.c.id > before).order_by(table.c.id)
    return connection.execute(query).scalars().all()
