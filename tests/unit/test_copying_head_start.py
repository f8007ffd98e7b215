"""A card's beginning, read early: used where it is the very same, worth nothing otherwise."""

from __future__ import annotations

import os
from collections.abc import Sequence

import pytest
from engine_bench import MIB, NAMES, Bench, content, states

from ingest.copying.buffers import CHUNK
from ingest.copying.head_start import HeadStart
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
    found = bench.copy(tasks, memory=6 * CHUNK, head_start=head_start)
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
