"""Ctrl-C and SIGTERM in the middle of an offload."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from laboratory.intake import Intake, check_true, check_whole, fill_card, final_files
from laboratory.loops import MIB, Drive, loop_drive

pytestmark = [pytest.mark.laboratory, pytest.mark.long]

SIZES = {
    **{f"A{number:03}.BIN": 12 * MIB + number for number in range(10)},
    **{f"S{number:03}.DAT": 30_000 for number in range(60)},
}


@pytest.fixture
def drives() -> Iterator[tuple[Drive, Drive]]:
    with loop_drive(192, name="a") as a, loop_drive(192, name="b") as b:
        yield a, b


@pytest.mark.parametrize("as_json", [True, False], ids=["json", "words"])
@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_stopped_in_the_middle_it_says_how_to_go_on_and_the_same_command_does(
    name: str, as_json: bool, drives: tuple[Drive, Drive], tmp_path: Path
) -> None:
    """It ends by the signal's doing with 130, all that it told is true, and it goes on."""
    content = fill_card(tmp_path / "card", SIZES)
    intake = Intake(tmp_path / "card", drives, tmp_path / "catalog.db")
    words = Intake(
        tmp_path / "card", drives, tmp_path / "catalog.db", without=() if as_json else ("--json",)
    )
    process = words.start()
    while not any(final_files(drive.mount) for drive in drives) and process.poll() is None:
        time.sleep(0.002)
    os.kill(process.pid, getattr(signal, name))
    stopped = words.end(process, limit_s=30)
    assert stopped.code == 130, stopped
    if as_json:
        assert stopped.document["verdict"] != "matched", stopped
    else:
        assert "STOPPED" in stopped.out, stopped
        assert "run the same command again" in stopped.out, stopped
        assert "do not format" in stopped.out, stopped
    check_true(content, drives, intake.catalog)
    before = [set(final_files(drive.mount)) for drive in drives]
    assert any(len(names) < len(content) for names in before), "it was not stopped in the middle"
    again = intake.run()
    assert again.code == 0, again
    check_whole(content, drives, intake.catalog)


def test_stopped_twice_in_a_row_it_leaves_at_once_and_the_same_command_goes_on(
    drives: tuple[Drive, Drive], tmp_path: Path
) -> None:
    """A second Ctrl-C doesn't wait for anything to be put in order."""
    content = fill_card(tmp_path / "card", SIZES)
    intake = Intake(tmp_path / "card", drives, tmp_path / "catalog.db")
    process = intake.start()
    while not any(final_files(drive.mount) for drive in drives) and process.poll() is None:
        time.sleep(0.002)
    os.kill(process.pid, signal.SIGINT)
    time.sleep(0.02)
    os.kill(process.pid, signal.SIGINT)
    stopped = intake.end(process, limit_s=30)
    assert stopped.code == 130, stopped
    check_true(content, drives, intake.catalog)
    again = intake.run()
    assert again.code == 0, again
    check_whole(content, drives, intake.catalog)
