"""Where drives, cards and rolls are and what people decided: appended, dated, never altered; on
SQLite and on PostgreSQL alike."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from postgres import Server
from sqlalchemy import create_engine, text
from sqlalchemy.exc import DBAPIError

from ingest.catalog.catalog import Catalog
from ingest.catalog.custody_records import About, Move, Standing
from ingest.catalog.records import (
    CardSeen,
    Drive,
    DriveSeen,
    NewFile,
    NewLook,
    NewOffload,
    Observer,
    Offload,
    Roll,
)
from ingest.errors import BadDestination
from ingest.evidence import Act, Against, Route, State

NOW = datetime(2026, 3, 14, 18, 0, tzinfo=UTC)
INES = Observer("ines", "cart-1", "5b1c")
HERON = DriveSeen("m-1", "HERON", "U-1", "S-1", "sdb", "ext4", "/media/HERON")
OTTER = DriveSeen("m-2", "OTTER", "U-2", "S-2", "sdc", "ext4", "/media/OTTER")
FOLDER = "Salt_Road/D01_2026-03-14/A001"


@pytest.fixture(params=["sqlite", "postgresql"])
def place(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Where the catalog is: a file, or a place of its own on a server."""
    if request.param == "sqlite":
        return str(tmp_path / "catalog.sqlite3")
    server: Server = request.getfixturevalue("postgres")
    return server.new()


@pytest.fixture
def catalog(place: str) -> Iterator[Catalog]:
    with Catalog.open(place, clock=lambda: NOW) as opened:
        yield opened


def offload(catalog: Catalog, roll: str, card: str, camera: str = "A") -> Offload:
    seen = CardSeen(card, None, None, "sdd", "/media/card")
    start = NewOffload("c0ffee", "Salt Road", roll, 1, "2026-03-14", camera, seen, INES, NOW)
    return catalog.begin_offload(start)


def copied(catalog: Catalog, begun: Offload, drive: Drive, folder: str = FOLDER) -> int:
    """One file of the roll, read back on the drive; its file id."""
    file = NewFile("CLIP/C0001.MOV", 5, 5, "s", {"md5": "m"})
    ids = catalog.record_copied(begun, [file], [(file.path, look(drive, f"{folder}/{file.path}"))])
    return ids[file.path]


def look(drive: Drive, path: str, file_id: int = 0) -> NewLook:
    return NewLook(
        file_id,
        drive.id,
        path,
        Act.READ_BACK,
        State.MATCHED,
        Route.MEDIUM,
        Against.CARD,
        5,
        "md5",
        "m",
        "41",
        NOW,
    )


def last_look(catalog: Catalog) -> int:
    copies = catalog.copies()
    return max(one.id for looks in catalog.looks([c.id for c in copies]).values() for one in looks)


def test_when_nothing_was_written_down_then_a_drive_has_no_place(catalog: Catalog) -> None:
    """It is with us, counts for copies, and for no off-site demand."""
    drive = catalog.see_drive(HERON)
    place = catalog.drive_places()[drive.id]
    assert (place.standing, place.where) == (Standing.KEPT, None)
    assert place.counts(1)
    assert not place.seen_there(1)


def test_when_a_drive_is_sent_and_received_then_only_later_evidence_is_of_there(
    catalog: Catalog,
) -> None:
    """In transit it is nowhere; at its new place what was read before doesn't tell of there."""
    drive = catalog.see_drive(HERON)
    file_id = copied(catalog, offload(catalog, "A001", "CARD 7"), drive)
    before = last_look(catalog)
    catalog.note_change(INES, About.DRIVE, "m-1", "sent", {"to": "the vault", "by": "Rui"})
    sent = catalog.drive_places()[drive.id]
    assert (sent.standing, sent.sent_to, sent.sent_by) == (Standing.SENT, "the vault", "Rui")
    assert sent.counts(before)
    assert not sent.seen_there(before)
    catalog.note_change(INES, About.DRIVE, "m-1", "received")
    there = catalog.drive_places()[drive.id]
    assert (there.standing, there.where) == (Standing.KEPT, "the vault")
    assert not there.seen_there(before)
    catalog.record_looks("a0d1", INES, [look(drive, f"{FOLDER}/CLIP/C0001.MOV", file_id)])
    assert there.seen_there(last_look(catalog))


@pytest.mark.parametrize("end", ["dead", "lost"])
def test_when_a_drive_is_gone_then_its_copies_count_again_only_once_read_again(
    catalog: Catalog, end: str
) -> None:
    """Found again and received: what was seen before counts for nothing, what is seen now does."""
    drive = catalog.see_drive(HERON)
    file_id = copied(catalog, offload(catalog, "A001", "CARD 7"), drive)
    before = last_look(catalog)
    catalog.note_change(INES, About.DRIVE, "m-1", end)
    place = catalog.drive_places()[drive.id]
    assert place.standing == end
    assert place.gone and not place.counts(before)
    catalog.note_change(INES, About.DRIVE, "m-1", "received")
    back = catalog.drive_places()[drive.id]
    assert back.standing is Standing.KEPT
    assert not back.counts(before)
    catalog.record_looks("a0d1", INES, [look(drive, f"{FOLDER}/CLIP/C0001.MOV", file_id)])
    assert back.counts(last_look(catalog))


def test_when_the_same_place_is_said_again_then_the_drive_did_not_arrive_anew(
    catalog: Catalog,
) -> None:
    """What was read there still is of there; another place begins anew."""
    drive = catalog.see_drive(HERON)
    catalog.note_change(INES, About.DRIVE, "m-1", "where", {"where": "bag 1", "offsite": None})
    copied(catalog, offload(catalog, "A001", "CARD 7"), drive)
    read = last_look(catalog)
    again = {"where": "bag 1", "offsite": True}
    catalog.note_change(INES, About.DRIVE, "m-1", "where", again)
    assert catalog.drive_places()[drive.id].seen_there(read)
    assert catalog.drive_places()[drive.id].offsite is True
    catalog.note_change(INES, About.DRIVE, "m-1", "where", {"where": "bag 2"})
    assert not catalog.drive_places()[drive.id].seen_there(read)


def test_when_a_drive_got_another_name_then_its_marker_does_not_bring_the_old_one_back(
    catalog: Catalog,
) -> None:
    """The marker keeps its first name; this catalog keeps the one that was given."""
    drive = catalog.see_drive(HERON)
    assert catalog.rename_drive(drive, "EGRET", INES).name == "EGRET"
    assert catalog.see_drive(HERON).name == "EGRET"
    assert [(c.what, c.value) for c in catalog.changes(About.DRIVE, "m-1")] == [
        ("name", {"name": "EGRET", "was": "HERON"})
    ]


def test_when_another_drive_bears_the_name_then_it_is_refused(catalog: Catalog) -> None:
    """Case apart; and nothing is written down."""
    catalog.see_drive(HERON)
    other = catalog.see_drive(OTTER)
    with pytest.raises(BadDestination, match="HERON"):
        catalog.rename_drive(other, "heron", INES)
    assert catalog.changes(About.DRIVE) == ()


def test_cards_are_known_by_their_sticker_with_what_they_gave(catalog: Catalog) -> None:
    """Case apart, over several rolls; due and built in as written down."""
    offload(catalog, "A001", "CARD 7")
    offload(catalog, "A002", "card 7")
    offload(catalog, "D001", "SKIM", "D")
    catalog.note_change(INES, About.CARD, "card 7", "due", {"due": "2026-03-20"})
    catalog.note_change(INES, About.CARD, "skim", "built in", {"built_in": True})
    seven, skim = catalog.cards_known()
    assert (seven.label, [roll.name for roll in seven.rolls]) == ("CARD 7", ["A001", "A002"])
    assert (seven.due, seven.camera, seven.built_in) == (date(2026, 3, 20), "A", False)
    assert (skim.label, skim.built_in, skim.last_in) == ("SKIM", True, NOW)


def test_a_returned_card_that_comes_in_again_is_back(catalog: Catalog) -> None:
    """The rental house may send the same one again."""
    first = offload(catalog, "A001", "CARD 7")
    catalog.note_change(INES, About.CARD, "card 7", "returned", {"offload": first.id})
    assert catalog.cards_known()[0].returned == NOW
    offload(catalog, "A002", "CARD 7")
    assert catalog.cards_known()[0].returned is None


def test_a_card_with_a_new_sticker_is_still_the_one_it_was(catalog: Catalog) -> None:
    """What comes in under the new label joins the history of the old one."""
    offload(catalog, "A001", "UNTITLED")
    catalog.note_change(INES, About.CARD, "untitled", "label", {"label": "CARD 7"})
    offload(catalog, "A002", "CARD 7")
    (card,) = catalog.cards_known()
    assert (card.label, [roll.name for roll in card.rolls]) == ("CARD 7", ["A001", "A002"])


def test_a_card_that_never_came_in_is_known_once_it_is_written_down(catalog: Catalog) -> None:
    """A rented card that somebody still has."""
    catalog.note_change(INES, About.CARD, "card 9", "known", {"label": "CARD 9"})
    (card,) = catalog.cards_known()
    assert (card.label, card.rolls, card.last_in) == ("CARD 9", (), None)


def test_a_roll_keeps_its_hold_its_viewer_and_its_date(catalog: Catalog) -> None:
    """With who and when; the hold can be taken off, and its history stays."""
    roll = offload(catalog, "A001", "CARD 7").roll
    subject = str(roll.id)
    catalog.note_change(INES, About.ROLL, subject, "hold", {"because": "client asked"})
    catalog.note_change(INES, About.ROLL, subject, "viewed", {"by": "Marta"})
    catalog.note_change(INES, About.ROLL, subject, "until", {"until": "2026-06-01"})
    note = catalog.roll_notes([roll])[roll.id]
    assert (note.hold, note.hold_by, note.held_at) == ("client asked", "ines", NOW)
    assert (note.viewed_by, note.until) == ("Marta", date(2026, 6, 1))
    catalog.note_change(INES, About.ROLL, subject, "no hold")
    assert catalog.roll_notes([roll])[roll.id].hold is None
    assert [c.what for c in catalog.changes(About.ROLL, subject)] == [
        "hold",
        "viewed",
        "until",
        "no hold",
    ]


def corrected(roll: Roll, name: str) -> Roll:
    return Roll(roll.id, roll.production, name, roll.day, roll.date, roll.camera, roll.card)


def test_a_corrected_roll_owes_its_folders_until_they_are_moved(catalog: Catalog) -> None:
    """The catalog has it at once; the copies' paths follow drive by drive, evidence kept."""
    heron, otter = catalog.see_drive(HERON), catalog.see_drive(OTTER)
    begun = offload(catalog, "A001", "CARD 7")
    for drive in (heron, otter):
        copied(catalog, begun, drive)
    wanted = "Salt_Road/D01_2026-03-14/A007"
    moves = [Move(begun.roll.id, drive.id, FOLDER, wanted) for drive in (heron, otter)]
    new = catalog.correct_roll(begun.roll, corrected(begun.roll, "A007"), moves, INES)
    assert [roll.name for roll in catalog.rolls()] == ["A007"] == [new.name]
    assert catalog.moves_owed() == tuple(moves)
    assert catalog.record_moved(moves[0], INES) == 1
    assert catalog.moves_owed() == (moves[1],)
    paths = {copy.drive_id: copy.path for copy in catalog.copies()}
    assert paths == {
        heron.id: f"{wanted}/CLIP/C0001.MOV",
        otter.id: f"{FOLDER}/CLIP/C0001.MOV",
    }
    assert len(catalog.looks([copy.id for copy in catalog.copies()])) == 2
    assert [c.what for c in catalog.changes(About.ROLL)] == ["corrected", "moved"]


def test_a_roll_corrected_twice_owes_only_what_was_asked_last(catalog: Catalog) -> None:
    """Also when the second correction takes the first one back."""
    drive = catalog.see_drive(HERON)
    begun = offload(catalog, "A001", "CARD 7")
    copied(catalog, begun, drive)
    first = Move(begun.roll.id, drive.id, FOLDER, "x/A007")
    new = catalog.correct_roll(begun.roll, corrected(begun.roll, "A007"), [first], INES)
    second = Move(begun.roll.id, drive.id, FOLDER, "x/A008")
    newer = catalog.correct_roll(new, corrected(new, "A008"), [second], INES)
    assert catalog.moves_owed() == (second,)
    back = Move(begun.roll.id, drive.id, FOLDER, FOLDER)
    catalog.correct_roll(newer, corrected(newer, "A001"), [back], INES)
    assert catalog.moves_owed() == ()


def test_a_roll_is_not_corrected_onto_another_one(catalog: Catalog) -> None:
    """Case apart; nothing is changed."""
    begun = offload(catalog, "A001", "CARD 7")
    offload(catalog, "A002", "CARD 8")
    with pytest.raises(BadDestination, match="a002"):
        catalog.correct_roll(begun.roll, corrected(begun.roll, "a002"), [], INES)
    assert [roll.name for roll in catalog.rolls()] == ["A001", "A002"]


def test_a_roll_that_somebody_else_has_just_changed_is_not_corrected(catalog: Catalog) -> None:
    """Two people at two machines: the second one looks first."""
    begun = offload(catalog, "A001", "CARD 7")
    catalog.correct_roll(begun.roll, corrected(begun.roll, "A002"), [], INES)
    with pytest.raises(BadDestination, match="somebody else"):
        catalog.correct_roll(begun.roll, corrected(begun.roll, "A003"), [], INES)


@pytest.mark.parametrize("statement", ["UPDATE custody SET value = '{}'", "DELETE FROM custody"])
def test_what_was_written_down_is_never_changed(
    catalog: Catalog, place: str, statement: str
) -> None:
    """The database itself refuses, as for evidence."""
    catalog.note_change(INES, About.DRIVE, "m-1", "lost")
    before = catalog.changes(About.DRIVE)
    engine = create_engine(place if "://" in place else f"sqlite:///{place}")
    with pytest.raises(DBAPIError, match="never"), engine.begin() as connection:
        connection.execute(text(statement))
    engine.dispose()
    assert catalog.changes(About.DRIVE) == before


def test_a_written_row_is_not_replaced_either(tmp_path: Path) -> None:
    """SQLite's own way around an UPDATE."""
    with Catalog.open(str(tmp_path / "catalog.sqlite3"), clock=lambda: NOW) as catalog:
        catalog.note_change(INES, About.DRIVE, "m-1", "lost")
    with (
        closing(sqlite3.connect(tmp_path / "catalog.sqlite3")) as connection,
        pytest.raises(sqlite3.IntegrityError, match="never"),
    ):
        connection.execute("INSERT OR REPLACE INTO custody SELECT * FROM custody")


def test_the_table_is_not_emptied_on_a_server(postgres: Server) -> None:
    """TRUNCATE asks no row."""
    place = postgres.new()
    with Catalog.open(place, clock=lambda: NOW) as catalog:
        catalog.note_change(INES, About.DRIVE, "m-1", "lost")
    engine = create_engine(place)
    with pytest.raises(DBAPIError, match="never"), engine.begin() as connection:
        connection.execute(text("TRUNCATE custody CASCADE"))
    engine.dispose()
