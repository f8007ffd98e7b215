"""The history in a roll's folder: appended to, checked, and never trusted."""

from __future__ import annotations

import os
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.manifest.durable import UNFINISHED_PREFIX, OsDurable
from ingest.manifest.files import c4_of
from ingest.manifest.history import (
    Trouble,
    adopt_generation,
    commit_generation,
    prepare_generation,
    read_history,
    write_generation,
)
from ingest.manifest.model import (
    Action,
    BadManifest,
    ChainEntry,
    CreatorInfo,
    Entry,
    EntryHash,
    HashList,
    Process,
    Reference,
)
from ingest.manifest.reading import read_chain
from ingest.manifest.writing import chain_xml

NOW = datetime(2031, 5, 4, 19, 30, tzinfo=UTC)
LATER = NOW + timedelta(hours=3)


def hash_list(*paths: str, references: tuple[Reference, ...] = ()) -> HashList:
    hashes = (EntryHash("md5", "9f9f90dbe3e5ee1218c86b8839db1995", Action.ORIGINAL),)
    entries = tuple(Entry(path, 6, NOW, hashes) for path in paths)
    return HashList(
        CreatorInfo(NOW, "cart", "ingest"), Process.TRANSFER, entries, references=references
    )


@pytest.fixture
def roll(tmp_path: Path) -> Path:
    folder = tmp_path / "A001"
    folder.mkdir()
    return folder


@pytest.fixture
def roll_fd(roll: Path) -> Iterator[int]:
    fd = os.open(roll, os.O_RDONLY | os.O_DIRECTORY)
    yield fd
    os.close(fd)


def troubles(roll_fd: int) -> list[Trouble]:
    return [problem.trouble for problem in read_history(roll_fd).problems]


def test_the_first_generation_makes_the_history(roll: Path, roll_fd: int) -> None:
    """ASC MHL v1.0, 5.3.1 and 5.6.2: folder, hash list, chain with the list's C4."""
    written = write_generation(roll_fd, "A001", hash_list("clip.mov"), NOW)
    assert written.path == "ascmhl/0001_A001_2031-05-04_193000Z.mhl"
    assert written.c4 == c4_of((roll / written.path).read_bytes())
    assert sorted(os.listdir(roll / "ascmhl")) == [
        "0001_A001_2031-05-04_193000Z.mhl",
        "ascmhl_chain.xml",
    ]
    (generation,) = read_history(roll_fd).generations
    assert generation.is_sound
    assert generation.hash_list == hash_list("clip.mov")
    assert read_history(roll_fd).problems == ()


def test_a_second_generation_keeps_the_first_as_it_was(roll: Path, roll_fd: int) -> None:
    """5.6.5 and 5.2: appended, and what stood there is not altered by a byte."""
    first = write_generation(roll_fd, "A001", hash_list("a"), NOW)
    before = (roll / first.path).read_bytes(), (roll / first.path).stat().st_ino
    chain_before = read_chain((roll / "ascmhl/ascmhl_chain.xml").read_bytes()).entries
    second = write_generation(roll_fd, "A001", hash_list("b"), LATER)
    assert second.sequence == 2
    assert ((roll / first.path).read_bytes(), (roll / first.path).stat().st_ino) == before
    chain = read_chain((roll / "ascmhl/ascmhl_chain.xml").read_bytes()).entries
    assert chain[:1] == chain_before
    history = read_history(roll_fd)
    assert [one.sequence for one in history.generations] == [1, 2]
    assert history.problems == ()


def test_names_no_list_can_hold_are_handed_back(roll_fd: int) -> None:
    """They are named elsewhere, never forgotten."""
    written = write_generation(roll_fd, "A001", hash_list("good", "bad\udcff"), NOW)
    assert written.not_listed == ("bad\udcff",)


def test_a_folder_without_history_has_none(roll_fd: int) -> None:
    """Which is no problem."""
    history = read_history(roll_fd)
    assert (history.generations, history.problems, history.orphans) == ((), (), ())


def test_a_name_taken_is_never_replaced(roll: Path, roll_fd: int) -> None:
    """Someone else's file under the list's name stays, and the chain stays."""
    write_generation(roll_fd, "A001", hash_list("a"), NOW)
    chain = (roll / "ascmhl/ascmhl_chain.xml").read_bytes()
    prepared = prepare_generation(roll_fd, "A001", hash_list("b"), LATER)
    (roll / prepared.path).write_bytes(b"someone's")
    with pytest.raises(BadManifest, match="never replaced"):
        commit_generation(roll_fd, prepared)
    assert (roll / prepared.path).read_bytes() == b"someone's"
    assert (roll / "ascmhl/ascmhl_chain.xml").read_bytes() == chain
    assert not [one for one in os.listdir(roll / "ascmhl") if one.startswith(UNFINISHED_PREFIX)]


def test_a_chain_that_changed_meanwhile_is_not_replaced(roll_fd: int) -> None:
    """Two writers: the second one's work is not lost by the first."""
    prepared = prepare_generation(roll_fd, "A001", hash_list("a"), NOW)
    write_generation(roll_fd, "A001", hash_list("b"), LATER)
    with pytest.raises(BadManifest, match="changed"):
        commit_generation(roll_fd, prepared)
    assert len(read_history(roll_fd).generations) == 1


class Dying(OsDurable):
    """Fails at its n-th file, before or after the file is there."""

    def __init__(self, fails_at: int, after: bool) -> None:
        super().__init__()
        self.calls = 0
        self.fails_at = fails_at
        self.after = after

    def write_new(self, folder_fd: int, name: str, data: bytes) -> None:
        self._maybe(lambda: super(Dying, self).write_new(folder_fd, name, data))

    def replace(self, folder_fd: int, name: str, data: bytes) -> None:
        self._maybe(lambda: super(Dying, self).replace(folder_fd, name, data))

    def _maybe(self, act: object) -> None:
        self.calls += 1
        if self.calls == self.fails_at and not self.after:
            raise OSError(5, "gone")
        act()  # type: ignore[operator]
        if self.calls == self.fails_at:
            raise OSError(5, "gone")


@pytest.mark.parametrize(
    ("fails_at", "after", "generations", "orphans"),
    [(1, False, 1, 0), (1, True, 1, 1), (2, False, 1, 1), (2, True, 2, 0)],
)
def test_a_crash_at_each_step_leaves_the_old_state_or_a_known_orphan(
    roll_fd: int, fails_at: int, after: bool, generations: int, orphans: int
) -> None:
    """Before the list: nothing. Between list and chain: a list that can be adopted by its C4."""
    write_generation(roll_fd, "A001", hash_list("a"), NOW)
    prepared = prepare_generation(roll_fd, "A001", hash_list("b"), LATER)
    with pytest.raises(OSError, match="gone"):
        commit_generation(roll_fd, prepared, durable=Dying(fails_at, after))
    history = read_history(roll_fd)
    assert len(history.generations) == generations
    assert [one.c4 for one in history.orphans] == [prepared.c4] * orphans
    assert [one.trouble for one in history.problems] == [Trouble.NOT_IN_CHAIN] * orphans
    if orphans:
        added = adopt_generation(roll_fd, prepared.name, prepared.c4)
        assert added.sequence == 2
        assert read_history(roll_fd).problems == ()
        with pytest.raises(BadManifest, match="already"):
            adopt_generation(roll_fd, prepared.name, prepared.c4)


def test_the_first_list_of_all_can_be_adopted_too(roll_fd: int) -> None:
    """A crash before there ever was a chain."""
    prepared = prepare_generation(roll_fd, "A001", hash_list("a"), NOW)
    with pytest.raises(OSError, match="gone"):
        commit_generation(roll_fd, prepared, durable=Dying(1, True))
    assert troubles(roll_fd) == [Trouble.NO_CHAIN, Trouble.NOT_IN_CHAIN]
    with pytest.raises(BadManifest, match="no ascmhl_chain"):
        write_generation(roll_fd, "A001", hash_list("a"), LATER)
    adopt_generation(roll_fd, prepared.name, prepared.c4)
    assert troubles(roll_fd) == []


def test_a_list_of_another_content_is_not_adopted(roll: Path, roll_fd: int) -> None:
    """Only what is known from elsewhere, byte for byte."""
    written = write_generation(roll_fd, "A001", hash_list("a"), NOW)
    (roll / "ascmhl/0002_x.mhl").write_bytes((roll / written.path).read_bytes() + b"\n")
    with pytest.raises(BadManifest, match="C4"):
        adopt_generation(roll_fd, "0002_x.mhl", written.c4)


# --- tampering, each told as what it is


def two_generations(roll_fd: int) -> None:
    write_generation(roll_fd, "A001", hash_list("a"), NOW)
    write_generation(roll_fd, "A001", hash_list("b"), LATER)


FIRST, SECOND = "0001_A001_2031-05-04_193000Z.mhl", "0002_A001_2031-05-04_223000Z.mhl"


def test_an_altered_list_is_told(roll: Path, roll_fd: int) -> None:
    """One digit of one digest, and the chain's C4 is another."""
    two_generations(roll_fd)
    at = roll / "ascmhl" / FIRST
    at.write_bytes(at.read_bytes().replace(b"9f9f", b"9f9e"))
    history = read_history(roll_fd)
    assert [(one.trouble, one.name) for one in history.problems] == [(Trouble.ALTERED, FIRST)]
    assert [one.is_sound for one in history.generations] == [False, True]


def test_a_missing_list_is_told(roll: Path, roll_fd: int) -> None:
    """A generation taken away."""
    two_generations(roll_fd)
    (roll / "ascmhl" / FIRST).unlink()
    history = read_history(roll_fd)
    assert [(one.trouble, one.name) for one in history.problems] == [(Trouble.MISSING, FIRST)]
    assert history.generations[0].hash_list is None


def test_a_generation_cut_out_of_the_chain_is_told(roll: Path, roll_fd: int) -> None:
    """Both the gap in the count and the list that nothing names."""
    two_generations(roll_fd)
    at = roll / "ascmhl/ascmhl_chain.xml"
    at.write_bytes(chain_xml(read_chain(at.read_bytes()).entries[1:]))
    assert troubles(roll_fd) == [Trouble.SEQUENCE, Trouble.NOT_IN_CHAIN]


def test_a_chain_out_of_order_or_double_is_told(roll: Path, roll_fd: int) -> None:
    """Section 7.4.1: 1, 2, 3 in order, each once."""
    two_generations(roll_fd)
    at = roll / "ascmhl/ascmhl_chain.xml"
    first, second = read_chain(at.read_bytes()).entries
    at.write_bytes(chain_xml((second, first)))
    assert troubles(roll_fd) == [Trouble.SEQUENCE]
    at.write_bytes(chain_xml((first, second, ChainEntry(3, first.name, first.c4))))
    assert troubles(roll_fd) == [Trouble.SEQUENCE]


def test_a_missing_chain_is_told_and_nothing_is_appended(roll: Path, roll_fd: int) -> None:
    """A new chain would hide that there was an older history."""
    two_generations(roll_fd)
    (roll / "ascmhl/ascmhl_chain.xml").unlink()
    assert troubles(roll_fd) == [Trouble.NO_CHAIN, Trouble.NOT_IN_CHAIN, Trouble.NOT_IN_CHAIN]
    with pytest.raises(BadManifest):
        write_generation(roll_fd, "A001", hash_list("c"), LATER)


@pytest.mark.parametrize("data", [b"", b"<!DOCTYPE x><x/>", b"\0" * 100])
def test_a_chain_that_cant_be_read_is_told_and_stays(roll: Path, roll_fd: int, data: bytes) -> None:
    """It is not replaced by one that says less."""
    two_generations(roll_fd)
    (roll / "ascmhl/ascmhl_chain.xml").write_bytes(data)
    assert Trouble.BAD_CHAIN in troubles(roll_fd)
    with pytest.raises(BadManifest, match="ascmhl_chain"):
        write_generation(roll_fd, "A001", hash_list("c"), LATER)
    assert (roll / "ascmhl/ascmhl_chain.xml").read_bytes() == data


def test_a_list_that_cant_be_read_is_told(roll: Path, roll_fd: int) -> None:
    """Even where the chain's C4 agrees with it."""
    write_generation(roll_fd, "A001", hash_list("a"), NOW)
    bad = (roll / "ascmhl" / FIRST).read_bytes().replace(b">a<", b">../a<")
    (roll / "ascmhl" / FIRST).write_bytes(bad)
    (roll / "ascmhl/ascmhl_chain.xml").write_bytes(chain_xml([ChainEntry(1, FIRST, c4_of(bad))]))
    history = read_history(roll_fd)
    assert [one.trouble for one in history.problems] == [Trouble.BAD_LIST]
    assert "leaves its folder" in str(history.problems[0])
    assert history.generations[0].unaltered
    assert not history.generations[0].is_sound


def test_links_are_never_followed(roll: Path, roll_fd: int, tmp_path: Path) -> None:
    """Neither for a list, nor for the chain, nor for the folder; and a pipe is not waited for."""
    two_generations(roll_fd)
    (roll / "ascmhl" / FIRST).rename(tmp_path / "away.mhl")
    (roll / "ascmhl" / FIRST).symlink_to(tmp_path / "away.mhl")
    assert troubles(roll_fd) == [Trouble.BAD_LIST]
    (roll / "ascmhl" / FIRST).unlink()
    os.mkfifo(roll / "ascmhl" / FIRST)
    assert troubles(roll_fd) == [Trouble.BAD_LIST]
    (roll / "ascmhl" / FIRST).unlink()
    (roll / "ascmhl" / FIRST).mkdir()
    assert troubles(roll_fd) == [Trouble.BAD_LIST]
    (roll / "ascmhl").rename(tmp_path / "elsewhere")
    (roll / "ascmhl").symlink_to(tmp_path / "elsewhere")
    assert troubles(roll_fd) == [Trouble.BAD_CHAIN]
    before = sorted(os.listdir(tmp_path / "elsewhere"))
    with pytest.raises(BadManifest, match="link"):
        write_generation(roll_fd, "A001", hash_list("c"), LATER)
    assert sorted(os.listdir(tmp_path / "elsewhere")) == before


def test_references_are_checked_by_their_c4(roll: Path, roll_fd: int) -> None:
    """Nested histories (5.3.2): right, altered, missing, behind a link."""
    (roll / "Card").mkdir()
    nested_fd = os.open(roll / "Card", os.O_RDONLY)
    nested = write_generation(nested_fd, "Card", hash_list("n"), NOW)
    os.close(nested_fd)
    path = f"Card/{nested.path}"
    references = (Reference(path, nested.c4),)
    write_generation(roll_fd, "A001", hash_list("a", references=references), NOW)
    assert troubles(roll_fd) == []
    data = (roll / path).read_bytes()
    (roll / path).write_bytes(data + b" ")
    assert troubles(roll_fd) == [Trouble.REFERENCE]
    (roll / path).unlink()
    assert troubles(roll_fd) == [Trouble.REFERENCE]
    (roll / path).write_bytes(data)
    (roll / "Card").rename(roll / "Other")
    (roll / "Card").symlink_to("Other")
    assert troubles(roll_fd) == [Trouble.REFERENCE]


def test_a_readme_and_leftovers_are_no_problem(roll: Path, roll_fd: int) -> None:
    """5.3.1 allows README.txt; unfinished names are not lists."""
    two_generations(roll_fd)
    (roll / "ascmhl/README.txt").write_text("how to verify")
    (roll / f"ascmhl/{UNFINISHED_PREFIX}abc-1").write_bytes(b"<")
    assert troubles(roll_fd) == []


def test_problems_show_names_safely(roll: Path, roll_fd: int) -> None:
    """A name chosen to fool a screen does not reach it."""
    two_generations(roll_fd)
    (roll / "ascmhl/0003_\x1b[2J\n.mhl").write_bytes(b"")
    (problem,) = read_history(roll_fd).problems
    assert str(problem).isprintable()
    assert problem.trouble is Trouble.NOT_IN_CHAIN


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_any_single_change_to_any_file_of_a_history_is_told(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    """One byte changed, cut out or put in, anywhere in the lists or in what the chain says."""
    roll = tmp_path_factory.mktemp("roll")
    roll_fd = os.open(roll, os.O_RDONLY)
    try:
        two_generations(roll_fd)
        sound = read_history(roll_fd)
        at = roll / "ascmhl" / data.draw(st.sampled_from([FIRST, SECOND, "ascmhl_chain.xml"]))
        good = at.read_bytes()
        place = data.draw(st.integers(0, len(good) - 1))
        put = data.draw(st.binary(max_size=1))
        cut = data.draw(st.integers(0, 1))
        changed = good[:place] + put + good[place + cut :]
        at.write_bytes(changed)
        found = read_history(roll_fd)
        if at.name == "ascmhl_chain.xml":
            # White space or the like between elements says nothing and changes nothing.
            assert found.problems or found == sound
        else:
            assert bool(found.problems) == (changed != good)
    finally:
        os.close(roll_fd)
