"""The engine at its public door: one read to every drive, what lies there already, stopping."""

from __future__ import annotations

import errno
import hashlib
import os
import re
import threading

import pytest
from engine_bench import FOLDER, MIB, NAMES, SIZES, Bench, content, states, stop_in_writing

from ingest import checksums, platforms
from ingest.checksums import KINDS
from ingest.copying import card_reader, engine, writing
from ingest.copying.buffers import CHUNK
from ingest.copying.engine import copy
from ingest.copying.journal import read_journal
from ingest.copying.reading import open_root, read_cold, sample
from ingest.copying.values import (
    COMPARED,
    Action,
    CardRead,
    CardState,
    CopyMatched,
    Destination,
    Event,
    FileOutcome,
    FileTask,
    Progress,
)
from ingest.drives import look_at
from ingest.evidence import State

# What is whole ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("count", "kinds"), [(1, ("md5",)), (3, KINDS), (2, ())], ids=["one", "three", "two"]
)
def test_every_drive_gets_every_byte(bench: Bench, count: int, kinds: tuple[str, ...]) -> None:
    """Sizes around every border, in one read: equal byte by byte, digests as `hashlib` has them,
    times kept, samples as a later look will find them."""
    bench.drives = NAMES[:count]
    files = {f"CLIP{size % 3}/{size}.mov": content(size, size % 1000) for size in SIZES}
    tasks = [bench.put(path, data) for path, data in files.items()]
    found = bench.copy(tasks, kinds=kinds)
    for drive in bench.drives:
        assert bench.on_drive(drive) == files
    root, volume = open_root(str(bench.card)), look_at(str(bench.card))
    for task in tasks:
        outcome, data = found[task.path], files[task.path]
        assert outcome.card is CardState.READ
        assert (outcome.size, outcome.mtime_ns) == (task.size, task.mtime_ns)
        assert set(outcome.digests) == {COMPARED, *kinds}
        for kind in {"md5", "sha1", "sha256"} & set(kinds):
            assert outcome.digests[kind] == hashlib.new(kind, data).hexdigest()
        for kind, digest in outcome.digests.items():
            judge = checksums.new(kind)
            judge.update(data)
            assert digest == judge.hexdigest()
        assert outcome.samples == sample(root, task.path, volume)
        for number, copied in enumerate(outcome.copies):
            assert copied.drive == number
            assert copied.state is State.MATCHED
            assert copied.written
            assert copied.size == len(data)
            assert copied.digest == outcome.digests[COMPARED]
            place = bench.roll(bench.drives[number]) / task.path
            assert place.stat().st_mtime_ns == task.mtime_ns
        assert len(outcome.copies) == count
    os.close(root)


def test_the_digests_are_those_of_a_second_look(bench: Bench) -> None:
    """What an audit reads later, past the cache, equals what the offload recorded."""
    tasks = [bench.put("C0001.MOV", content(5 * MIB + 3))]
    found = bench.copy(tasks)
    root = open_root(str(bench.roll()))
    again = read_cold(root, "C0001.MOV", [COMPARED, "md5"], look_at(str(bench.roll())))
    os.close(root)
    assert again.digests == found["C0001.MOV"].digests
    assert again.route == found["C0001.MOV"].copies[0].route


def test_names_keep_their_exact_bytes(bench: Bench) -> None:
    """Not UTF-8, as long as can be, newline, leading dash, and folders named so too."""
    names = [b"\xff\xfe\x80", b"n" * 255, b"two\nlines", b"-rf", b" space ", b"\x1b[2J", b"ends."]
    files = {os.fsdecode(name): content(100 + n) for n, name in enumerate(names)}
    files |= {os.fsdecode(b"-\xff\n/" + name): content(2 * MIB, n) for n, name in enumerate(names)}
    found = bench.copy([bench.put(path, data) for path, data in files.items()])
    assert all(states(outcome) == [State.MATCHED] for outcome in found.values())
    assert bench.on_drive() == files


def test_very_many_small_files_and_deep_folders(bench: Bench) -> None:
    """More than one batch of a finisher holds."""
    files = {f"D{n % 7}/" * (n % 9) + f"{n}.jpg": b"%d" % n for n in range(1200)}
    found = bench.copy([bench.put(path, data) for path, data in files.items()])
    assert all(states(outcome) == [State.MATCHED] for outcome in found.values())
    assert bench.on_drive() == files


def test_nothing_to_copy_is_no_outcome(bench: Bench) -> None:
    """And it ends."""
    assert bench.copy([]) == {}


def test_the_card_is_told_free_when_all_is_read(bench: Bench) -> None:
    """Once, and the last progress counts every byte, written and read back."""
    bench.drives = NAMES[:2]
    tasks = [bench.put(str(size), content(size)) for size in (3 * MIB, 100, 9 * MIB)]
    bench.copy(tasks)
    assert [event for event in bench.events if isinstance(event, CardRead)] == [CardRead()]
    last = bench.events[-1]
    total = sum(task.size for task in tasks)
    assert isinstance(last, Progress)
    assert last.read == total
    assert [(m.written, m.checked, m.stopped) for m in last.drives] == [(total, total, "")] * 2


def test_the_first_match_of_a_file_is_told_once_while_other_drives_are_at_it(
    bench: Bench,
) -> None:
    """With its digests, and with the file under its final name on that drive."""
    bench.drives = NAMES[:2]
    files = {"A/C0001.MOV": content(3 * MIB), "A/C0001.XML": content(100)}
    tasks = [bench.put(path, data) for path, data in files.items()]
    found = bench.copy(tasks)
    told = [event for event in bench.events if isinstance(event, CopyMatched)]
    assert {event.path: event.size for event in told} == {
        path: len(data) for path, data in files.items()
    }
    assert len(told) == len(files)
    for event in told:
        assert event.digests == found[event.path].digests
        assert bench.on_drive(NAMES[event.drive])[event.path] == files[event.path]


def test_each_match_stands_in_the_journal_first(bench: Bench) -> None:
    """When a file has its final name, the journal has its line."""
    tasks = [bench.put(str(size), content(size)) for size in (10, 2 * MIB)]
    bench.open()

    def look(outcome: FileOutcome) -> None:
        entry = read_journal(bench.folders[0].handle)[outcome.path]
        assert (entry.size, entry.mtime_ns) == (outcome.size, outcome.mtime_ns)
        assert (entry.samples, entry.digests) == (outcome.samples, outcome.digests)

    bench.copy(tasks, begun=look)
    assert len(read_journal(bench.folders[0].handle)) == 2


def test_reading_back_may_wait_until_all_is_written(bench: Bench) -> None:
    """Kinder to moving heads; the same outcome."""
    bench.open()
    waiting = Destination("HERON", look_at(str(bench.place / "HERON")), FOLDER, True)
    bench.folders[0].destination = waiting
    files = {str(size): content(size) for size in (0, 5000, 9 * MIB, 20 * MIB)}
    found = bench.copy([bench.put(path, data) for path, data in files.items()])
    assert all(states(outcome) == [State.MATCHED] for outcome in found.values())
    assert bench.on_drive() == files


@pytest.mark.parametrize("less", [0, 100])
def test_short_writes_are_gone_on_with(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, less: int
) -> None:
    """A drive may take less than it was given, in whole blocks or not; every byte arrives."""
    real = os.pwrite
    calls = []

    def pwrite(fd: int, view: memoryview, offset: int) -> int:
        few = max(2 * 4096, len(view) // 3 // 4096 * 4096)
        count = real(fd, view[:few], offset)
        calls.append(count)
        return count - less if count >= 2 * 4096 else count

    monkeypatch.setattr(os, "pwrite", pwrite)
    files = {str(size): content(size) for size in (5000, MIB, 5 * MIB + 77)}
    found = bench.copy([bench.put(path, data) for path, data in files.items()])
    assert all(states(outcome) == [State.MATCHED] for outcome in found.values())
    assert bench.on_drive() == files
    assert len(calls) > 9


def test_without_direct_transfers_all_is_copied_too(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Some file systems refuse them."""
    cold, direct = platforms.open_cold, platforms.open_direct
    monkeypatch.setattr(platforms, "open_cold", lambda n, f, **kw: cold(n, f, direct=False))
    monkeypatch.setattr(platforms, "open_direct", lambda n, f, **kw: direct(n, f, direct=False))
    files = {str(size): content(size) for size in (0, 5000, MIB + 1, 9 * MIB + 5)}
    found = bench.copy([bench.put(path, data) for path, data in files.items()])
    assert all(states(outcome) == [State.MATCHED] for outcome in found.values())
    assert all(outcome.copies[0].route == "cache possible" for outcome in found.values())
    assert bench.on_drive() == files


# What is there already ------------------------------------------------------------------------


def test_what_lies_there_is_compared_and_left_as_it_is(bench: Bench) -> None:
    """Good, damaged, short and gone: told apart, nothing written."""
    tasks = []
    bench.roll().mkdir(parents=True)
    for name in ("good", "damaged", "short", "long", "gone"):
        task = bench.put(name, content(3 * MIB))
        tasks.append(FileTask(task.path, task.size, task.mtime_ns, (Action.CHECK,)))
    there = {
        "good": content(3 * MIB),
        "damaged": content(3 * MIB - 1) + b"!",
        "short": content(MIB),
        "long": content(3 * MIB) + b"!",
    }
    for name, data in there.items():
        (bench.roll() / name).write_bytes(data)
    found = bench.copy(tasks)
    assert {name: outcome.copies[0].state for name, outcome in found.items()} == {
        "good": State.MATCHED,
        "damaged": State.MISMATCH,
        "short": State.SHORT,
        "long": State.LONG,
        "gone": State.UNREADABLE,
    }
    assert not any(outcome.copies[0].written for outcome in found.values())
    assert bench.on_drive() == there


def test_a_file_that_one_drive_has_is_only_written_to_the_other(bench: Bench) -> None:
    """Each drive has its own action; what wasn't asked for gets no outcome."""
    bench.drives = NAMES
    task = bench.put("C0001.MOV", content(2 * MIB))
    task = FileTask(
        task.path, task.size, task.mtime_ns, (Action.WRITE, Action.CHECK, Action.NOTHING)
    )
    bench.roll("OTTER").mkdir(parents=True)
    (bench.roll("OTTER") / "C0001.MOV").write_bytes(content(2 * MIB))
    found = bench.copy([task])["C0001.MOV"]
    assert [(one.drive, one.state, one.written) for one in found.copies] == [
        (0, State.MATCHED, True),
        (1, State.MATCHED, False),
    ]
    assert bench.on_drive("STOAT") == {}


@pytest.mark.parametrize("size", [100, 3 * MIB])
def test_a_taken_name_is_never_replaced(bench: Bench, size: int) -> None:
    """Something took it after the plan: it stays, and the file is told as not copied."""
    bench.roll().mkdir(parents=True)
    (bench.roll() / "C0001.MOV").write_bytes(b"somebody's only copy")
    (bench.roll() / "C0003.MOV").symlink_to("C0001.MOV")
    tasks = [bench.put(f"C000{n}.MOV", content(size, n)) for n in (1, 2, 3)]
    found = bench.copy(tasks)
    assert [states(found[f"C000{n}.MOV"]) for n in (1, 2, 3)] == [
        [State.UNVERIFIED],
        [State.MATCHED],
        [State.UNVERIFIED],
    ]
    assert (bench.roll() / "C0001.MOV").read_bytes() == b"somebody's only copy"
    assert (bench.roll() / "C0003.MOV").is_symlink()
    assert (bench.roll() / "C0002.MOV").read_bytes() == content(size, 2)
    left = [name for name in os.listdir(bench.roll()) if "unfinished" in name]
    assert not left


# Stopping -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("after", [0, 5 * MIB, 30 * MIB])
def test_stopping_leaves_whole_files_or_none_and_the_rest_can_follow(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, after: int
) -> None:
    """Wherever it is stopped: what has a final name is whole, matched and journalled, the rest is
    told as not reached; a second run with the rest completes the roll."""
    bench.drives = NAMES[:2]
    files = {f"{n}.mov": content(size, n) for n, size in enumerate([12 * MIB, 10, 5 * MIB] * 4)}
    tasks = [bench.put(path, data) for path, data in files.items()]
    stop = threading.Event()
    with monkeypatch.context() as stopping:
        stopping.setattr(os, "pwrite", stop_in_writing(stop, after))
        found = bench.copy(tasks, stop=stop)
    assert stop.is_set()
    for number, drive in enumerate(bench.drives):
        there = bench.on_drive(drive)
        matched = {
            path
            for path, one in found.items()
            if any(c.drive == number and c.state is State.MATCHED for c in one.copies)
        }
        assert set(there) == matched
        assert all(data == files[path] for path, data in there.items())
    for outcome in found.values():
        assert outcome.card in (CardState.READ, CardState.NOT_REACHED)
        assert {copied.state for copied in outcome.copies} <= {State.MATCHED, State.UNVERIFIED}
    assert not all(states(outcome) == [State.MATCHED] * 2 for outcome in found.values())
    for folder in bench.folders:
        folder.release(complete=False)
    bench.folders.clear()
    rest = [
        FileTask(
            task.path,
            task.size,
            task.mtime_ns,
            tuple(
                Action.CHECK if (bench.roll(d) / task.path).exists() else Action.WRITE
                for d in bench.drives
            ),
        )
        for task in tasks
    ]
    again = bench.copy(rest)
    assert all(states(outcome) == [State.MATCHED] * 2 for outcome in again.values())
    assert bench.on_drive("HERON") == bench.on_drive("OTTER") == files
    for folder in bench.folders:
        folder.release(complete=True)
    for drive in bench.drives:
        assert not [n for n in os.listdir(bench.roll(drive)) if re.search("ingest", n)]


def test_leaving_early_stops_the_threads(bench: Bench) -> None:
    """The caller may drop the outcomes half-way, as an error above would."""
    tasks = [bench.put(f"{n}.mov", content(9 * MIB, n)) for n in range(6)]
    folders = bench.open()
    card = open_root(str(bench.card))
    outcomes = copy(
        card,
        look_at(str(bench.card)),
        tasks,
        folders,
        kinds=("md5",),
        stop=threading.Event(),
        tell=lambda event: None,
        memory=16 * MIB,
        poisoned=True,
    )
    next(outcomes)
    outcomes.close()
    for thread in threading.enumerate():
        if thread.name.startswith(("card", "HERON")):
            thread.join(30)
            assert not thread.is_alive()
    os.close(card)


def test_no_handle_is_left_open_by_a_run_that_was_stopped(bench: Bench) -> None:
    """Stopped in the middle of a large file, on the card and on the drive."""
    tasks = [bench.put(f"{n}.mov", content(30 * MIB, n)) for n in range(3)]
    bench.open()
    before = len(os.listdir("/proc/self/fd"))
    stop = threading.Event()

    def tell(event: Event) -> None:
        if isinstance(event, Progress) and event.read >= 5 * MIB:
            stop.set()

    bench.copy(tasks, stop=stop, tell=tell)
    assert len(os.listdir("/proc/self/fd")) == before


def test_the_callers_stop_is_never_set_by_the_engine(bench: Bench) -> None:
    """What the user wanted stays apart from what the engine does at its end."""
    stop = threading.Event()
    bench.copy([bench.put("A.mov", content(100))], stop=stop)
    assert not stop.is_set()


def test_a_bug_in_one_thread_is_raised_and_nothing_hangs(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not an error of a drive: the run ends and the caller sees it."""
    bench.drives = NAMES[:2]
    tasks = [bench.put(f"{n}.mov", content(9 * MIB, n)) for n in range(4)]

    def broken(*words: object, **named: object) -> None:
        raise ZeroDivisionError("a bug")

    monkeypatch.setattr(writing, "_write_at", broken)
    with pytest.raises(ZeroDivisionError):
        bench.copy(tasks)


def test_memory_smaller_than_one_file_is_enough(bench: Bench) -> None:
    """The pool has at least a few buffers, whatever is asked for."""
    data = content(40 * MIB)
    assert len(data) > 4 * CHUNK
    found = bench.copy([bench.put("A.mov", data)], memory=1)
    assert states(found["A.mov"]) == [State.MATCHED]
    assert bench.on_drive() == {"A.mov": data}


def test_one_buffer_is_enough(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """Drives that never answer may keep the others: what is read is handed out before the next is
    waited for, also where its file turns out to be broken only then."""
    monkeypatch.setattr(engine, "_LEAST", 1)
    monkeypatch.setattr(card_reader, "_WAIT", 0.01)
    files = {f"{name}.mov": content(3 * CHUNK, n) for n, name in enumerate("ABC")}
    tasks = [bench.put(path, data) for path, data in files.items()]
    broken = (bench.card / "B.mov").stat().st_ino
    real = os.preadv

    def preadv(fd: int, views: list[memoryview], offset: int) -> int:
        if os.fstat(fd).st_ino == broken and offset == CHUNK:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return real(fd, views, offset)

    monkeypatch.setattr(os, "preadv", preadv)
    stop = threading.Event()
    timer = threading.Timer(20, stop.set)
    timer.start()
    try:
        found = bench.copy(tasks, memory=1, stop=stop)
    finally:
        timer.cancel()
    assert found["B.mov"].card is CardState.UNREADABLE
    assert [states(found[path]) for path in files] == [[State.MATCHED], [], [State.MATCHED]]
    assert bench.on_drive() == {path: files[path] for path in ("A.mov", "C.mov")}
