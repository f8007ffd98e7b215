"""Reading what was copied before: another content gets no name, and damage is kept."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path

import pytest

from ingest import checksums
from ingest.copying.engine import copy
from ingest.copying.finishing import aside_name
from ingest.copying.reading import open_root
from ingest.copying.roll_folder import RollFolder
from ingest.copying.values import Action, CardState, Destination, FileOutcome, FileTask
from ingest.drives import look_at
from ingest.evidence import State

MIB = 1024 * 1024
RUN = "a1b2c3d4" * 2
SIZES = (0, 100, MIB + 1, 9 * MIB)


def digest(kind: str, data: bytes) -> str:
    one = checksums.new(kind)
    one.update(data)
    return one.hexdigest()


class Bench:
    """A source, two drives, and a way to copy between them."""

    def __init__(self, place: Path, stack: ExitStack) -> None:
        self.source = place / "source"
        self.source.mkdir()
        self.rolls = []
        self.folders = []
        for name in ("HERON", "OTTER"):
            root = place / name
            root.mkdir()
            handle = open_root(str(root))
            stack.callback(os.close, handle)
            there = Destination(name, look_at(str(root)), "A003")
            self.folders.append(stack.enter_context(RollFolder(handle, there, RUN)))
            self.rolls.append(root / "A003")

    def task(self, path: str, data: bytes, *actions: Action) -> FileTask:
        """A file at the source, expected to be what it is."""
        file = self.source / path
        file.write_bytes(data)
        os.utime(file, ns=(10**18, 10**18))
        chosen = actions or (Action.WRITE, Action.WRITE)
        return FileTask(path, len(data), 10**18, chosen, {"md5": digest("md5", data)})

    def copy(self, *tasks: FileTask) -> dict[str, FileOutcome]:
        handle = open_root(str(self.source))
        try:
            return {
                one.path: one
                for one in copy(
                    handle,
                    look_at(str(self.source)),
                    tasks,
                    self.folders,
                    kinds=["md5"],
                    stop=threading.Event(),
                    tell=lambda event: None,
                    memory=16 * MIB,
                    poisoned=True,
                )
            }
        finally:
            os.close(handle)

    def names(self) -> list[list[str]]:
        """What lies in the roll's folder on each drive, but for our own working files."""
        return [
            sorted(n for n in os.listdir(roll) if not n.startswith(".ingest-"))
            for roll in self.rolls
        ]


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with ExitStack() as stack:
        yield Bench(tmp_path, stack)


@pytest.mark.parametrize("size", SIZES)
def test_what_is_expected_is_copied(bench: Bench, size: int) -> None:
    """Like from a card."""
    outcome = bench.copy(bench.task("C0001", b"x" * size))["C0001"]
    assert outcome.card is CardState.READ
    assert [one.state for one in outcome.copies] == [State.MATCHED] * 2


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize(
    "expected",
    [
        {"md5": "0" * 32},
        {"sha1": "0" * 40},
        {"md5": digest("md5", b"x" * 100), "xxh128": "0" * 32},
        {},
    ],
)
def test_another_content_gets_no_name_on_any_drive(
    bench: Bench, size: int, expected: dict[str, str]
) -> None:
    """Nor does what can't be compared, for want of a kind in common; the others are copied."""
    wrong = replace(bench.task("C0001", b"x" * size), expected=expected)
    found = bench.copy(wrong, bench.task("C0002", b"y" * 100))
    assert found["C0001"].card is CardState.OTHER
    assert found["C0001"].copies == ()
    assert found["C0001"].digests["md5"] == digest("md5", b"x" * size)
    assert found["C0002"].card is CardState.READ
    assert bench.names() == [["C0002"], ["C0002"]]
    assert not any(one.endswith(".unfinished") for roll in bench.rolls for one in os.listdir(roll))


def test_what_lies_there_is_not_matched_by_a_read_that_is_not_the_expected(bench: Bench) -> None:
    """Equal to a bad source is not good."""
    task = bench.task("C0001", b"bad" * 100, Action.CHECK, Action.NOTHING)
    (bench.rolls[0] / "C0001").write_bytes(b"bad" * 100)
    found = bench.copy(replace(task, expected={"md5": "0" * 32}))
    assert found["C0001"].card is CardState.OTHER
    assert found["C0001"].copies == ()


def test_copies_get_the_first_time_and_not_the_sources(bench: Bench) -> None:
    """A source on a file system with coarse times is read all the same."""
    task = bench.task("C0001", b"x")
    found = bench.copy(replace(task, mtime_ns=10**18 + 7, source_mtime_ns=10**18))
    assert found["C0001"].card is CardState.READ
    assert (bench.rolls[0] / "C0001").stat().st_mtime_ns == 10**18 + 7


@pytest.mark.parametrize("size", [100, 9 * MIB])
def test_a_damaged_file_is_kept_aside_when_the_good_one_has_matched(
    bench: Bench, size: int
) -> None:
    """Under an unmistakable name; where nothing stood, nothing is kept."""
    (bench.rolls[0] / "C0001").write_bytes(b"damaged")
    found = bench.copy(bench.task("C0001", b"x" * size, Action.REPLACE, Action.REPLACE))
    heron, otter = found["C0001"].copies
    assert (heron.state, otter.state) == (State.MATCHED, State.MATCHED)
    assert "C0001.set-aside-a1b2c3d4" in heron.detail
    assert bench.names() == [["C0001", "C0001.set-aside-a1b2c3d4"], ["C0001"]]
    assert (bench.rolls[0] / "C0001.set-aside-a1b2c3d4").read_bytes() == b"damaged"
    assert (bench.rolls[0] / "C0001").read_bytes() == b"x" * size


def test_a_damaged_file_stays_where_it_is_when_the_source_is_bad(bench: Bench) -> None:
    """There is nothing to put in its place."""
    (bench.rolls[0] / "C0001").write_bytes(b"damaged")
    task = bench.task("C0001", b"x", Action.REPLACE, Action.NOTHING)
    found = bench.copy(replace(task, expected={"md5": "0" * 32}))
    assert found["C0001"].card is CardState.OTHER
    assert bench.names()[0] == ["C0001"]
    assert (bench.rolls[0] / "C0001").read_bytes() == b"damaged"


def test_nothing_is_set_aside_over_what_was_set_aside_before(bench: Bench) -> None:
    """A name that is taken is never replaced: the copy isn't finished, and all stays."""
    (bench.rolls[0] / "C0001").write_bytes(b"damaged")
    (bench.rolls[0] / "C0001.set-aside-a1b2c3d4").write_bytes(b"earlier")
    found = bench.copy(bench.task("C0001", b"x", Action.REPLACE, Action.NOTHING))
    assert [one.state for one in found["C0001"].copies] == [State.UNVERIFIED]
    assert (bench.rolls[0] / "C0001").read_bytes() == b"damaged"
    assert (bench.rolls[0] / "C0001.set-aside-a1b2c3d4").read_bytes() == b"earlier"


@pytest.mark.parametrize(
    "name", ["C0001.MOV", "x" * 255, "é" * 127, b"\xff".decode("utf-8", "surrogateescape") * 255]
)
def test_a_set_aside_name_fits_every_file_system(name: str) -> None:
    """255 bytes (POSIX NAME_MAX on Linux), whole characters where they were whole."""
    aside = aside_name(name, RUN)
    assert aside.endswith(".set-aside-a1b2c3d4")
    assert len(os.fsencode(aside)) <= 255
    if name.isascii() or "é" in name:
        aside.encode("utf-8")
