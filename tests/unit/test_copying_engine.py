"""The engine at its public door: one read to every drive, and nothing said to match that wasn't
compared.

Faults are small wrappers around one call of the operating system, keyed by the thread that makes
it (`card`, `HERON writer`, `HERON read back` ...), so that one drive fails and the other doesn't.
"""

from __future__ import annotations

import errno
import hashlib
import os
import random
import re
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from ingest import checksums, platforms
from ingest.checksums import KINDS
from ingest.copying import writing
from ingest.copying.buffers import CHUNK, Buffer
from ingest.copying.engine import copy
from ingest.copying.journal import read_journal
from ingest.copying.reading import open_root, read_cold, sample
from ingest.copying.roll_folder import RollFolder, is_ours
from ingest.copying.values import (
    COMPARED,
    Action,
    CardRead,
    CardState,
    Destination,
    DriveStopped,
    Event,
    FileOutcome,
    FileTask,
    Progress,
)
from ingest.drives import look_at
from ingest.evidence import State

MIB = 1024 * 1024
NAMES = ("HERON", "OTTER", "STOAT")
FOLDER = "Salt Wind/D01/A001"
TIME = 1_773_500_000_123_456_789
BULK = random.Random(3).randbytes(40 * MIB)
SIZES = (0, 1, 4095, 4096, 4097, MIB, MIB + 1, 4 * MIB, 4 * MIB + 13, 40 * MIB)


def content(size: int, shift: int = 0) -> bytes:
    """Bytes that differ from file to file."""
    return BULK[shift:size] + BULK[: min(shift, size)]


@dataclass
class Bench:
    """A card, drives, and what the last copy gave."""

    place: Path
    stack: ExitStack
    drives: tuple[str, ...] = NAMES[:1]
    folders: list[RollFolder] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)

    @property
    def card(self) -> Path:
        return self.place / "card"

    def roll(self, drive: str = "HERON") -> Path:
        return self.place / drive / FOLDER

    def put(self, path: str, data: bytes) -> FileTask:
        """A file on the card, and the task that its inventory would give."""
        place = os.fsencode(self.card) + b"/" + os.fsencode(path)
        os.makedirs(os.path.dirname(place), exist_ok=True)
        with open(place, "wb") as file:
            file.write(data)
        os.utime(place, ns=(TIME, TIME + len(data)))
        return FileTask(path, len(data), TIME + len(data), (Action.WRITE,) * len(self.drives))

    def open(self) -> list[RollFolder]:
        for drive in self.drives:
            (self.place / drive).mkdir(exist_ok=True)
            root = open_root(str(self.place / drive))
            self.stack.callback(os.close, root)
            place = Destination(drive, look_at(str(self.place / drive)), FOLDER)
            self.folders.append(self.stack.enter_context(RollFolder(root, place, "a" * 16)))
        return self.folders

    def copy(
        self,
        tasks: Sequence[FileTask],
        *,
        kinds: Sequence[str] = ("md5",),
        stop: threading.Event | None = None,
        tell: Callable[[Event], None] | None = None,
        memory: int = 16 * MIB,
        patience_s: float = 60,
        begun: Callable[[FileOutcome], None] = lambda outcome: None,
    ) -> dict[str, FileOutcome]:
        """Copy, poisoned, and give the outcomes by path; each task must have exactly one."""
        folders = self.folders or self.open()
        card = open_root(str(self.card))
        found: dict[str, FileOutcome] = {}
        try:
            for outcome in copy(
                card,
                look_at(str(self.card)),
                tasks,
                folders,
                kinds=kinds,
                stop=stop or threading.Event(),
                tell=tell or self.events.append,
                memory=memory,
                patience_s=patience_s,
                poisoned=True,
            ):
                assert outcome.path not in found
                found[outcome.path] = outcome
                begun(outcome)
        finally:
            os.close(card)
        assert set(found) == {task.path for task in tasks}
        return found

    def on_drive(self, drive: str = "HERON") -> dict[str, bytes]:
        """Every file with a final name in the roll's folder, by path."""
        roll = os.fsencode(self.roll(drive))
        found = {}
        for top, folders, files in os.walk(roll):
            folders[:] = [name for name in folders if not is_ours(os.fsdecode(name))]
            for name in files:
                if not is_ours(os.fsdecode(name)):
                    place = os.path.join(top, name)
                    with open(place, "rb") as file:
                        found[os.fsdecode(os.path.relpath(place, roll))] = file.read()
        return found


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    (tmp_path / "card").mkdir()
    with ExitStack() as stack:
        yield Bench(tmp_path, stack)


def here() -> str:
    return threading.current_thread().name


def states(outcome: FileOutcome) -> list[State]:
    return [copied.state for copied in outcome.copies]


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


def test_thousands_of_small_files_and_deep_folders(bench: Bench) -> None:
    """More than a group and a finisher's batch hold."""
    files = {f"D{n % 7}/" * (n % 9) + f"{n}.jpg": b"%d" % n for n in range(2500)}
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
    done = []

    def preadv(fd: int, views: list[memoryview], offset: int) -> int:
        count = real(fd, views, offset)
        if here() == "card" and not done:
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
        if here() == "card" and name == "B.mov":
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
        if here() == "card" and offset >= bad and os.fstat(fd).st_ino == inode:
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


def failing(*words: object) -> None:
    raise OSError(errno.EIO, os.strerror(errno.EIO))


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
    inodes: set[int] = set()

    def write_at(fd: int, view: memoryview, offset: int, *, direct: bool = False) -> None:
        if here() == "HERON writer" and (not inodes or os.fstat(fd).st_ino in inodes):
            inodes.add(os.fstat(fd).st_ino)
            if offset <= at < offset + len(view):
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


# Stopping -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("after", [0, 5 * MIB, 30 * MIB])
def test_stopping_leaves_whole_files_or_none_and_the_rest_can_follow(
    bench: Bench, after: int
) -> None:
    """Wherever it is stopped: what has a final name is whole, matched and journalled, the rest is
    told as not reached; a second run with the rest completes the roll."""
    bench.drives = NAMES[:2]
    files = {f"{n}.mov": content(size, n) for n, size in enumerate([12 * MIB, 10, 5 * MIB] * 4)}
    tasks = [bench.put(path, data) for path, data in files.items()]
    stop = threading.Event()

    def tell(event: Event) -> None:
        if isinstance(event, Progress) and event.read >= after:
            stop.set()

    found = bench.copy(tasks, stop=stop, tell=tell)
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
        if thread.name == "card" or thread.name.startswith("HERON"):
            thread.join(30)
            assert not thread.is_alive()
    os.close(card)


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
    """The pool has at least four buffers, whatever is asked for."""
    data = content(40 * MIB)
    assert len(data) > 4 * CHUNK
    found = bench.copy([bench.put("A.mov", data)], memory=1)
    assert states(found["A.mov"]) == [State.MATCHED]
    assert bench.on_drive() == {"A.mov": data}
