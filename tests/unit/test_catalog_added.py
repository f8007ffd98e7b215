"""Checksums that an audit added: dated, never changed, and part of the file from then on."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from ingest.catalog.catalog import Catalog
from ingest.catalog.records import (
    CardSeen,
    DriveSeen,
    FileRecord,
    NewDigest,
    NewFile,
    NewLook,
    NewOffload,
    Observer,
)
from ingest.evidence import Act, Against, Route, State

NOON = datetime(2026, 3, 14, 12, 0, tzinfo=UTC)
INES = Observer("ines", "cart-1", "5b1c")
PATH = "CLIP/C0001.MP4"


@pytest.fixture
def catalog(tmp_path: Path) -> Iterator[Catalog]:
    """A catalog with one file on one drive."""
    with Catalog.open(str(tmp_path / "catalog.sqlite3")) as opened:
        card = CardSeen("CARD 7", None, None, "sdd", "/media/card")
        start = NewOffload(
            "c0ffee", "Salt Road", "A001", 1, "2026-03-14", "A", card, INES, NOON, {}
        )
        drive = opened.see_drive(DriveSeen("m-1", "HERON", None, "SN1", "sdb", "ext4", "/d/one"))
        look = NewLook(
            0, drive.id, PATH, Act.READ_BACK, State.MATCHED, Route.MEDIUM, Against.CARD, 9,
            "xxh128", "x", "41", NOON,
        )  # fmt: skip
        file = NewFile(PATH, 9, 5, "s", {"xxh128": "x", "md5": "m"})
        opened.record_copied(opened.begin_offload(start), [file], [(PATH, look)])
        yield opened


def the_file(catalog: Catalog) -> FileRecord:
    (file,) = catalog.files(catalog.rolls())
    return file


def add(catalog: Catalog, kind: str, digest: str) -> None:
    (copy,) = catalog.copies()
    catalog.add_digests("a0d1", INES, [NewDigest(copy.file_id, copy.id, kind, digest, NOON)])


def test_an_added_kind_belongs_to_the_file_and_is_told_from_the_cards_own(
    catalog: Catalog,
) -> None:
    """What the card's read gave stands beside what came later."""
    assert the_file(catalog).later == frozenset()
    add(catalog, "c4", "c4one")
    file = the_file(catalog)
    assert file.digests == {"xxh128": "x", "md5": "m", "c4": "c4one"}
    assert file.later == {"c4"}


def test_the_first_of_a_kind_stands(catalog: Catalog) -> None:
    """A later one can't replace it, nor what the card's read gave."""
    add(catalog, "c4", "c4one")
    add(catalog, "c4", "c4two")
    add(catalog, "md5", "other")
    file = the_file(catalog)
    assert (file.digests["c4"], file.digests["md5"]) == ("c4one", "m")
    assert file.later == {"c4"}


@pytest.mark.parametrize(
    "statement", ["UPDATE added_digest SET digest = 'x'", "DELETE FROM added_digest"]
)
def test_the_database_refuses_to_change_one(catalog: Catalog, statement: str) -> None:
    """By any program, not just this one."""
    add(catalog, "c4", "c4one")
    other = sqlite3.connect(catalog.place)
    with pytest.raises(sqlite3.IntegrityError, match="evidence is never"):
        other.execute(statement)
    other.close()
    assert the_file(catalog).digests["c4"] == "c4one"
