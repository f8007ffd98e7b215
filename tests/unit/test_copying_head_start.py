"""A card's beginning, read early: used where it is the very same, worth nothing otherwise."""

from __future__ import annotations

import os
import threading
from collections.abc import Sequence

import pytest
from engine_bench import MIB, NAMES, Bench, content, states

from ingest.copying.buffers import CHUNK
from ingest.copying.head_start import HeadStart
from ingest.copying.values import FileTask
from ingest.evidence import State
from ingest.platforms import posix_files

MEMORY = 4 * CHUNK


def begun(bench: Bench, memory: int = MEMORY) -> HeadStart:
    """A head start that has read all it may."""
    head_start = HeadStart(str(bench.card), memory)
    head_start.wait()
    return head_start


@pytest.fixture
def reads(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Bytes of every direct or plain read from here on."""
    counts: list[int] = []
    really = posix_files.preadv

    def preadv(fd: int, buffers: Sequence[memoryview], offset: int) -> int:
        count = really(fd, buffers, offset)
        counts.append(count)
        return count

    monkeypatch.setattr(posix_files, "preadv", preadv)
    return counts


def test_what_was_read_early_is_not_read_again(bench: Bench, reads: list[int]) -> None:
    """The card's bytes are read once; the copies equal it byte by byte."""
    bench.drives = NAMES[:2]
    files = {"A/C0001.MOV": content(9 * MIB + 5, 1), "A/C0002.MOV": content(21 * MIB, 2)}
    tasks = [bench.put(path, data) for path, data in files.items()]
    head_start = begun(bench)
    assert head_start.held == MEMORY // CHUNK
    found = bench.copy(tasks, memory=3 * MEMORY, head_start=head_start)
    whole = sum(len(data) for data in files.values())
    # Each byte once from the card and once from each drive, but for the rest of a last block.
    assert 3 * whole <= sum(reads) < 3 * whole + MIB
    assert head_start.held == 0
    for drive in bench.drives:
        assert bench.on_drive(drive) == files
    assert all(set(states(outcome)) == {State.MATCHED} for outcome in found.values())


def test_a_file_that_changed_since_is_read_as_it_is_now(bench: Bench) -> None:
    """Same length and same time: still another file than the one read early."""
    old, new = content(6 * MIB, 1), content(6 * MIB, 2)
    first = bench.put("C0001.MOV", old)
    head_start = begun(bench)
    place = bench.card / "C0001.MOV"
    place.write_bytes(new)
    os.utime(place, ns=(first.mtime_ns, first.mtime_ns))
    found = bench.copy([first], head_start=head_start)
    assert states(found["C0001.MOV"]) == [State.MATCHED]
    assert bench.on_drive() == {"C0001.MOV": new}


def test_files_that_are_not_wanted_are_forgotten(bench: Bench) -> None:
    """A known file may come first on the card; its memory goes to the others."""
    bench.put("A0001.MOV", content(30 * MIB, 1))
    wanted = bench.put("B0001.MOV", content(30 * MIB, 2))
    found = bench.copy([wanted], memory=MEMORY, head_start=begun(bench))
    assert states(found["B0001.MOV"]) == [State.MATCHED]


def small_files_first(bench: Bench) -> list[FileTask]:
    """More small files than one buffer takes, before a clip that fills all memory."""
    smalls = [bench.put(f"A/{number:04}.JPG", content(MIB, number)) for number in range(8)]
    return [*smalls, bench.put("B/C0001.MOV", content(30 * MIB, 1))]


def copied_in_time(bench: Bench, tasks: Sequence[FileTask], head_start: HeadStart) -> set[State]:
    """The states of all copies; what still waits after 20 seconds is stopped, and unverified."""
    stop = threading.Event()
    timer = threading.Timer(20, stop.set)
    timer.start()
    try:
        found = bench.copy(tasks, memory=6 * CHUNK, head_start=head_start, stop=stop)
    finally:
        timer.cancel()
    return {state for outcome in found.values() for state in states(outcome)}


def test_small_files_before_a_clip_that_filled_all_memory_are_copied(bench: Bench) -> None:
    """What was read early leaves the reader the buffers that it needs for what comes before."""
    tasks = small_files_first(bench)
    head_start = begun(bench, 6 * CHUNK)
    assert head_start.held == 6
    assert copied_in_time(bench, tasks, head_start) == {State.MATCHED}


def test_memory_held_for_a_clip_that_vanished_does_not_stop_the_rest(bench: Bench) -> None:
    """Its buffers are never asked for again."""
    clip = bench.put("A/C0001.MOV", content(30 * MIB, 1))
    rest = [bench.put(f"B/C000{number}.MOV", content(5 * MIB, number)) for number in range(3)]
    head_start = begun(bench, 6 * CHUNK)
    (bench.card / "A/C0001.MOV").unlink()
    assert copied_in_time(bench, [clip, *rest], head_start) == {State.MATCHED}
    assert head_start.held == 0


@pytest.mark.parametrize("small", [0, 1, 1000, MIB])
def test_small_files_are_left_to_the_engine(bench: Bench, small: int) -> None:
    """They travel many to a buffer there."""
    task = bench.put("C0001.XML", content(small))
    head_start = begun(bench)
    assert head_start.held == 0
    assert states(bench.copy([task], head_start=head_start)["C0001.XML"]) == [State.MATCHED]


def test_a_card_that_is_not_there_ends_it_in_silence(bench: Bench) -> None:
    """The plan will say so."""
    head_start = HeadStart(str(bench.card / "nowhere"), MEMORY)
    head_start.wait()
    assert head_start.held == 0
