"""The catalog can't be written: the footage is copied and checked all the same, or nothing is
started, and which of the two is said."""

from __future__ import annotations

import contextlib
import os
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from laboratory import breaking
from laboratory.intake import (
    HOME,
    CardContent,
    Intake,
    check_true,
    check_whole,
    fill_card,
    final_files,
)
from laboratory.loops import MIB, Drive, loop_drive, run

pytestmark = [pytest.mark.laboratory, pytest.mark.long]

SIZES = {
    **{f"CLIP/A{number:03}.BIN": 8 * MIB + number for number in range(8)},
    **{f"STILLS/S{number:04}.DAT": 30_000 + number for number in range(40)},
}

_AT_ONCE = """
import ingest.catalog.opening as opening
opening.BUSY_S = 1
from ingest.cli.main import entry
entry()
"""

IMPATIENT = (sys.executable, "-c", _AT_ONCE)
"""The program, waiting one second for another one's lock and not half a minute."""


@pytest.fixture
def pair() -> Iterator[tuple[Drive, Drive]]:
    with loop_drive(112, name="a") as a, loop_drive(112, name="b") as b:
        yield a, b


@pytest.fixture
def content(tmp_path: Path) -> CardContent:
    return fill_card(tmp_path / "card", SIZES)


def footage(pair: tuple[Drive, Drive]) -> list[str]:
    """Everything of the card that is on the drives."""
    return [path for drive in pair for path in final_files(drive.mount)]


def test_a_catalog_that_another_program_holds_at_the_start_starts_nothing_and_says_so(
    pair: tuple[Drive, Drive], content: CardContent, tmp_path: Path
) -> None:
    """The other program is named as the reason; when it lets go the same command does it all."""
    catalog = tmp_path / "catalog.db"
    patient = Intake(tmp_path / "card", pair, catalog)
    intake = Intake(tmp_path / "card", pair, catalog, program=IMPATIENT)
    made = subprocess.run(
        [sys.executable, "-m", "ingest", "rolls", "--catalog", catalog], cwd=HOME, timeout=60
    )
    assert made.returncode == 0 and catalog.exists()
    with contextlib.closing(sqlite3.connect(catalog, isolation_level=None)) as other:
        other.execute("BEGIN EXCLUSIVE")
        done = intake.run()
        assert done.code == 4, done
        assert "held by another program" in done.document["error"]["what"], done
        assert footage(pair) == []
    again = patient.run()
    assert again.code == 0, again
    check_whole(content, pair, catalog)


def test_a_catalog_that_another_program_takes_in_the_middle_loses_no_footage(
    pair: tuple[Drive, Drive], content: CardContent, tmp_path: Path
) -> None:
    """What stands on the drives is whole, and found there by the same command."""
    catalog = tmp_path / "catalog.db"
    intake = Intake(tmp_path / "card", pair, catalog, program=IMPATIENT)
    process = intake.start()
    breaking.when(process, breaking.some_files(pair[0], 1))
    os.kill(process.pid, signal.SIGSTOP)
    with contextlib.closing(sqlite3.connect(catalog, isolation_level=None)) as other:
        other.execute("BEGIN EXCLUSIVE")
        os.kill(process.pid, signal.SIGCONT)
        done = intake.end(process)
    assert done.code == 4, done
    assert "held by another program" in done.document["error"]["what"], done
    check_true(content, pair, catalog)
    before = {drive: set(final_files(drive.mount)) for drive in pair}
    assert any(before.values())
    again = intake.run()
    assert again.code == 0, again
    check_whole(content, pair, catalog)


def test_a_catalog_whose_disk_is_full_at_the_start_starts_nothing_and_says_so(
    pair: tuple[Drive, Drive], content: CardContent, tmp_path: Path
) -> None:
    with loop_drive(4, "tmpfs", name="small") as small:
        intake = Intake(tmp_path / "card", pair, small.mount / "catalog.db")
        film = breaking.fill_up(small)
        done = intake.run()
        assert done.code in (2, 4), done
        assert done.document["error"]["do"], done
        assert footage(pair) == []
        os.unlink(film)
        again = intake.run()
        assert again.code == 0, again
        check_whole(content, pair, intake.catalog)


def test_a_catalog_whose_disk_fills_in_the_middle_loses_no_footage(
    pair: tuple[Drive, Drive], content: CardContent, tmp_path: Path
) -> None:
    with loop_drive(4, "tmpfs", name="small") as small:
        intake = Intake(tmp_path / "card", pair, small.mount / "catalog.db")
        process = intake.start()
        breaking.when(process, breaking.some_files(pair[0], 1))
        os.kill(process.pid, signal.SIGSTOP)
        film = breaking.fill_up(small)
        os.kill(process.pid, signal.SIGCONT)
        done = intake.end(process)
        assert done.code == 4, done
        assert "full" in done.document["error"]["what"], done
        os.unlink(film)
        check_true(content, pair, intake.catalog)
        again = intake.run()
        assert again.code == 0, again
        check_whole(content, pair, intake.catalog)


def test_a_catalog_in_a_read_only_folder_starts_nothing_and_says_so(
    pair: tuple[Drive, Drive], content: CardContent, tmp_path: Path
) -> None:
    with loop_drive(8, "tmpfs", name="small") as small:
        intake = Intake(tmp_path / "card", pair, small.mount / "catalog.db")
        run("mount", "-o", "remount,ro", small.mount)
        new = intake.run()
        assert new.code in (2, 4), new
        assert new.document["error"]["do"], new
        assert footage(pair) == []
        run("mount", "-o", "remount,rw", small.mount)
        assert intake.run().code == 0
        for drive in pair:
            for place in list(final_files(drive.mount).values()):
                place.unlink()
        run("mount", "-o", "remount,ro", small.mount)
        old = intake.run()
        assert old.code in (2, 4), old
        assert old.document["error"]["do"], old
        assert footage(pair) == []
