"""A drive fails in the middle of an offload: it stops with a clear line, the other gets
everything, and the same command goes on when the drive is mended."""

from __future__ import annotations

import os
import signal
import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from laboratory import breaking
from laboratory.intake import (
    CardContent,
    Intake,
    check_true,
    check_whole,
    fill_card,
    final_files,
)
from laboratory.loops import MIB, Drive, loop_drive, unmount

from ingest import drives as volumes
from ingest.copying.engine import copy
from ingest.copying.reading import open_root
from ingest.copying.roll_folder import RollFolder
from ingest.copying.values import (
    Action,
    CardState,
    Destination,
    DriveStopped,
    Event,
    FileTask,
)
from ingest.evidence import State

pytestmark = [pytest.mark.laboratory, pytest.mark.long]

SIZES = {
    **{f"CLIP/A{number:03}.BIN": 10 * MIB + number for number in range(9)},
    **{f"STILLS/S{number:04}.DAT": 50_000 + number for number in range(100)},
}


@pytest.fixture
def pair() -> Iterator[tuple[Drive, Drive]]:
    with loop_drive(160, name="a") as a, loop_drive(160, name="b") as b:
        yield a, b


@pytest.fixture
def content(tmp_path: Path) -> CardContent:
    return fill_card(tmp_path / "card", SIZES)


@pytest.fixture
def intake(tmp_path: Path, content: CardContent, pair: tuple[Drive, Drive]) -> Intake:
    return Intake(tmp_path / "card", pair, tmp_path / "catalog.db")


def in_the_middle(intake: Intake, drive: Drive) -> subprocess.Popen[str]:
    """An offload, held still (SIGSTOP) when its first file has its final name on the drive and
    more are to come."""
    process = intake.start()
    breaking.when(process, breaking.some_files(drive, 1))
    os.kill(process.pid, signal.SIGSTOP)
    count = len(final_files(drive.mount))
    assert count < len(SIZES), "it was too quick to be caught in the middle"
    return process


def go_on(process: subprocess.Popen[str]) -> None:
    os.kill(process.pid, signal.SIGCONT)


def test_a_drive_that_fills_stops_clearly_and_the_other_gets_everything(
    intake: Intake, content: CardContent, pair: tuple[Drive, Drive]
) -> None:
    """Another program eats the room; where it gives back as much as was said to be lacking, the
    same command goes on."""
    full, other = pair
    process = in_the_middle(intake, full)
    film = breaking.fill_up(full)
    go_on(process)
    done = intake.end(process)
    assert done.code == 4, done
    assert "full" in done.drive(full)["stopped"], done
    assert done.drive(other)["stopped"] == "", done
    assert done.drive(other)["files_matched"] == len(content), done
    check_true(content, pair, intake.catalog)
    check_whole(content, [other], intake.catalog, clean=False)
    lacking = done.drive(full)["room_needed"] - done.drive(full)["room_free"]
    assert lacking > 0, done
    os.truncate(film, os.path.getsize(film) - lacking)
    again = intake.run()
    assert again.code == 0, again
    check_whole(content, pair, intake.catalog)


def test_a_drive_that_dies_stops_clearly_and_the_other_gets_everything(
    intake: Intake, content: CardContent, pair: tuple[Drive, Drive], tmp_path: Path
) -> None:
    """Reads and writes both fail; a new drive in its place gets everything by the same command."""
    dead, other = pair
    process = in_the_middle(intake, dead)
    breaking.kill_device(dead)
    go_on(process)
    done = intake.end(process)
    assert done.code in (3, 4), done
    assert done.drive(dead)["stopped"] != "", done
    assert done.drive(other)["files_matched"] == len(content), done
    check_whole(content, [other], intake.catalog, clean=False)
    with loop_drive(160, name="c") as new:
        instead = Intake(intake.card, [new, other], intake.catalog)
        again = instead.run()
        assert again.code == 0, again
        check_whole(content, [new, other], intake.catalog)


def test_a_drive_that_is_unmounted_never_lets_a_byte_fall_on_the_disk_beneath(
    intake: Intake, content: CardContent, pair: tuple[Drive, Drive]
) -> None:
    """Taken off in the middle, in the way that leaves open files alive: what the program says of
    it is true of that drive, and its mount point stays empty."""
    gone, other = pair
    process = in_the_middle(intake, gone)
    subprocess.run(["umount", "--lazy", gone.mount], check=True)
    assert not os.path.ismount(gone.mount)
    go_on(process)
    done = intake.end(process)
    assert list(gone.mount.iterdir()) == [], "something was written beneath the mount point"
    assert done.code in (0, 3, 4), done
    assert done.drive(other)["files_matched"] == len(content), done
    breaking.plug_in_again(gone)
    check_true(content, pair, intake.catalog)
    check_whole(content, [other], intake.catalog, clean=False)
    again = intake.run()
    assert again.code == 0, again
    check_whole(content, pair, intake.catalog)


def test_a_drive_that_is_not_mounted_at_the_start_is_refused_and_nothing_is_written_beneath(
    intake: Intake, pair: tuple[Drive, Drive], tmp_path: Path
) -> None:
    """Its mount point is a folder of this computer's disk then."""
    empty_point = tmp_path / "drive"
    empty_point.mkdir()
    there, _ = pair
    done = Intake(intake.card, [there, empty_point], intake.catalog).run()
    assert done.code == 2, done
    assert list(empty_point.iterdir()) == []
    assert final_files(there.mount) == {}


def test_a_drive_that_becomes_read_only_stops_clearly_and_the_other_gets_everything(
    intake: Intake, content: CardContent, pair: tuple[Drive, Drive]
) -> None:
    """The file system gives up writing, as after errors of its device."""
    stuck, other = pair
    process = in_the_middle(intake, stuck)
    breaking.make_read_only(stuck)
    go_on(process)
    done = intake.end(process)
    # 3 when a flush failed under a file that was just being written: that copy is unreadable.
    assert done.code in (3, 4), done
    assert "read-only" in done.drive(stuck)["stopped"], done
    assert done.drive(other)["files_matched"] == len(content), done
    check_true(content, pair, intake.catalog)
    check_whole(content, [other], intake.catalog, clean=False)
    unmount(stuck.mount)
    subprocess.run(["fsck.ext4", "-f", "-y", stuck.device], capture_output=True)
    breaking.plug_in_again(stuck)
    again = intake.run()
    assert again.code == 0, again
    check_whole(content, pair, intake.catalog)


def test_a_drive_that_never_answers_is_given_up_and_the_other_gets_everything(
    tmp_path: Path, content: CardContent, pair: tuple[Drive, Drive]
) -> None:
    """The engine waits as long as it was told, then counts on the other drive alone."""
    silent, other = pair
    card = tmp_path / "card"
    tasks = [
        FileTask(
            path,
            (card / path).stat().st_size,
            (card / path).stat().st_mtime_ns,
            (Action.WRITE, Action.WRITE),
        )
        for path in sorted(content)
    ]
    events: list[Event] = []
    roots = [open_root(str(drive.mount)) for drive in pair]
    handle = open_root(str(card))
    folders = [
        RollFolder(
            root,
            Destination(drive.mount.name, volumes.look_at(str(drive.mount)), "Salt/D01/A001"),
            "0123456789abcdef",
        )
        for drive, root in zip(pair, roots, strict=True)
    ]
    with breaking.freeze(silent):
        outcomes = list(
            copy(
                handle,
                volumes.look_at(str(card)),
                tasks,
                folders,
                kinds=["xxh128"],
                stop=threading.Event(),
                tell=events.append,
                patience_s=3.0,
            )
        )
    stopped = [event for event in events if isinstance(event, DriveStopped)]
    assert [event.drive for event in stopped] == [0], stopped
    assert "no answer" in stopped[0].why
    assert {outcome.path for outcome in outcomes} == set(content)
    for outcome in outcomes:
        assert outcome.card is CardState.READ, outcome
        states = {one.drive: one.state for one in outcome.copies}
        assert states == {0: State.UNVERIFIED, 1: State.MATCHED}, outcome
    for path, place in final_files(other.mount).items():
        assert place.read_bytes() == content[path]
    assert set(final_files(other.mount)) == set(content)
    for folder in folders:
        folder.release(complete=False)
    for fd in (*roots, handle):
        os.close(fd)
