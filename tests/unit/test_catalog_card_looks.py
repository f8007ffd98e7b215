"""Files read again on their card: kept with who and when, and never changed."""

from __future__ import annotations

import sqlite3
from datetime import UTC, datetime
from pathlib import Path

import pytest

from ingest.catalog.catalog import Catalog
from ingest.catalog.records import CardSeen, NewCardLook, NewFile, NewOffload, Observer
from ingest.evidence import Route

NOON = datetime(2026, 3, 14, 12, 0, tzinfo=UTC)
INES = Observer("ines", "cart-1", "5b1c")


@pytest.fixture
def place(tmp_path: Path) -> str:
    """A catalog of two rolls of one file each; that of A001 was read again."""
    place = str(tmp_path / "catalog.sqlite3")
    with Catalog.open(place) as catalog:
        for roll in ("A001", "B001"):
            card = CardSeen(roll, None, None, "sdd", f"/media/{roll}")
            start = NewOffload(
                "c0ffee", "Salt Road", roll, 1, "2026-03-14", None, card, INES, NOON, {}
            )
            file = NewFile("C0001.MP4", 9, 5, roll, {"xxh128": roll})
            catalog.record_copied(catalog.begin_offload(start), [file], [])
        first = catalog.files(catalog.rolls())[0]
        look = NewCardLook(first.id, Route.MEDIUM, "xxh128", "A001", NOON)
        catalog.record_card_looks("a0d1", INES, [look])
        catalog.record_card_looks("a0d2", INES, [look])
        catalog.record_card_looks("a0d3", INES, [])
    return place


def test_which_files_were_read_again_is_told_of_the_rolls_asked_for(place: str) -> None:
    """Each time, with what it gave."""
    with Catalog.open(place) as catalog:
        first, second = catalog.rolls()
        (file,) = catalog.files([first])
        assert catalog.read_again([first, second]) == {file.id: [("xxh128", "A001")] * 2}
        assert catalog.read_again([second]) == {}


@pytest.mark.parametrize(
    "statement", ["UPDATE card_look SET digest = 'x'", "DELETE FROM card_look"]
)
def test_the_database_refuses_to_change_one(place: str, statement: str) -> None:
    """By any program, not just this one."""
    other = sqlite3.connect(place)
    kept = other.execute("SELECT * FROM card_look").fetchall()
    assert len(kept) == 2
    with pytest.raises(sqlite3.IntegrityError, match="evidence is never"):
        other.execute(statement)
    assert other.execute("SELECT * FROM card_look").fetchall() == kept
    other.close()
