"""The journal of a roll folder: what was compared, line by line, torn or not."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ingest.copying.journal import JOURNAL, Entry, Journal, read_journal
from ingest.names import from_bytes

RUN = "0123456789abcdef"
ONE = Entry(RUN, f".ingest-{RUN}-0.unfinished", "A/C0001.MOV", 7, 11, "aa", {"xxh128": "bb"})
HOSTILE = (b"\xff\xfe", b"two\nlines", b'quote"', b"back\\slash", b"\x1b[2J", "Fähre".encode())


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[int]:
    handle = os.open(tmp_path, os.O_RDONLY | os.O_DIRECTORY)
    yield handle
    os.close(handle)


def write(folder: int, *entries: Entry, run: str = RUN) -> None:
    journal = Journal(folder, run)
    journal.add(entries)
    journal.close()


def test_no_journal_is_no_entries(folder: int) -> None:
    """A folder that nobody began to fill."""
    assert read_journal(folder) == {}


def test_an_entry_comes_back_whole(folder: int) -> None:
    """By its path, with the run that wrote it."""
    write(folder, ONE)
    assert read_journal(folder) == {ONE.path: ONE}


@settings(max_examples=30, suppress_health_check=list(HealthCheck), deadline=None)
@given(
    st.dictionaries(
        st.one_of(st.binary(min_size=1, max_size=40), st.sampled_from(HOSTILE)).map(from_bytes),
        st.tuples(st.integers(0, 2**62), st.integers(-(2**62), 2**62)),
        max_size=5,
    )
)
def test_any_names_sizes_and_times_come_back(
    tmp_path: Path, told: dict[str, tuple[int, int]]
) -> None:
    """Names are somebody else's bytes: newlines and broken UTF-8 too."""
    entries = [replace(ONE, path=path, size=s, mtime_ns=t) for path, (s, t) in told.items()]
    (tmp_path / JOURNAL).unlink(missing_ok=True)
    handle = os.open(tmp_path, os.O_RDONLY | os.O_DIRECTORY)
    try:
        write(handle, *entries)
        assert read_journal(handle) == {entry.path: entry for entry in entries}
    finally:
        os.close(handle)
    assert (tmp_path / JOURNAL).read_bytes().isascii()


def test_a_second_run_appends_and_the_last_entry_of_a_path_counts(folder: int) -> None:
    """Nothing of the first run is lost."""
    other = replace(ONE, path="A/C0002.MOV")
    write(folder, ONE, other)
    later = replace(ONE, run="f" * 16, samples="cc")
    write(folder, later, run="f" * 16)
    assert read_journal(folder) == {ONE.path: later, other.path: other}


@pytest.mark.parametrize("left", [1, 10, 60])
def test_a_last_line_that_a_cut_tore_is_passed_over(tmp_path: Path, folder: int, left: int) -> None:
    """And it doesn't swallow the first line of the next run."""
    other = replace(ONE, path="A/C0002.MOV")
    write(folder, ONE, other)
    place = tmp_path / JOURNAL
    whole = place.read_bytes()
    line = whole.splitlines(keepends=True)[-1]
    place.write_bytes(whole[: len(whole) - len(line) + left])
    assert read_journal(folder) == {ONE.path: ONE}
    third = replace(ONE, path="A/C0003.MOV")
    write(folder, third)
    assert read_journal(folder) == {ONE.path: ONE, third.path: third}


@pytest.mark.parametrize(
    "line",
    [
        b"garbage",
        b"[]",
        b"7",
        b"null",
        b'"text"',
        b"{}",
        b'{"file": "x"}',
        b'{"journal": 1}',
        b'{"file":"x","unfinished":"u","size":"big","mtime_ns":1,"samples":"","digests":{}}',
        b'{"file":"x","unfinished":"u","size":1,"mtime_ns":1,"samples":"","digests":[]}',
        b"\xff\xfe\x00",
        b"[" * 100,
    ],
)
def test_a_line_that_cannot_be_understood_only_costs_a_copy(
    tmp_path: Path, folder: int, line: bytes
) -> None:
    """The lines around it still count."""
    write(folder, ONE)
    with (tmp_path / JOURNAL).open("ab") as file:
        file.write(line + b"\n")
    other = replace(ONE, path="A/C0002.MOV")
    write(folder, other)
    assert read_journal(folder) == {ONE.path: ONE, other.path: other}


def test_a_journal_that_is_a_link_is_never_followed(tmp_path: Path, folder: int) -> None:
    """Somebody else's file is neither read nor written."""
    target = tmp_path / "elsewhere"
    target.write_bytes(b"precious")
    (tmp_path / JOURNAL).symlink_to(target)
    with pytest.raises(OSError):
        Journal(folder, RUN)
    with pytest.raises(OSError):
        read_journal(folder)
    assert target.read_bytes() == b"precious"


def test_adding_nothing_writes_nothing(tmp_path: Path, folder: int) -> None:
    """Only the line that says which run it is."""
    write(folder)
    assert len((tmp_path / JOURNAL).read_bytes().splitlines()) == 1
