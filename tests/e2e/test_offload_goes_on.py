"""`ingest offload` when something happens on the way: told as it is, and the same command again
completes it."""

from __future__ import annotations

import errno
import json
import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING

import pytest

from ingest import platforms
from ingest.catalog.catalog import Catalog
from ingest.copying import writing
from ingest.copying.buffers import Buffer
from ingest.jobs.offloading import drives_closed, preparing, running
from ingest.platforms import posix_files

if TYPE_CHECKING:
    from tests.conftest import Ran, Runner

Drives = tuple[Path, Path]
ONE_DISK = ("--same-drive-ok", "--system-disk-ok")
ROLL = "P/A001"
LAYOUT = ("--layout", "{production}/{roll}")


@pytest.fixture
def plain(tmp_path: Path) -> Path:
    """A card with small and large files."""
    place = tmp_path / "A001"
    for number in range(6):
        put(place, f"CLIP/{number}.BIN", bytes([number]) * (10 + number))
    put(place, "CLIP/large.BIN", os.urandom(9_000_001))
    return place


def put(folder: Path, name: str, data: bytes) -> None:
    (folder / name).parent.mkdir(parents=True, exist_ok=True)
    (folder / name).write_bytes(data)


def offload(run: Runner, card: Path, drives: Drives, *words: str) -> Ran:
    to = [word for drive in drives for word in ("--to", str(drive))]
    return run("offload", card, *to, "--production", "P", *LAYOUT, "--json", *words)


def files(folder: Path) -> dict[str, bytes]:
    """Every file in a roll's folder or on a card, but for the hash lists and the lock."""
    return {
        os.fspath(place.relative_to(folder)): place.read_bytes()
        for place in folder.rglob("*")
        if place.is_file() and place.relative_to(folder).parts[0] not in ("ascmhl", ".ingest-lock")
    }


def here() -> str:
    return threading.current_thread().name


def completes(ingest: Runner, card: Path, drives: Drives, *words: str) -> Ran:
    """The same command again: all well, both drives whole, nothing of ours left."""
    ran = offload(ingest, card, drives, *words)
    assert ran.code == 0, ran.out + ran.err
    assert ran.document["verdict"] == "matched"
    for drive in drives:
        assert files(drive / ROLL) == files(card)
        lists = [place.read_text() for place in (drive / ROLL / "ascmhl").glob("*.mhl")]
        for name in files(card):
            assert any(name in text for text in lists), name
    return ran


# Drives -------------------------------------------------------------------------------------------


def test_a_bit_that_fell_over_is_a_problem_and_written_again(
    ingest: Runner, apart: None, plain: Path, drives: Drives, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Exit 3, the file and the drive named, no final name there; the screen says that the card
    is still needed."""
    real, spare = writing._write_at, Buffer()

    def write_at(fd: int, view: memoryview, offset: int, *, direct: bool = False) -> None:
        if here() == "HERON writer" and len(view) > 1_000_000 and offset == 0:
            bad = spare.view[: len(view)]
            bad[:] = view
            bad[12345] ^= 1
            view = bad
        real(fd, view, offset, direct=direct)

    with monkeypatch.context() as lying:
        lying.setattr(writing, "_write_at", write_at)
        ran = offload(ingest, plain, drives)
    assert ran.code == 3
    told = ran.document
    assert told["verdict"] == "problem"
    assert [(p["path"], p["drive"], p["state"]) for p in told["problems"]] == [
        ("CLIP/large.BIN", "HERON", "mismatch")
    ]
    assert [drive["problems"] for drive in told["drives"]] == [1, 0]
    assert [drive["files_matched"] for drive in told["drives"]] == [6, 7]
    assert "CLIP/large.BIN" not in files(drives[0] / ROLL)
    assert files(drives[1] / ROLL) == files(plain)
    again = completes(ingest, plain, drives)
    assert [drive["files_matched"] for drive in again.document["drives"]] == [7, 7]


@pytest.mark.parametrize("after", [0, 30, 5_000_000])
def test_a_full_drive_is_unfinished_and_the_other_is_whole(
    ingest: Runner,
    apart: None,
    plain: Path,
    drives: Drives,
    monkeypatch: pytest.MonkeyPatch,
    after: int,
) -> None:
    """Exit 4, whatever had been written by then; then there is room again."""
    real = os.pwrite
    written = [0]

    def pwrite(fd: int, view: memoryview, offset: int) -> int:
        if here() == "HERON writer":
            if written[0] >= after:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            written[0] += len(view)
        return real(fd, view, offset)

    with monkeypatch.context() as full:
        full.setattr(os, "pwrite", pwrite)
        ran = offload(ingest, plain, drives)
    assert ran.code == 4
    assert ran.document["verdict"] == "problem"
    assert ran.document["drives"][0]["stopped"] == "it is full"
    assert ran.document["drives"][1]["stopped"] == ""
    assert {problem["drive"] for problem in ran.document["problems"]} == {"HERON"}
    assert files(drives[1] / ROLL) == files(plain)
    completes(ingest, plain, drives)


@pytest.mark.parametrize(("at", "code"), [(preparing, 2), (running, 4)])
def test_a_drive_that_refuses_while_its_folder_is_looked_at_is_told_alike(
    ingest: Runner,
    apart: None,
    plain: Path,
    drives: Drives,
    monkeypatch: pytest.MonkeyPatch,
    at: ModuleType,
    code: int,
) -> None:
    """Before anything was done, and once more when the folder is held: what, where, what to do."""
    put(drives[0] / ROLL, "somebody's.txt", b"left by hand")

    def refuses(*_: object) -> None:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    with monkeypatch.context() as failing:
        failing.setattr(at, "take_stock", refuses)
        ran = offload(ingest, plain, drives)
    assert ran.code == code
    assert ran.document["error"]["what"] == (
        f"{drives[0]}/{ROLL} can't be looked at: Input/output error."
    )
    assert "plugged in and mounted" in ran.document["error"]["do"][0]


def test_a_drive_that_filled_since_the_plan_says_how_much_room_it_lacks(
    ingest: Runner, apart: None, plain: Path, drives: Drives, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another program took the room while somebody read the plan: exit 4, nothing about cables."""
    mkdir, room = os.mkdir, posix_files.room
    taken = []

    def refuses(path: str, mode: int = 0o777, *, dir_fd: int | None = None) -> None:
        if path.startswith(".ingest-lock"):
            taken.append(path)
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        mkdir(path, mode, dir_fd=dir_fd)

    def left(folder: int) -> tuple[int, int, bool]:
        total, free, read_only = room(folder)
        return total, 1_000_000 if taken else free, read_only

    with monkeypatch.context() as full:
        full.setattr(os, "mkdir", refuses)
        full.setattr(posix_files, "room", left)
        ran = offload(ingest, plain, drives)
    assert ran.code == 4
    # 9 MB of files, some 4 MB for lists and folders, 1 MB free.
    said = re.search(r"HERON is full: (12\.\d) MB more room is needed\.\nDo: (.*)", ran.err)
    assert said is not None, ran.err
    assert said[2].startswith("make room on it, then run the same command again")
    completes(ingest, plain, drives)


def test_a_hash_list_for_which_no_room_is_left_says_so(
    ingest: Runner, apart: None, plain: Path, drives: Drives, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In a crew's words; the footage stands, and the list is written by the same command."""

    def refuses(*_: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), "ascmhl")

    with monkeypatch.context() as full:
        full.setattr(drives_closed, "list_roll", refuses)
        ran = offload(ingest, plain, drives)
    assert ran.code == 4
    assert [drive["stopped"] for drive in ran.document["drives"]] == [
        "the hash list can't be written: it is full"
    ] * 2
    completes(ingest, plain, drives)


def test_a_roll_that_another_run_fills_is_refused(
    ingest: Runner, apart: None, plain: Path, drives: Drives
) -> None:
    """Exit 2, and how to take it over when that run is known to have ended."""
    lock = drives[1] / ROLL / ".ingest-lock"
    lock.mkdir(parents=True)
    owner = {"run": "a" * 16, "host": "another-cart", "boot": "x", "pid": 1}
    (lock / "owner.json").write_text(json.dumps(owner))
    ran = offload(ingest, plain, drives)
    assert ran.code == 2
    assert "another-cart" in ran.err
    assert "--take-over" in ran.err
    assert json.loads((lock / "owner.json").read_text()) == owner
    completes(ingest, plain, drives, "--take-over")


def test_a_drive_pulled_between_plan_and_start_is_refused(
    ingest: Runner,
    apart: None,
    plain: Path,
    drives: Drives,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """What is mounted there now isn't what was planned for: nothing is copied to it."""
    from dataclasses import replace

    from ingest import drives as module
    from ingest.jobs.offloading import running

    real_look, real_run = module.look_at, running.run_offload
    swapped = []

    def look_at(path: str) -> module.Volume:
        seen = real_look(path)
        return replace(seen, mount="another") if swapped and "OTTER" in seen.root else seen

    def run_offload(*words: object, **named: object) -> object:
        swapped.append(1)
        return real_run(*words, **named)  # type: ignore[arg-type]

    monkeypatch.setattr(module, "look_at", look_at)
    monkeypatch.setattr("ingest.jobs.offloading.together.run_offload", run_offload)
    ran = offload(ingest, plain, drives)
    assert ran.code == 2
    assert "OTTER" in ran.err
    assert not (drives[0] / "P").exists()
    assert not (drives[1] / "P").exists()


# The card -----------------------------------------------------------------------------------------


def test_an_unreadable_file_is_a_problem_and_the_rest_is_saved(
    ingest: Runner, apart: None, plain: Path, drives: Drives, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Exit 3; what could be read of it is kept beside its place, never under its name. When it
    can be read after all, it is copied."""
    real = os.preadv
    inode = (plain / "CLIP" / "large.BIN").stat().st_ino

    def preadv(fd: int, views: list[memoryview], offset: int) -> int:
        if os.fstat(fd).st_ino == inode and offset + len(views[0]) > 5_000_000 > offset:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return real(fd, views, offset)

    with monkeypatch.context() as dying:
        dying.setattr(os, "preadv", preadv)
        ran = offload(ingest, plain, drives)
    assert ran.code == 3
    (problem,) = ran.document["problems"]
    assert (problem["path"], problem["drive"], problem["state"]) == (
        "CLIP/large.BIN",
        None,
        "unreadable",
    )
    assert "4096 of 9000001 bytes missing" in problem["detail"]
    whole = (plain / "CLIP" / "large.BIN").read_bytes()
    hole = 5_000_000 // 4096 * 4096
    for drive in drives:
        there = files(drive / ROLL)
        assert "CLIP/large.BIN" not in there
        kept = there.pop("CLIP/large.BIN.damaged")
        assert kept[:hole] == whole[:hole]
        assert kept[hole + 4096 :] == whole[hole + 4096 :]
        assert len(kept) == len(whole)
        assert {f"CLIP/{n}.BIN" for n in range(6)} <= set(there)
        assert "large" not in "".join(
            place.read_text() for place in (drive / ROLL / "ascmhl").glob("*.mhl")
        )
    ran = offload(ingest, plain, drives)
    assert ran.code == 0, ran.err
    for drive in drives:
        assert files(drive / ROLL) == files(plain) | {"CLIP/large.BIN.damaged": kept}


@pytest.mark.parametrize(
    ("change", "state"),
    [
        (lambda card: put(card, "CLIP/9.BIN", b"new"), "appeared"),
        (lambda card: (card / "CLIP" / "0.BIN").unlink(), "vanished"),
        (lambda card: put(card, "CLIP/0.BIN", b"longer than before"), "changed"),
        (lambda card: os.utime(card / "CLIP" / "0.BIN", ns=(1, 1)), "changed"),
    ],
    ids=["appeared", "vanished", "rewritten", "touched"],
)
def test_a_card_that_changed_while_it_was_copied_is_a_problem(
    ingest: Runner,
    apart: None,
    plain: Path,
    drives: Drives,
    monkeypatch: pytest.MonkeyPatch,
    change: Callable[[Path], object],
    state: str,
) -> None:
    """Looked at again at the end: exit 3, the file named, never a footnote."""
    real = platforms.flush_volume
    done = []

    def flush_volume(fd: int) -> None:
        if here() == "HERON writer" and not done:
            done.append(change(plain))
        real(fd)

    monkeypatch.setattr(platforms, "flush_volume", flush_volume)
    ran = offload(ingest, plain, drives)
    assert ran.code == 3
    assert ran.document["verdict"] == "problem"
    assert [(p["drive"], p["state"]) for p in ran.document["problems"]] == [(None, state)]


def test_two_reads_of_the_card_that_differ_are_a_problem(
    ingest: Runner, apart: None, plain: Path, drives: Drives, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Only `--reread` can know: one read proves what the reader delivered, not what the card
    holds."""
    real = os.preadv
    inode = (plain / "CLIP" / "large.BIN").stat().st_ino

    def preadv(fd: int, views: list[memoryview], offset: int) -> int:
        count = real(fd, views, offset)
        if here().startswith("card") and os.fstat(fd).st_ino == inode and offset == 0:
            views[0][77] ^= 1
        return count

    monkeypatch.setattr(os, "preadv", preadv)
    ran = offload(ingest, plain, drives, "--reread")
    assert ran.code == 3
    (problem,) = ran.document["problems"]
    assert (problem["path"], problem["drive"], problem["state"]) == (
        "CLIP/large.BIN",
        None,
        "changed",
    )
    with Catalog.open(os.environ["INGEST_CATALOG"]) as catalog:
        (roll,) = catalog.rolls()
        (file,) = (one for one in catalog.files([roll]) if one.path == "CLIP/large.BIN")
        ((kind, digest),) = catalog.read_again([roll])[file.id]
    assert digest != file.digests[kind]


# Stopped ------------------------------------------------------------------------------------------

SLOW = """
import os, sys, time
real = os.pwrite
def pwrite(fd, view, offset):
    time.sleep(0.03)
    return real(fd, view, offset)
os.pwrite = pwrite
from ingest.cli.main import entry
sys.argv[0] = "ingest"
entry()
"""


def begun(card: Path, drives: Drives) -> subprocess.Popen[bytes]:
    """A real program that offloads slowly; it has copied some files by now, and not all."""
    to = [word for drive in drives for word in ("--to", str(drive))]
    words = ["offload", str(card), *to, *ONE_DISK, "--production", "P", *LAYOUT, "--json"]
    child = subprocess.Popen(
        [sys.executable, "-c", SLOW, *words],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    end = time.monotonic() + 60
    while len(list((drives[0] / ROLL).glob("CLIP/*.BIN"))) < 3:
        assert time.monotonic() < end
        assert child.poll() is None, child.communicate()
        time.sleep(0.01)
    return child


@pytest.fixture
def long(tmp_path: Path) -> Path:
    """A card of many files that take a while when each write waits a little."""
    place = tmp_path / "A001"
    for number in range(24):
        put(place, f"CLIP/{number:03}.BIN", os.urandom(1_100_000 + number))
    return place


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGKILL"])
def test_a_program_that_is_stopped_goes_on_when_it_is_run_again(
    program: Runner, long: Path, drives: Drives, name: str
) -> None:
    """Ctrl-C and SIGTERM end in good order with 130 and one document; after a kill nobody could
    say anything. Either way what has a final name is whole, and the same command completes it."""
    child = begun(long, drives)
    child.send_signal(getattr(signal, name))
    out, err = child.communicate(timeout=60)
    if name == "SIGKILL":
        assert child.returncode == -signal.SIGKILL
    else:
        assert child.returncode == 130, err
        told = json.loads(out)
        assert told["verdict"] == "problem"
        assert b"Traceback" not in err
    whole = files(long)
    for drive in drives:
        there = {path: data for path, data in files(drive / ROLL).items() if "CLIP/0" in path}
        assert 0 < len(there) < len(whole)
        assert all(whole[path] == data for path, data in there.items())
    ran = program(
        "offload", long, "--to", drives[0], "--to", drives[1], *ONE_DISK,
        "--production", "P", *LAYOUT, "--json",
    )  # fmt: skip
    assert ran.code == 3, ran.err
    told = ran.document
    assert (told["verdict"], told["roll"], told["problems"]) == ("matched", "A001", [])
    assert [drive["files_matched"] for drive in told["drives"]] == [24, 24]
    if name != "SIGKILL":
        assert told["known"] > 0
    for drive in drives:
        assert files(drive / ROLL) == whole
        lists = [place.read_text() for place in (drive / ROLL / "ascmhl").glob("*.mhl")]
        for path in whole:
            assert any(path in text for text in lists), path


def test_a_new_drive_that_lacks_an_earlier_roll_of_the_card_is_told_of(
    ingest: Runner, plain: Path, drives: Drives, tmp_path: Path
) -> None:
    """The card holds two rolls; a further drive gets the last one, and nobody may think more."""
    assert offload(ingest, plain, drives, *ONE_DISK).code == 3
    put(plain, "CLIP/late.BIN", b"shot the day after")
    assert offload(ingest, plain, drives, *ONE_DISK, "--roll", "A002", "--day", "2").code == 3
    third = tmp_path / "third"
    third.mkdir()
    ran = ingest(
        *("offload", plain, "--to", third, "--production", "P", *LAYOUT, *ONE_DISK, "--json")
    )
    assert ran.code == 3
    assert files(third / "P" / "A002") == {"CLIP/late.BIN": b"shot the day after"}
    assert ran.document["lacking"] == [{"drive": "third", "roll": "A001"}]
