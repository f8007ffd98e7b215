"""One drive's three threads, seen through the engine: what they owe each other, the card, and
whoever waits for them.

Faults are keyed by the thread that makes the call, as in `test_copying_engine_faults`.
"""

from __future__ import annotations

import errno
import os
import resource
import stat
import threading
import time
from collections.abc import Iterator

import pytest
from engine_bench import FOLDER, MIB, NAMES, Bench, content, failing, here, states

from ingest import platforms
from ingest.copying.values import (
    Action,
    CardRead,
    CardState,
    Destination,
    DriveStopped,
    FileTask,
    Progress,
)
from ingest.drives import look_at
from ingest.evidence import State


def read_back_late(bench: Bench) -> None:
    """HERON is read back when all is written."""
    bench.open()
    volume = look_at(str(bench.place / "HERON"))
    bench.folders[0].destination = Destination("HERON", volume, FOLDER, True)


def let_end(freed: threading.Event) -> None:
    """What HERON was stuck in comes back, and its threads end."""
    freed.set()
    for thread in threading.enumerate():
        if thread.name.startswith("HERON"):
            thread.join(30)
            assert not thread.is_alive()


def why_stopped(bench: Bench) -> list[str]:
    return [event.why for event in bench.events if isinstance(event, DriveStopped)]


# Descriptors --------------------------------------------------------------------------------------


@pytest.fixture
def few_descriptors() -> Iterator[None]:
    """No more than 120 may be opened from here on."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    highest = max(map(int, os.listdir("/proc/self/fd")))
    resource.setrlimit(resource.RLIMIT_NOFILE, (highest + 120, hard))
    yield
    resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))


@pytest.mark.parametrize("how", ["late", "slowly"])
def test_more_large_files_than_descriptors_may_wait_to_be_read_back(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, few_descriptors: None, how: str
) -> None:
    """A roll of stills, on a disk that is read back at the end, or slower than it is written."""
    tasks = [bench.put(f"{n:03}.jpg", content(MIB + 1 + n, n)) for n in range(100)]
    if how == "late":
        read_back_late(bench)
    real = os.preadv

    def preadv(fd: int, views: list[memoryview], offset: int) -> int:
        if how == "slowly" and here() == "HERON read back":
            time.sleep(0.02)
        return real(fd, views, offset)

    monkeypatch.setattr(os, "preadv", preadv)
    found = bench.copy(tasks)
    assert why_stopped(bench) == []
    assert {tuple(states(outcome)) for outcome in found.values()} == {(State.MATCHED,)}


def test_a_file_whose_last_bytes_are_refused_leaves_no_handle_open(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Those that make no whole block go by a descriptor of their own."""
    bench.drives = NAMES[:2]
    bench.open()
    task = bench.put("A.mov", content(3 * MIB + 5))
    real = os.pwrite

    def pwrite(fd: int, view: memoryview, offset: int) -> int:
        if here() == "HERON writer" and len(view) < 4096:
            failing()
        return real(fd, view, offset)

    monkeypatch.setattr(os, "pwrite", pwrite)
    before = len(os.listdir("/proc/self/fd"))
    assert states(bench.copy([task])["A.mov"]) == [State.UNVERIFIED, State.MATCHED]
    assert len(os.listdir("/proc/self/fd")) == before


# A drive that refuses -----------------------------------------------------------------------------


@pytest.mark.parametrize("step", ["journal", "folder"])
def test_nothing_matches_any_more_where_a_folder_or_the_journal_could_not_be_flushed(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    """The kernel tells of a failed write once: the next flush of the same folder succeeds, and
    what was lost stays lost. So files that come later claim nothing either."""
    read_back_late(bench)  # all is written before the first is finished
    tasks = [bench.put(f"A/{n:02}.mov", content(2 * MIB + 1, n)) for n in range(20)]
    real = platforms.flush
    failed = threading.Event()

    def flush(fd: int) -> None:
        is_folder = stat.S_ISDIR(os.fstat(fd).st_mode)
        if here() == "HERON finisher" and is_folder == (step == "folder") and not failed.is_set():
            failed.set()
            failing()
        real(fd)

    monkeypatch.setattr(platforms, "flush", flush)
    found = bench.copy(tasks)
    assert failed.is_set()
    assert {tuple(states(outcome)) for outcome in found.values()} == {(State.UNVERIFIED,)}
    assert why_stopped(bench) == ["it gives input/output errors"]


@pytest.mark.parametrize("size", [100, 3 * MIB])
def test_an_error_at_the_close_after_reading_back_is_the_only_word_on_that_file(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, size: int
) -> None:
    """And files read back before it are finished."""
    tasks = [bench.put(f"{name}.mov", content(size + n)) for n, name in enumerate("ABC")]
    bench.open()
    real = os.close

    def close(fd: int) -> None:
        # Each file has a time of its own, by which it is known.
        bad = here() == "HERON read back" and os.fstat(fd).st_mtime_ns == tasks[1].mtime_ns
        real(fd)
        if bad:
            failing()

    monkeypatch.setattr(os, "close", close)
    found = bench.copy(tasks)
    assert states(found["A.mov"]) == [State.MATCHED]
    assert states(found["B.mov"]) == [State.UNVERIFIED]
    assert "B.mov" not in bench.on_drive()


def test_a_drive_that_waits_for_the_card_is_not_taken_for_one_that_gives_no_answer(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A flush failed in the middle of a long clip; the rest of it is still being read. The drive
    can be let go of in good order, its lock and what is half-written included."""
    bench.drives = NAMES[:2]
    tasks = [bench.put("A.mov", content(40 * MIB)), bench.put("B.mov", content(3 * MIB))]
    bench.open()
    really_flush, really_read = platforms.flush_range, os.preadv

    def flush_range(fd: int) -> None:
        if here() == "HERON read back":
            failing()
        really_flush(fd)

    def preadv(fd: int, views: list[memoryview], offset: int) -> int:
        if here() == "card" and offset > 20 * MIB:
            time.sleep(0.3)
        return really_read(fd, views, offset)

    monkeypatch.setattr(platforms, "flush_range", flush_range)
    monkeypatch.setattr(os, "preadv", preadv)
    found = bench.copy(tasks, patience_s=1)
    assert states(found["A.mov"]) == states(found["B.mov"]) == [State.UNVERIFIED, State.MATCHED]
    assert why_stopped(bench) == ["it gives input/output errors"]
    bench.folders[0].release(complete=False)
    assert not [name for name in os.listdir(bench.roll()) if name.startswith(".ingest-lock")]


# All drives gone ----------------------------------------------------------------------------------


def test_a_card_is_read_no_further_when_no_drive_takes_anything_any_more(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nobody waits for the rest of a long card to learn that the drives are full, and the card
    isn't said to have been read."""
    bench.drives = NAMES[:2]
    files = {f"{n:02}.mov": content(9 * MIB, n) for n in range(30)}
    tasks = [bench.put(path, data) for path, data in files.items()]
    monkeypatch.setattr(os, "pwrite", failing)
    found = bench.copy(tasks)
    assert all(states(outcome) == [State.UNVERIFIED] * 2 for outcome in found.values())
    assert found["29.mov"].card is CardState.NOT_REACHED
    last = bench.events[-1]
    assert isinstance(last, Progress)
    assert last.read < sum(map(len, files.values())) / 2
    assert CardRead() not in bench.events


@pytest.mark.parametrize("late", [False, True])
def test_the_only_drive_failing_in_the_middle_of_a_clip_ends_it(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, late: bool
) -> None:
    """Its finisher waits for a read of the card that never comes to its end."""
    if late:
        read_back_late(bench)
    else:
        bench.open()
    tasks = [bench.put(f"{n}.mov", content(40 * MIB, n)) for n in range(3)]
    monkeypatch.setattr(platforms, "flush_range", failing)
    monkeypatch.setattr(platforms, "flush", failing)
    found = bench.copy(tasks)
    assert all(states(outcome) == [State.UNVERIFIED] for outcome in found.values())
    assert bench.on_drive() == {}


def test_the_only_drive_giving_no_answer_ends_it(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Though its thread is there for good."""
    tasks = [bench.put(f"{n}.mov", content(9 * MIB, n)) for n in range(9)]
    freed = threading.Event()

    def pwrite(fd: int, view: memoryview, offset: int) -> int:
        freed.wait(60)
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    monkeypatch.setattr(os, "pwrite", pwrite)
    try:
        found = bench.copy(tasks, patience_s=0.5)
    finally:
        let_end(freed)
    assert all(states(outcome) == [State.UNVERIFIED] for outcome in found.values())
    assert found["8.mov"].card is CardState.NOT_REACHED


# Stopping -----------------------------------------------------------------------------------------


def test_a_drive_that_still_gives_no_answer_when_stopped_is_never_touched_again(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Letting go of it would hang; and its thread, should it wake up, must not find that its
    handles have become somebody else's. The other drive is let go of in good order."""
    bench.drives = NAMES[:2]
    bench.open()
    tasks = [bench.put(f"{n}.mov", content(9 * MIB, n)) for n in range(4)]
    real = os.pwrite
    stop, freed = threading.Event(), threading.Event()

    def pwrite(fd: int, view: memoryview, offset: int) -> int:
        if here() == "HERON writer":
            stop.set()
            freed.wait(60)
        return real(fd, view, offset)

    monkeypatch.setattr(os, "pwrite", pwrite)
    handles = [folder.handle for folder in bench.folders]
    try:
        bench.copy(tasks, stop=stop)
        for folder in bench.folders:
            folder.release(complete=False)
        assert os.path.samestat(os.fstat(handles[0]), os.stat(bench.roll("HERON")))
        assert [name for name in os.listdir(bench.roll("HERON")) if "unfinished" in name]
        assert not [name for name in os.listdir(bench.roll("OTTER")) if "ingest-lock" in name]
    finally:
        let_end(freed)


def test_nothing_is_handed_out_that_a_bug_left_unread(bench: Bench) -> None:
    """A name that no system call takes is refused by Python itself, in the middle of a chunk of
    small files: the run ends with that, and nothing of the chunk has a final name."""
    tasks = [bench.put(f"{n:04}.jpg", content(2000, n)) for n in range(400)]
    tasks[3] = FileTask("no\0name", 2000, 0, (Action.WRITE,))
    with pytest.raises(ValueError, match="null"):
        bench.copy(tasks)
    assert bench.on_drive() == {}
