"""Where drives, cards and rolls are and what people decided: written down, never altered."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence

from sqlalchemy import Connection, func, insert, select, update
from sqlalchemy.engine import Row

from ingest.catalog.asking import Asking, drive_of, drive_query, roll_of, roll_query
from ingest.catalog.columns import path_key
from ingest.catalog.custody_records import (
    About,
    CardKnown,
    Change,
    DrivePlace,
    Move,
    RollNote,
    card_known,
    drive_place,
    roll_note,
)
from ingest.catalog.intake import production_id
from ingest.catalog.records import Drive, Observer, Offload, Roll
from ingest.catalog.tables import (
    COPY,
    CUSTODY,
    DRIVE,
    FILE,
    LOOK,
    ROLL,
    ROLL_MOVE,
)
from ingest.errors import BadDestination

__all__ = ["Custody"]


class Custody(Asking):
    """The part of `Catalog` that knows places, cards and decisions."""

    def note_change(
        self,
        observer: Observer,
        about: About,
        subject: str,
        what: str,
        value: Mapping[str, object] | None = None,
    ) -> Change:
        """Write one thing down, dated now. `what` and `value` as `custody_records` reads them."""
        with self._writing() as connection:
            return self._noted(connection, observer, about, subject, what, value or {})

    def changes(self, about: About, subject: str | None = None) -> tuple[Change, ...]:
        """What was written down about all drives, cards or rolls, or one of them; oldest first."""
        query = select(CUSTODY).where(CUSTODY.c.about == about.value)
        if subject is not None:
            query = query.where(CUSTODY.c.subject == subject)
        with self._reading() as connection:
            rows = connection.execute(query.order_by(CUSTODY.c.id)).all()
        return tuple(_change_of(row) for row in rows)

    def drive_places(self) -> Mapping[int, DrivePlace]:
        """Where each drive is, by its id. Drives of one marker are one piece of hardware."""
        by_marker = _by_subject(self.changes(About.DRIVE))
        return {
            drive.id: drive_place(drive, by_marker.get(drive.marker, ())) for drive in self.drives()
        }

    def cards_known(self) -> tuple[CardKnown, ...]:
        """Every card that came in or was written down, by label."""
        by_subject = _by_subject(self.changes(About.CARD))
        first = {  # a card that got another label is still the one it was
            str(change.value["label"]).casefold(): subject
            for subject, changes in by_subject.items()
            for change in changes
            if change.what == "label"
        }
        labels: dict[str, str] = {}
        offloads: defaultdict[str, list[Offload]] = defaultdict(list)
        for offload in self.offloads(self.rolls()):
            label = offload.card.label if offload.card is not None else offload.roll.card
            subject = label.casefold()
            subject = first.get(subject, subject)
            labels.setdefault(subject, label)
            offloads[subject].append(offload)
        for subject, changes in by_subject.items():
            told = next((change for change in changes if change.what == "known"), None)
            label = str(told.value.get("label", subject)) if told is not None else subject
            labels.setdefault(subject, label)
        found = [
            card_known(subject, label, offloads[subject], by_subject.get(subject, ()))
            for subject, label in labels.items()
        ]
        return tuple(sorted(found, key=lambda card: (card.label.casefold(), card.subject)))

    def roll_notes(self, rolls: Sequence[Roll]) -> Mapping[int, RollNote]:
        """What people decided about each of these rolls, by its id."""
        by_subject = _by_subject(self.changes(About.ROLL))
        return {roll.id: roll_note(by_subject.get(str(roll.id), ())) for roll in rolls}

    def disputes(self, rolls: Sequence[Roll]) -> frozenset[tuple[int, str]]:
        """Files of these rolls that came off the card other than the card's own hash lists say,
        by the offload that read them and their path. One that somebody has viewed since it came in
        is in dispute no more; that the same bytes were met again settles nothing."""
        offloads = self.offloads(rolls)
        notes = self.card_notes([offload.id for offload in offloads])
        told = {
            (offload_id, note.path)
            for offload_id, some in notes.items()
            for note in some
            if note.kind == "disputed"
        }
        if not told:
            return frozenset()
        files = {
            file.id: file for file in self.files(rolls) if (file.offload_id, file.path) in told
        }
        copies = [copy for copy in self.copies(rolls=rolls) if copy.file_id in files]
        looks = self.looks([copy.id for copy in copies])
        came_in: dict[int, int] = {}
        for copy in copies:
            first = min((look.id for look in looks[copy.id]), default=0)
            came_in[copy.file_id] = min(first, came_in.get(copy.file_id, first))
        people = self.roll_notes(rolls)
        return frozenset(
            (file.offload_id, file.path)
            for file in files.values()
            if people[file.roll_id].viewed_by is None
            or people[file.roll_id].viewed_looks < came_in.get(file.id, 0)
        )

    def rename_drive(self, drive: Drive, name: str, observer: Observer) -> Drive:
        """Give a drive another name in this catalog; the marker on it keeps its first one.

        Raises BadDestination when another drive bears the name, case apart.
        """
        with self._writing() as connection:
            for other in (drive_of(row) for row in connection.execute(drive_query())):
                if other.marker != drive.marker and other.name.casefold() == name.casefold():
                    raise BadDestination(
                        f"Another drive bears the name {other.name} already ({other.device}).",
                        do="give this one another name",
                    )
            value = {"name": name, "was": drive.name}
            self._noted(connection, observer, About.DRIVE, drive.marker, "name", value)
            connection.execute(
                update(DRIVE).where(DRIVE.c.marker == drive.marker).values(name=name)
            )
            row = connection.execute(drive_query().where(DRIVE.c.id == drive.id)).one()
            return drive_of(row)

    # A roll corrected ---------------------------------------------------------------------------

    def correct_roll(self, old: Roll, new: Roll, moves: Sequence[Move], observer: Observer) -> Roll:
        """Correct a roll's production, name, day, date or camera, in one transaction; `moves`:
        what its folder is to be called on each drive, from now on.

        `new` bears the id of `old`. Raises BadDestination when the production has a roll of the
        new name already, or when `old` is not what the catalog holds any more.
        """
        with self._writing() as connection:
            now = roll_of(connection.execute(roll_query().where(ROLL.c.id == old.id)).one())
            if now != old:
                raise BadDestination(
                    f"The roll {old.name} was changed by somebody else just now.",
                    do="look at it (ingest rolls), then correct it again",
                )
            production = production_id(connection, new.production)
            taken = connection.execute(
                select(ROLL.c.id).where(
                    ROLL.c.production_id == production,
                    ROLL.c.name_folded == new.name.casefold(),
                    ROLL.c.id != old.id,
                )
            ).first()
            if taken is not None:
                raise BadDestination(
                    f"{new.production} has a roll {new.name} already, with other content.",
                    do="name another with --roll, or correct that one first",
                )
            pairs = ("production", "name", "day", "date", "camera")
            changed = {key for key in pairs if getattr(old, key) != getattr(new, key)}
            value: dict[str, object] = {
                "from": {key: getattr(old, key) for key in pairs if key in changed},
                "to": {key: getattr(new, key) for key in pairs if key in changed},
            }
            change = self._noted(connection, observer, About.ROLL, str(old.id), "corrected", value)
            connection.execute(
                update(ROLL)
                .where(ROLL.c.id == old.id)
                .values(
                    production_id=production,
                    name=new.name,
                    name_folded=new.name.casefold(),
                    day=new.day,
                    date=new.date,
                    camera=new.camera,
                )
            )
            if moves:
                rows = [
                    {
                        "custody_id": change.id,
                        "roll_id": old.id,
                        "drive_id": move.drive_id,
                        "origin": move.origin,
                        "wanted": move.wanted,
                    }
                    for move in moves
                ]
                connection.execute(insert(ROLL_MOVE), rows)
            return roll_of(connection.execute(roll_query().where(ROLL.c.id == old.id)).one())

    def moves_owed(self, drive_ids: Sequence[int] | None = None) -> tuple[Move, ...]:
        """Folders that still bear a name of before a correction, on these drives or on all.

        Only what the last correction of a roll asked for is owed.
        """
        last = (
            select(func.max(ROLL_MOVE.c.custody_id)).group_by(ROLL_MOVE.c.roll_id).scalar_subquery()
        )
        query = select(ROLL_MOVE).where(ROLL_MOVE.c.custody_id.in_(last))
        with self._reading() as connection:
            rows = connection.execute(query.order_by(ROLL_MOVE.c.id)).all()
            owed = []
            for row in rows:
                if row.origin == row.wanted or (drive_ids and row.drive_id not in drive_ids):
                    continue
                if _below(connection, row.roll_id, row.drive_id, row.origin):
                    owed.append(Move(row.roll_id, row.drive_id, row.origin, row.wanted))
        return tuple(owed)

    def record_moved(self, move: Move, observer: Observer) -> int:
        """The folder bears its new name now: the copies in it have new paths, and keep their
        evidence, since a rename touches no content. Returns how many copies that are."""
        with self._writing() as connection:
            copies = _below(connection, move.roll_id, move.drive_id, move.origin)
            for copy_id, path in copies:
                place = move.wanted + path[len(move.origin) :]
                connection.execute(
                    update(COPY)
                    .where(COPY.c.id == copy_id)
                    .values(path=place, path_key=path_key(place))
                )
            drive = connection.execute(
                select(DRIVE.c.marker, DRIVE.c.name).where(DRIVE.c.id == move.drive_id)
            ).one()
            value = {
                "drive": drive.marker,
                "name": drive.name,
                "from": move.origin,
                "to": move.wanted,
            }
            self._noted(connection, observer, About.ROLL, str(move.roll_id), "moved", value)
            return len(copies)

    def _noted(
        self,
        connection: Connection,
        observer: Observer,
        about: About,
        subject: str,
        what: str,
        value: Mapping[str, object],
    ) -> Change:
        looks = connection.execute(select(func.coalesce(func.max(LOOK.c.id), 0))).scalar_one()
        done = connection.execute(
            insert(CUSTODY).values(
                about=about.value,
                subject=subject,
                what=what,
                value=dict(value),
                who=observer.who,
                machine=observer.machine,
                boot=observer.boot,
                at=self._clock(),
                looks=looks,
            )
        ).inserted_primary_key
        assert done is not None
        query = select(CUSTODY).where(CUSTODY.c.id == done[0])
        return _change_of(connection.execute(query).one())


def _change_of(row: Row[*tuple[object, ...]]) -> Change:
    told = row._mapping
    return Change(
        id=told["id"],
        about=About(told["about"]),
        subject=told["subject"],
        what=told["what"],
        value=told["value"],
        observer=Observer(told["who"], told["machine"], told["boot"]),
        at=told["at"],
        looks=told["looks"],
    )


def _by_subject(changes: Sequence[Change]) -> Mapping[str, Sequence[Change]]:
    found: defaultdict[str, list[Change]] = defaultdict(list)
    for change in changes:
        found[change.subject].append(change)
    return found


def _below(
    connection: Connection, roll_id: int, drive_id: int, folder: str
) -> list[tuple[int, str]]:
    """Copies of the roll on the drive, by id and path, that lie below the folder."""
    query = (
        select(COPY.c.id, COPY.c.path)
        .join(FILE, FILE.c.id == COPY.c.file_id)
        .where(FILE.c.roll_id == roll_id, COPY.c.drive_id == drive_id)
    )
    found = [(row.id, row.path) for row in connection.execute(query)]
    return [(copy_id, path) for copy_id, path in found if path.startswith(folder + "/")]
