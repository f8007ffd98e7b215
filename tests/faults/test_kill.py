"""Killed at random moments, an offload leaves only truth, and the same command goes on."""

from __future__ import annotations

import os
import random
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from laboratory.intake import (
    CardContent,
    Intake,
    check_true,
    check_whole,
    empty,
    fill_card,
    final_files,
    looks,
    seeds,
)
from laboratory.loops import MIB, Drive, loop_drive

pytestmark = [pytest.mark.laboratory, pytest.mark.long]

SIZES = {
    **{f"CLIP/A{number:03}.BIN": 9 * MIB + number for number in range(5)},
    **{f"CLIP/A{number:03}.XML": 1500 + number for number in range(5)},
    **{f"STILLS/S{number:04}.DAT": 40_000 + number for number in range(150)},
    "LONG.BIN": 40 * MIB + 1,
    "EMPTY": 0,
}


@pytest.fixture(scope="module")
def drives() -> Iterator[tuple[Drive, Drive]]:
    with loop_drive(192, name="a") as a, loop_drive(192, name="b") as b:
        yield a, b


@pytest.fixture(scope="module")
def card(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, CardContent]:
    card = tmp_path_factory.mktemp("killed") / "card"
    return card, fill_card(card, SIZES)


def stamps(root: Drive) -> dict[str, tuple[int, int, int]]:
    """What changes when a file is written anew: inode, modification and change time."""
    found = {}
    for path, place in final_files(root.mount).items():
        info = place.stat()
        found[path] = (info.st_ino, info.st_mtime_ns, info.st_ctime_ns)
    return found


@pytest.mark.parametrize("seed", seeds(8))
def test_killed_at_any_moment_the_same_command_goes_on_and_copies_nothing_twice(
    seed: int, drives: tuple[Drive, Drive], card: tuple[Path, CardContent], tmp_path: Path
) -> None:
    """One to three kills in a row, each at a random moment of the writing, then a run to the
    end."""
    folder, content = card
    draw = random.Random(seed)
    for drive in drives:
        empty(drive.mount)
    intake = Intake(folder, drives, tmp_path / "catalog.db")
    for _ in range(draw.randint(1, 3)):
        before = [stamps(drive) for drive in drives]
        process = intake.start()
        _wait_for_a_moment(process.pid, drives, draw)
        os.kill(process.pid, signal.SIGKILL)
        killed = intake.end(process)
        assert killed.code in (-signal.SIGKILL, 0), killed
        check_true(content, drives, intake.catalog)
        for drive, was in zip(drives, before, strict=True):
            now = stamps(drive)
            assert {path: now.get(path) for path in was} == was, "a file was written twice"
    told = {(look.marker, look.file) for look in looks(intake.catalog) if look.state == "matched"}
    before = [stamps(drive) for drive in drives]
    done = intake.run()
    assert done.code == 0, done
    check_whole(content, drives, intake.catalog)
    for drive, was in zip(drives, before, strict=True):
        now = stamps(drive)
        assert {path: now[path] for path in was} == was, "a file was written twice"
    print(f"seed {seed}: {[len(was) for was in before]} files stood, {len(told)} matches recorded")


def _wait_for_a_moment(pid: int, drives: tuple[Drive, Drive], draw: random.Random) -> None:
    """Until a random part of the card's bytes is on the drives (or the run has ended), and a
    random moment more; one in five anywhere from the start on."""
    if draw.random() < 0.2:
        time.sleep(draw.uniform(0.05, 1.5))
        return
    wanted = _used(drives) + draw.random() * 2 * sum(SIZES.values())
    end = time.monotonic() + 60
    while _used(drives) < wanted and time.monotonic() < end and _runs(pid):
        time.sleep(0.002)
    time.sleep(draw.random() * 0.08)


def _used(drives: tuple[Drive, Drive]) -> int:
    used = 0
    for drive in drives:
        room = os.statvfs(drive.mount)
        used += (room.f_blocks - room.f_bfree) * room.f_frsize
    return used


def _runs(pid: int) -> bool:
    with open(f"/proc/{pid}/stat", encoding="ascii", errors="replace") as file:
        return file.read().rpartition(")")[2].split()[0] != "Z"
