"""What was found out and how an offload ended: never changed, whichever database keeps it."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest
from postgres import Server
from sqlalchemy import create_engine, text
from sqlalchemy.exc import DBAPIError

from ingest.catalog.catalog import Catalog
from ingest.catalog.records import CardSeen, NewOffload, Observer, Offload, OffloadDrive, OffloadEnd
from ingest.drives import DriveSeen
from ingest.evidence import Route

NOON = datetime(2026, 3, 14, 12, 0, tzinfo=UTC)
INES = Observer("ines", "cart-1", "5b1c")


def ended(place: str) -> Offload:
    """The one offload of a catalog: a problem on its drive."""
    with Catalog.open(place, clock=lambda: NOON) as catalog:
        card = CardSeen("CARD 7", None, None, "sdd", "/media/card")
        start = NewOffload("c0ffee", "Salt Road", "A001", 1, "2026-03-14", "A", card, INES, NOON)
        seen = DriveSeen("m-1", "HERON", None, "d-1", "sde", "ext4", "/media/HERON")
        drive = catalog.see_drive(seen)
        left = OffloadDrive(drive.id, "A001", 2, 10, 3.0, Route.MEDIUM, "1 file differs")
        begun = catalog.begin_offload(start)
        catalog.end_offload(begun, OffloadEnd(NOON, "problem", 1, 4.0, 10, 3, 0, 0, (left,)))
    return kept(place)


def kept(place: str) -> Offload:
    with Catalog.open(place) as catalog:
        (one,) = catalog.offloads(catalog.rolls())
    return one


@pytest.fixture(params=["sqlite", "postgresql"])
def place(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Where the catalog is: a file, or a place of its own on a server."""
    if request.param == "sqlite":
        return str(tmp_path / "catalog.sqlite3")
    server: Server = request.getfixturevalue("postgres")
    return server.new()


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE offload_end SET verdict = 'matched'",
        "UPDATE offload_drive SET problem = ''",
        "DELETE FROM offload_drive",
        "DELETE FROM offload_end",
    ],
)
def test_the_database_refuses_to_change_a_verdict(place: str, statement: str) -> None:
    """By any program, not just this one."""
    before = ended(place)
    engine = create_engine(place if "://" in place else f"sqlite:///{place}")
    with pytest.raises(DBAPIError, match="is never"), engine.begin() as connection:
        connection.execute(text(statement))
    engine.dispose()
    assert kept(place) == before


EVIDENCE = ("added_digest", "card_look", "clip_look", "custody", "look", "waveform")


@pytest.mark.parametrize("table", EVIDENCE)
def test_evidence_of_every_kind_is_neither_changed_deleted_nor_replaced(
    tmp_path: Path, table: str
) -> None:
    """On the table as it is; what a row means is of no matter here."""
    place = str(tmp_path / "catalog.sqlite3")
    Catalog.open(place).close()
    with closing(sqlite3.connect(place)) as connection:
        columns = [str(row[1]) for row in connection.execute(f"PRAGMA table_info({table})")]
        row = f"({', '.join(columns)}) VALUES ({', '.join(['1'] * len(columns))})"
        connection.execute(f"INSERT INTO {table} {row}")
        for statement in (
            f"UPDATE {table} SET {columns[-1]} = 2",
            f"DELETE FROM {table}",
            f"INSERT OR REPLACE INTO {table} {row}",
        ):
            with pytest.raises(sqlite3.IntegrityError, match="is never"):
                connection.execute(statement)
        assert connection.execute(f"SELECT count(*) FROM {table}").fetchone() == (1,)


@pytest.mark.parametrize("table", ["offload_end", "offload_drive"])
def test_a_row_is_not_replaced_either(tmp_path: Path, table: str) -> None:
    """SQLite's own way around an UPDATE."""
    place = str(tmp_path / "catalog.sqlite3")
    before = ended(place)
    with (
        closing(sqlite3.connect(place)) as connection,
        pytest.raises(sqlite3.IntegrityError, match="evidence is never replaced"),
    ):
        connection.execute(f"INSERT OR REPLACE INTO {table} SELECT * FROM {table}")
    assert kept(place) == before


@pytest.mark.parametrize("table", ["offload_end", "offload_drive", *EVIDENCE])
def test_the_table_is_not_emptied_on_a_server(postgres: Server, table: str) -> None:
    """TRUNCATE asks no row."""
    place = postgres.new()
    before = ended(place)
    engine = create_engine(place)
    with pytest.raises(DBAPIError, match="is never"), engine.begin() as connection:
        connection.execute(text(f"TRUNCATE {table} CASCADE"))
    engine.dispose()
    assert kept(place) == before
