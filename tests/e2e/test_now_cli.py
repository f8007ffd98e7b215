"""Bare `ingest`: where things stand; nothing is made, nothing is changed."""

from __future__ import annotations

import shutil
import sqlite3
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import pytest

from ingest import drives
from ingest.catalog import tables
from ingest.jobs.around import look_around
from tests.conftest import Runner
from tests.e2e.further import disks_apart, offloaded


@pytest.fixture
def unplugged(monkeypatch: pytest.MonkeyPatch) -> None:
    """No volume is mounted but those that the catalog knows by their folders."""
    monkeypatch.setattr("ingest.platforms.mounts", lambda: ())


@pytest.fixture
def place(tmp_path: Path, ingest: Runner, unplugged: None, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Roll A003 on HERON and OTTER."""
    disks_apart(monkeypatch)
    offloaded(tmp_path, ingest)
    return tmp_path


def test_with_no_catalog_none_is_made(
    tmp_path: Path, desk: Path, unplugged: None, ingest: Runner
) -> None:
    """It says so and what to do first."""
    before = sorted(tmp_path.rglob("*"))
    ran = ingest()
    assert ran.code == 0
    assert "Cards in: none" in ran.out and "Do: ingest start" in ran.out
    assert ingest("--json").document["catalog"] is None
    assert sorted(tmp_path.rglob("*")) == before


def test_a_volume_that_is_neither_card_nor_drive_is_shown(
    place: Path, ingest: Runner, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Somebody looks for the disk that was just plugged in."""
    around = look_around(None)
    blank = replace(drives.look_at(str(place / "STOAT")), free=5 * 10**9)
    monkeypatch.setattr(
        "ingest.jobs.standing.look_around", lambda catalog: replace(around, blank=(blank,))
    )
    ran = ingest()
    assert "Neither card nor drive (ingest start makes it a drive)" in ran.out
    assert f"  {place / 'STOAT'}: 5 GB free" in ran.out
    assert ingest("--json").document["others"] == [
        {"root": str(place / "STOAT"), "free": 5 * 10**9}
    ]


def test_what_came_in_today_and_what_is_open_is_shown(place: Path, ingest: Runner) -> None:
    """Drives with their room; nothing open: 0. A lost drive leaves a copy owed: 3."""
    ran = ingest()
    assert ran.code == 0
    assert ran.out.startswith("Saltmarsh (")
    assert "  HERON: " in ran.out and "Open: nothing that is known here" in ran.out
    ingest("drives", "set", "OTTER", "--lost")
    assert "written down as lost; if it is back:" in ingest().out
    after = ingest("--json")
    assert after.code == 3
    assert [one["kind"] for one in after.document["open"]] == ["copies"]
    assert {one["drive"] for one in after.document["drives"]} == {"HERON", "OTTER"}


def test_once_something_of_today_is_in_it_says_what_the_end_of_the_day_would(
    place: Path, ingest: Runner
) -> None:
    """A camera of ingest.toml with no roll; of many things the first few, and how many more."""
    toml = place / "desk" / "ingest.toml"
    letters = "".join(f"[camera.{letter}]\n" for letter in "BCDEFGHI")
    toml.write_text('production = "Saltmarsh"\nday_ends = 0\n' + letters)
    (place / "card" / "CLIP" / "C0009.BIN").write_bytes(b"more " * 99)
    now = [datetime.now().astimezone().date().isoformat()]
    words = ("--to", place / "HERON", "--to", place / "OTTER", "--roll", "A004", "--camera", "A")
    assert ingest("offload", place / "card", "--day", "2", *words).code == 0
    ran = ingest("--json")
    now.append(datetime.now().astimezone().date().isoformat())
    if now[0] != now[1] or not ran.document["rolls_today"]:
        pytest.skip("midnight came between")
    assert ran.code == 3
    missing = [one["what"] for one in ran.document["open"] if one["kind"] == "device"]
    assert len(missing) == 8
    assert "more: ingest wrap" in ingest().out


def test_it_changes_nothing(place: Path, ingest: Runner) -> None:
    """The catalog's file, byte for byte; drives and desk as they were."""
    catalog = place / "catalog.sqlite3"
    before = (catalog.read_bytes(), sorted(place.rglob("*")))
    ingest()
    assert (catalog.read_bytes(), sorted(place.rglob("*"))) == before


def test_a_catalog_of_an_earlier_version_is_not_brought_up_to_date(
    place: Path, ingest: Runner
) -> None:
    """That would be a change: another command does it, and it is said which."""
    old = place / "old.sqlite3"
    shutil.copy(place / "catalog.sqlite3", old)
    connection = sqlite3.connect(old)
    connection.execute(f"UPDATE {tables.VERSION_TABLE} SET version_num = '0001'")
    connection.commit()
    connection.close()
    before = old.read_bytes()
    ran = ingest("--catalog", old)
    assert ran.code == 2
    assert "earlier version" in ran.err and "ingest rolls" in ran.err
    assert old.read_bytes() == before


def test_an_option_before_a_command_is_not_passed_over(desk: Path, ingest: Runner) -> None:
    """`ingest --json rolls` would answer in words: exit 2."""
    ran = ingest("--catalog", "elsewhere", "rolls")
    assert ran.code == 2
    assert "behind the command: ingest rolls --" in ran.err
