"""The engine when a card gives less, a drive fails, or one lies: nothing is said to match that
wasn't compared.

Faults are small wrappers around one call of the operating system, keyed by the thread that makes
it (`card ...`, `HERON writer`, `HERON read back`), so that one drive fails and the other doesn't.
"""

from __future__ import annotations

import errno
import os
import threading
import time
from collections.abc import Iterable
from dataclasses import replace

import pytest
from engine_bench import MIB, NAMES, TIME, Bench, content, failing, here, states

from ingest import platforms
from ingest.copying import engine, writing
from ingest.copying.buffers import Buffer
from ingest.copying.journal import Entry, read_journal
from ingest.copying.values import (
    COMPARED,
    CardState,
    CopyMatched,
    DriveStopped,
    Event,
)
from ingest.evidence import Route, State

# Direct transfers refused ----------------------------------------------------------------------


@pytest.mark.skipif(not hasattr(os, "O_DIRECT"), reason="needs O_DIRECT")
@pytest.mark.parametrize("refused", ["preadv", "pwrite"])
def test_a_direct_transfer_refused_after_an_open_that_was_not_goes_through_the_cache(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, refused: str
) -> None:
    """All is copied; what was read so is never said to come from the medium (open(2), O_DIRECT:
    a file system may refuse either)."""
    import fcntl

    real = getattr(os, refused)
    met: set[str] = set()

    def transfer(fd: int, *words: object) -> int:
        if fcntl.fcntl(fd, fcntl.F_GETFL) & os.O_DIRECT:
            met.add(here().split()[-1])
            raise OSError(errno.EINVAL, os.strerror(errno.EINVAL))
        return int(real(fd, *words))

    monkeypatch.setattr(os, refused, transfer)
    sizes = {"small.mov": 5000, "odd.mov": 9 * MIB + 77, "even.mov": 6 * MIB}
    tasks = [bench.put(name, content(size)) for name, size in sizes.items()]
    found = bench.copy(tasks)
    if not met:
        pytest.skip("this file system refuses direct transfers at the open")
    for name, size in sizes.items():
        assert states(found[name]) == [State.MATCHED]
        assert (bench.roll() / name).read_bytes() == content(size)
        if refused == "preadv":
            assert found[name].copies[0].route is Route.CACHE_POSSIBLE
    assert met == ({"card", "back"} if refused == "preadv" else {"writer"})


# A card that gives less ----------------------------------------------------------------------


@pytest.mark.parametrize("size", [100, 9 * MIB])
@pytest.mark.parametrize(
    "how", ["grew", "shrank", "vanished", "a link", "a folder", "a pipe", "rewritten"]
)
def test_a_file_that_is_another_one_than_the_inventory_saw_is_told(
    bench: Bench, how: str, size: int
) -> None:
    """It gets no final name, and the files around it are whole."""
    before = bench.put("A.mov", content(5000))
    task = bench.put("B.mov", content(size))
    after = bench.put("C.mov", content(2 * MIB))
    place = bench.card / "B.mov"
    if how == "grew":
        place.write_bytes(content(size) + b"!")
    elif how == "shrank":
        os.truncate(place, size - 1)
    elif how == "rewritten":
        place.write_bytes(content(size, 7))
    else:
        place.unlink()
        if how == "a link":
            place.symlink_to("C.mov")
        elif how == "a folder":
            place.mkdir()
        elif how == "a pipe":
            os.mkfifo(place)
    found = bench.copy([before, task, after])
    outcome = found["B.mov"]
    changed = {"grew", "shrank", "vanished", "rewritten"}
    assert outcome.card is (CardState.CHANGED if how in changed else CardState.UNREADABLE)
    assert outcome.detail
    assert not outcome.copies
    assert not outcome.digests
    assert set(bench.on_drive()) == {"A.mov", "C.mov"}
    assert states(found["A.mov"]) == states(found["C.mov"]) == [State.MATCHED]


@pytest.mark.parametrize("size", [4096, MIB + 1, 9 * MIB])
@pytest.mark.parametrize("how", ["grew", "rewritten", "touched"])
def test_a_file_that_changes_while_it_is_read_is_told(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, size: int, how: str
) -> None:
    """Its second look, after the last byte, differs from the inventory."""
    tasks = [bench.put("A.mov", content(size)), bench.put("B.mov", content(3 * MIB))]
    place = bench.card / "A.mov"
    real = os.preadv
    inode = place.stat().st_ino
    done = []

    def preadv(fd: int, views: list[memoryview], offset: int) -> int:
        count = real(fd, views, offset)
        if here().startswith("card") and os.fstat(fd).st_ino == inode and not done:
            done.append(1)
            if how == "touched":
                os.utime(place, ns=(TIME, TIME - 1))
            else:
                with place.open("r+b") as file:
                    file.seek(0, os.SEEK_END if how == "grew" else os.SEEK_SET)
                    file.write(b"!")
        return count

    monkeypatch.setattr(os, "preadv", preadv)
    found = bench.copy(tasks)
    assert found["A.mov"].card is CardState.CHANGED
    assert not found["A.mov"].copies
    assert bench.on_drive() == {"B.mov": content(3 * MIB)}


@pytest.mark.parametrize("size", [100, 9 * MIB])
def test_a_file_that_cannot_be_opened_leaves_the_others_alone(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, size: int
) -> None:
    """Told as unreadable, with the system's reason."""
    tasks = [bench.put(name, content(size)) for name in ("A.mov", "B.mov", "C.mov")]
    real = platforms.open_cold

    def open_cold(name: str, folder: int, *, direct: bool = True) -> tuple[int, bool]:
        if here().startswith("card") and name == "B.mov":
            raise OSError(errno.EACCES, os.strerror(errno.EACCES))
        return real(name, folder, direct=direct)

    monkeypatch.setattr(platforms, "open_cold", open_cold)
    found = bench.copy(tasks)
    assert found["B.mov"].card is CardState.UNREADABLE
    assert found["B.mov"].detail == "Permission denied"
    assert set(bench.on_drive()) == {"A.mov", "C.mov"}


@pytest.mark.parametrize("bad", [0, 4 * MIB, 16 * MIB, 20 * MIB])
def test_a_file_that_breaks_off_while_it_is_read_gets_no_name(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, bad: int
) -> None:
    """Wherever the bad spot lies, also when ranges before it were already read back."""
    bench.drives = NAMES[:2]
    tasks = [
        bench.put("A.mov", content(24 * MIB)),
        bench.put("B.mov", content(10)),
        bench.put("C.mov", content(9 * MIB)),
    ]
    real = os.preadv
    inode = (bench.card / "A.mov").stat().st_ino

    def preadv(fd: int, views: list[memoryview], offset: int) -> int:
        if here().startswith("card") and offset >= bad and os.fstat(fd).st_ino == inode:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return real(fd, views, offset)

    monkeypatch.setattr(os, "preadv", preadv)
    found = bench.copy(tasks)
    assert found["A.mov"].card is CardState.UNREADABLE
    for drive in bench.drives:
        assert bench.on_drive(drive) == {"B.mov": content(10), "C.mov": content(9 * MIB)}
        assert not [name for name in os.listdir(bench.roll(drive)) if "unfinished" in name]
    assert not [event for event in bench.events if isinstance(event, DriveStopped)]


# A drive that fails -------------------------------------------------------------------------------


@pytest.mark.parametrize("after", [0, 100, 5 * MIB, 11 * MIB, 30 * MIB])
@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EIO])
def test_a_drive_that_takes_no_more_stops_and_the_other_gets_everything(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, after: int, number: int
) -> None:
    """Full or broken after so many bytes: what it had stays true, nothing half has a final name,
    and no buffer is lost (the memory is smaller than the card)."""
    bench.drives = NAMES[:2]
    files = {f"{n}.mov": content(size, n) for n, size in enumerate((10, 9 * MIB, 5000, 25 * MIB))}
    tasks = [bench.put(path, data) for path, data in files.items()]
    real = os.pwrite
    written = [0]

    def pwrite(fd: int, view: memoryview, offset: int) -> int:
        if here() == "HERON writer":
            if written[0] >= after:
                raise OSError(number, os.strerror(number))
            written[0] += len(view)
        return real(fd, view, offset)

    monkeypatch.setattr(os, "pwrite", pwrite)
    handles = len(os.listdir("/proc/self/fd"))
    bench.open()
    opened = len(os.listdir("/proc/self/fd"))
    found = bench.copy(tasks)
    assert len(os.listdir("/proc/self/fd")) == opened > handles
    assert bench.on_drive("OTTER") == files
    there = bench.on_drive("HERON")
    for path, outcome in found.items():
        mine, other = outcome.copies
        assert other.state is State.MATCHED
        assert mine.state in (State.MATCHED, State.UNVERIFIED)
        assert (path in there) == (mine.state is State.MATCHED)
        if path in there:
            assert there[path] == files[path]
        else:
            assert mine.detail
    assert "3.mov" not in there
    (stopped,) = [event for event in bench.events if isinstance(event, DriveStopped)]
    assert stopped.drive == 0
    assert stopped.why == {
        errno.ENOSPC: "it is full",
        errno.EIO: "it gives input/output errors",
    }.get(number)


@pytest.mark.parametrize("call", ["flush", "flush_range", "flush_volume", "rename_new", "journal"])
def test_a_step_that_fails_on_one_drive_makes_nothing_match_there(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, call: str
) -> None:
    """A flush that failed is never taken for one that worked, nor a rename."""
    bench.drives = NAMES[:2]
    files = {"large.mov": content(20 * MIB), "small.jpg": content(100)}
    tasks = [bench.put(path, data) for path, data in files.items()]
    bench.open()
    if call == "journal":
        monkeypatch.setattr(bench.folders[0].journal, "add", failing)
    else:
        real = getattr(platforms, call)

        def on_heron(*words: object, **named: object) -> object:
            if here().startswith("HERON"):
                raise OSError(errno.EIO, os.strerror(errno.EIO))
            return real(*words, **named)

        monkeypatch.setattr(platforms, call, on_heron)
    found = bench.copy(tasks)
    assert bench.on_drive("OTTER") == files
    touched = {"flush_range": ["large.mov"], "flush_volume": ["small.jpg"]}.get(call, list(files))
    for path in touched:
        mine, other = found[path].copies
        assert mine.state is not State.MATCHED
        assert other.state is State.MATCHED
        if call != "flush":
            # A folder's flush comes after the rename: the name stands, and nothing is claimed.
            assert path not in bench.on_drive("HERON")
    assert [event.drive for event in bench.events if isinstance(event, DriveStopped)] == [0]


def test_what_a_drive_told_before_it_failed_counts_however_late_it_is_heard(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever listens may be slow: what stands matched on the drive is told as matched."""
    bench.drives = NAMES[:2]
    tasks = [bench.put(f"A/{n:03}.jpg", content(1000, n)) for n in range(100)]
    tasks.append(bench.put("B.mov", content(3 * MIB)))
    bench.open()
    heard, named = threading.Event(), threading.Event()
    journal, really_add, real = bench.folders[0].journal, bench.folders[0].journal.add, os.pwrite

    def add(entries: Iterable[Entry]) -> None:
        heard.wait(30)  # OTTER is told of first
        really_add(entries)
        named.set()

    def pwrite(fd: int, view: memoryview, offset: int) -> int:
        if here() == "HERON writer" and len(view) > MIB:
            named.wait(30)
            failing()
        return real(fd, view, offset)

    def tell(event: Event) -> None:
        if isinstance(event, CopyMatched) and not heard.is_set():
            heard.set()
            for thread in threading.enumerate():
                if thread.name.startswith("HERON"):
                    thread.join(60)
            time.sleep(0.01)

    monkeypatch.setattr(journal, "add", add)
    monkeypatch.setattr(os, "pwrite", pwrite)
    monkeypatch.setattr(writing, "_GROUP_SECONDS", -1.0)
    monkeypatch.setattr(engine, "_TICK", 0.001)
    found = bench.copy(tasks, tell=tell)
    assert states(found.pop("B.mov")) == [State.UNVERIFIED, State.MATCHED]
    assert {tuple(states(one)) for one in found.values()} == {(State.MATCHED, State.MATCHED)}


def test_all_drives_failing_ends_and_says_so(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every file is told, none is claimed, and nothing hangs."""
    bench.drives = NAMES[:2]
    tasks = [bench.put(f"{n}.mov", content(9 * MIB, n)) for n in range(4)]
    monkeypatch.setattr(os, "pwrite", failing)
    found = bench.copy(tasks)
    for outcome in found.values():
        assert states(outcome) == [State.UNVERIFIED, State.UNVERIFIED]
    assert bench.on_drive("HERON") == bench.on_drive("OTTER") == {}


def test_a_drive_that_gives_no_answer_is_given_up(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A write that never comes back holds neither the card nor the other drive."""
    bench.drives = NAMES[:2]
    files = {f"{n}.mov": content(9 * MIB, n) for n in range(4)}
    tasks = [bench.put(path, data) for path, data in files.items()]
    real = os.pwrite
    freed = threading.Event()
    stuck = threading.Event()

    def pwrite(fd: int, view: memoryview, offset: int) -> int:
        if here() == "HERON writer":
            stuck.set()
            freed.wait(60)
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return real(fd, view, offset)

    monkeypatch.setattr(os, "pwrite", pwrite)
    try:
        found = bench.copy(tasks, patience_s=0.5)
    finally:
        freed.set()
        for thread in threading.enumerate():
            if thread.name.startswith("HERON"):
                thread.join(30)
    assert stuck.is_set()
    assert bench.on_drive("OTTER") == files
    assert bench.on_drive("HERON") == {}
    assert all(states(one) == [State.UNVERIFIED, State.MATCHED] for one in found.values())
    (stopped,) = [event for event in bench.events if isinstance(event, DriveStopped)]
    assert "no answer" in stopped.why


# Lies ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("size", [100, 4096, 3 * MIB, 20 * MIB + 5])
@pytest.mark.parametrize("where", ["first", "last"])
def test_one_bit_that_falls_over_on_the_way_to_a_drive_is_found(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, size: int, where: str
) -> None:
    """The length is right and no call failed: only reading back can know. That drive's file gets
    no final name; the other drive's is good."""
    bench.drives = NAMES[:2]
    tasks = [bench.put("A.mov", content(size)), bench.put("B.mov", content(5000))]
    real = writing._write_at
    spare = Buffer()
    at = 0 if where == "first" else size - 1
    fallen = threading.Event()  # once, in A.mov: B.mov may get its inode when that is removed

    def write_at(fd: int, view: memoryview, offset: int, *, direct: bool = False) -> None:
        if here() == "HERON writer" and offset <= at < offset + len(view) and not fallen.is_set():
            fallen.set()
            bad = spare.view[: len(view)]
            bad[:] = view
            bad[at - offset] ^= 0x10
            view = bad
        real(fd, view, offset, direct=direct)

    monkeypatch.setattr(writing, "_write_at", write_at)
    found = bench.copy(tasks)
    mine, other = found["A.mov"].copies
    assert mine.state is State.MISMATCH
    assert mine.size == size
    assert mine.digest != found["A.mov"].digests[COMPARED]
    assert other.state is State.MATCHED
    assert bench.on_drive("HERON") == {"B.mov": content(5000)}
    assert bench.on_drive("OTTER") == {"A.mov": content(size), "B.mov": content(5000)}
    assert "A.mov" not in read_journal(bench.folders[0].handle)


@pytest.mark.parametrize("size", [100, 9 * MIB])
@pytest.mark.parametrize(
    ("how", "state"),
    [
        ("nothing", State.SHORT),
        ("half", State.SHORT),
        ("zeros", State.MISMATCH),
        ("untouched memory", State.MISMATCH),
    ],
)
def test_a_read_back_that_lies_never_matches(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, size: int, how: str, state: State
) -> None:
    """It gives no bytes, too few, zeros, or says that it read and left the memory as it was."""
    bench.drives = NAMES[:2]
    task = bench.put("A.mov", content(size))
    real = os.preadv

    def preadv(fd: int, views: list[memoryview], offset: int) -> int:
        if here() != "HERON read back":
            return real(fd, views, offset)
        there = max(0, min(len(views[0]), size - offset))
        if how == "nothing" or (how == "half" and offset >= size // 2):
            return 0
        if how == "half":
            return min(real(fd, views, offset), size // 2 - offset)
        if how == "zeros":
            views[0][:there] = bytes(there)
        return there

    monkeypatch.setattr(os, "preadv", preadv)
    mine, other = bench.copy([task])["A.mov"].copies
    assert mine.state is state
    assert other.state is State.MATCHED
    assert bench.on_drive("HERON") == {}
    assert bench.on_drive("OTTER") == {"A.mov": content(size)}


def test_a_drive_that_drops_the_end_of_a_file_is_found(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It says that it took everything; the file is shorter by the last block."""
    size = 9 * MIB + 4096
    task = bench.put("A.mov", content(size))
    real = os.pwrite

    def pwrite(fd: int, view: memoryview, offset: int) -> int:
        if offset + len(view) >= size:
            return len(view)
        return real(fd, view, offset)

    monkeypatch.setattr(os, "pwrite", pwrite)
    (mine,) = bench.copy([task])["A.mov"].copies
    assert mine.state is State.SHORT
    assert bench.on_drive() == {}


@pytest.mark.parametrize("times", [1, 3])
def test_a_read_back_that_leaves_the_memory_as_it_was_never_matches_though_it_held_the_same(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, times: int
) -> None:
    """Two files of one content: the first is read back, the second only said to be, while the
    first still lies in that memory."""
    data = content(MIB) * times
    tasks = [bench.put(name, data) for name in ("A.mov", "B.mov")]
    tasks[1] = replace(tasks[1], mtime_ns=TIME + 7, source_mtime_ns=tasks[1].mtime_ns)
    real = os.preadv

    def preadv(fd: int, views: list[memoryview], offset: int) -> int:
        if here() == "HERON read back" and os.fstat(fd).st_mtime_ns == TIME + 7:
            return max(0, min(len(views[0]), len(data) - offset))
        return real(fd, views, offset)

    monkeypatch.setattr(os, "preadv", preadv)
    found = bench.copy(tasks)
    assert states(found["A.mov"]) == [State.MATCHED]
    assert states(found["B.mov"]) == [State.MISMATCH]


@pytest.mark.parametrize("size", [5000, 3 * MIB])
def test_a_drive_that_takes_no_bytes_and_gives_no_reason_stops(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, size: int
) -> None:
    """A count of nothing is neither gone on with for ever nor taken for the end."""
    tasks = [bench.put("A.mov", content(size)), bench.put("B.mov", content(size))]
    monkeypatch.setattr(os, "pwrite", lambda fd, view, offset: 0)
    found = bench.copy(tasks)
    assert {tuple(states(outcome)) for outcome in found.values()} == {(State.UNVERIFIED,)}
    assert [event.drive for event in bench.events if isinstance(event, DriveStopped)] == [0]
    assert bench.on_drive() == {}
