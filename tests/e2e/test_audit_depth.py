"""How deep an audit goes, what it leaves behind, and where it goes on."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from fixtures.damage import flip_bit
from ingest.assurance.rereading import drives as rereading
from ingest.assurance.rereading import one_copy
from ingest.copying.journal import Journal
from ingest.manifest.history import History, commit_generation, prepare_generation, read_history
from ingest.manifest.model import HashList
from tests.conftest import Runner
from tests.e2e.further import CLIPS, FOLDER, disks_apart, looks, offloaded


@pytest.fixture
def shelf(tmp_path: Path, desk: Path, ingest: Runner, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Card A003, offloaded to HERON and OTTER."""
    disks_apart(monkeypatch)
    offloaded(tmp_path, ingest)
    return tmp_path


def history(shelf: Path, drive: str = "HERON") -> History:
    handle = os.open(shelf / drive / FOLDER, os.O_RDONLY)
    try:
        return read_history(handle)
    finally:
        os.close(handle)


def actions(shelf: Path, drive: str = "HERON") -> list[dict[str, set[str]]]:
    """Path -> actions, list by list in the chain's order; the history must be sound."""
    found = history(shelf, drive)
    assert found.problems == ()
    return [
        {entry.path: {str(one.action) for one in entry.hashes} for entry in made.entries}
        for made in _lists(found)
    ]


def _lists(found: History) -> Iterator[HashList]:
    for one in found.generations:
        assert one.hash_list is not None
        yield one.hash_list


def test_an_audit_is_added_to_the_drives_hash_lists(shelf: Path, ingest: Runner) -> None:
    """`verified` for what was read and equal, `failed` for what was not, on that drive alone;
    what is missing is told in the list's comment."""
    flip_bit(shelf / "HERON" / FOLDER / "CLIP/C0001.BIN")
    (shelf / "HERON" / FOLDER / "note.txt").unlink()
    ran = ingest("audit", "--json")
    assert ran.code == 3
    heron, otter = ran.document["drives"]
    assert len(heron["hash_lists"]) == len(otter["hash_lists"]) == 1
    first, second = actions(shelf)
    assert set(first) == set(CLIPS)
    assert second == {path: {"verified"} for path in CLIPS if path != "note.txt"} | {
        "CLIP/C0001.BIN": {"failed"}
    }
    assert actions(shelf, "OTTER")[1] == {path: {"verified"} for path in CLIPS}
    *_, last = _lists(history(shelf))
    assert last.process == "in-place"
    assert "note.txt: missing" in last.creator.comment


@pytest.mark.parametrize("words", [("--no-record",), ("--quick",)])
def test_without_a_record_no_list_is_written(
    shelf: Path, ingest: Runner, words: tuple[str, ...]
) -> None:
    """Nor after a look that proves nothing."""
    before = sorted((shelf / "HERON").rglob("*"))
    assert ingest("audit", *words).code == 0
    assert sorted((shelf / "HERON").rglob("*")) == before


def test_a_drive_of_another_catalog_is_not_written_to(
    shelf: Path, ingest: Runner, tmp_path: Path
) -> None:
    """A client's drive is read, and left as it is."""
    before = sorted((shelf / "HERON").rglob("*"))
    words = ("audit", shelf / "HERON", "--catalog", tmp_path / "other.sqlite3", "--json")
    ran = ingest(*words)
    assert ran.code == 0
    assert ran.document["drives"][0]["rolls"][0]["matched"] == len(CLIPS)
    assert sorted((shelf / "HERON").rglob("*")) == before


def test_a_drive_with_read_errors_is_not_written_to(
    shelf: Path, ingest: Runner, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not now, and not at the next audit of another part of it."""
    real = one_copy.read_cold

    def failing(root: int, path: str, *rest: Any) -> Any:
        if path.endswith("C0002.BIN"):
            raise OSError(5, "Input/output error")
        return real(root, path, *rest)

    with monkeypatch.context() as dying:
        dying.setattr(one_copy, "read_cold", failing)
        ran = ingest("audit", "HERON", "--json")
    assert ran.code == 3
    assert "read errors" in ran.document["drives"][0]["no_hash_list"][0]
    assert len(actions(shelf)) == 1
    (listed,) = (shelf / "HERON").rglob("*.mhl")
    # Read without an error now: when this audit began, a copy there was unreadable.
    ran = ingest("audit", "HERON", "--json")
    assert ran.code == 3, "good now, but doubtful"
    assert ran.document["drives"][0]["no_hash_list"]
    assert [listed] == list((shelf / "HERON").rglob("*.mhl"))


def test_where_catalog_and_list_disagree_then_both_are_named(shelf: Path, ingest: Runner) -> None:
    """A whole, sound history with another digest for one file: which list, and what is there."""
    roll = shelf / "HERON" / FOLDER
    (listed,) = (roll / "ascmhl").glob("*.mhl")
    (made,) = _lists(history(shelf))
    digest = next(
        one.digest
        for entry in made.entries
        if entry.path == "note.txt"
        for one in entry.hashes
        if one.kind == "xxh128"
    )
    listed.write_bytes(listed.read_bytes().replace(digest.encode(), digest[::-1].encode()))
    _chain_anew(roll)
    ran = ingest("audit", "HERON", "--json")
    assert ran.code == 3
    (problem,) = ran.document["problems"]
    assert problem["path"] == f"{FOLDER}/note.txt"
    assert listed.name in problem["detail"]
    assert "the drive holds what the catalog says" in problem["detail"]
    assert ingest("audit", "HERON", "--by", "catalog").code == 0
    ran = ingest("audit", "HERON", "--by", "lists", "--json")
    assert [one["state"] for one in ran.document["problems"]] == ["mismatch"]


def _chain_anew(roll: Path) -> None:
    """As somebody would who covers their tracks."""
    from ingest.manifest.files import c4_of
    from ingest.manifest.model import ChainEntry
    from ingest.manifest.writing import chain_xml

    lists = sorted((roll / "ascmhl").glob("*.mhl"))
    (roll / "ascmhl" / "ascmhl_chain.xml").write_bytes(
        chain_xml(
            ChainEntry(number, one.name, c4_of(one.read_bytes()))
            for number, one in enumerate(lists, 1)
        )
    )


def test_what_only_the_lists_know_is_compared_with_them(shelf: Path, ingest: Runner) -> None:
    """A file that another catalog put there and listed: not unknown, and not unread."""
    roll = shelf / "HERON" / FOLDER
    (shelf / "more").mkdir()
    (shelf / "more" / "EXTRA.BIN").write_bytes(b"extra " * 999)
    words = ("--day", "1", "--roll", "A003", "--to", shelf / "HERON", "--to", shelf / "OTTER")
    other = ("--catalog", shelf / "other.sqlite3")
    assert ingest("offload", shelf / "more", *words, *other).code == 0
    ran = ingest("audit", "HERON", "--json")
    assert ran.code == 0, ran.out
    (told,) = ran.document["drives"][0]["rolls"]
    assert (told["files"], told["matched"], told["only_in_hash_lists"]) == (6, 6, 1)
    assert told["unknown"] == 0
    flip_bit(roll / "EXTRA.BIN")
    ran = ingest("audit", "HERON", "--json")
    assert [one["path"] for one in ran.document["problems"]] == [f"{FOLDER}/EXTRA.BIN"]


def test_a_broken_history_is_a_problem_and_the_copies_are_read_all_the_same(
    shelf: Path, ingest: Runner
) -> None:
    """By the catalog; the list that was tampered with is named."""
    (listed,) = (shelf / "HERON" / FOLDER / "ascmhl").glob("*.mhl")
    listed.write_bytes(listed.read_bytes() + b"\n")
    ran = ingest("audit", "HERON", "--json")
    assert ran.code == 3
    (problem,) = ran.document["problems"]
    assert problem["path"].endswith(listed.name)
    assert ran.document["drives"][0]["rolls"][0]["matched"] == len(CLIPS)


def test_a_list_that_a_crash_left_is_adopted_when_the_journal_knows_it(
    shelf: Path, ingest: Runner
) -> None:
    """Between its rename and the chain's; a half-written one is removed."""
    roll = shelf / "HERON" / FOLDER
    chain = roll / "ascmhl" / "ascmhl_chain.xml"
    (made,) = _lists(history(shelf))
    handle = os.open(roll, os.O_RDONLY)
    before = chain.read_bytes()
    try:
        journal = Journal(handle, "0" * 16)
        assert made.creator.created is not None
        prepared = prepare_generation(handle, "A003", made, made.creator.created)
        journal.note_list(prepared.name, prepared.c4)
        journal.close()
        commit_generation(handle, prepared)
    finally:
        os.close(handle)
    chain.write_bytes(before)
    half = roll / "ascmhl" / f".unfinished-{'1' * 16}-{'2' * 8}"
    half.touch()
    ran = ingest("audit", "HERON", "--json")
    assert ran.code == 0, ran.out
    assert "the next run takes it in" in ran.document["drives"][0]["notes"][0]
    assert not half.exists()
    assert len(actions(shelf)) == 3, "the one left, adopted, and the audit's"


def test_a_list_that_nobody_knows_is_told(shelf: Path, ingest: Runner) -> None:
    """Outside the chain and in no journal: never taken in."""
    folder = shelf / "HERON" / FOLDER / "ascmhl"
    (listed,) = folder.glob("*.mhl")
    (folder / "0002_strange.mhl").write_bytes(listed.read_bytes())
    ran = ingest("audit", "HERON", "--json")
    assert ran.code == 3
    assert [one["path"].rpartition("/")[2] for one in ran.document["problems"]] == [
        "0002_strange.mhl"
    ]
    assert "not in the chain" in ran.document["problems"][0]["detail"]


def test_an_interrupted_audit_goes_on(
    shelf: Path, ingest: Runner, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was read is recorded and listed; the next run reads the rest, says so, and the one
    after reads all again."""
    count = 0
    stops: list[threading.Event] = []
    real, real_reread = one_copy.read_cold, rereading.reread

    def stopping(root: int, path: str, *rest: Any) -> Any:
        nonlocal count
        count += 1
        if count == 2:
            stops[0].set()
        return real(root, path, *rest)

    def reread(tasks: Any, *, stop: threading.Event, **rest: Any) -> Any:
        stops.append(stop)
        yield from real_reread(tasks, stop=stop, **rest)

    with monkeypatch.context() as cut:
        cut.setattr(one_copy, "read_cold", stopping)
        cut.setattr("ingest.jobs.audit.reread", reread)
        ran = ingest("audit", "HERON", "--json")
    assert ran.document["verdict"] == "unfinished"
    (roll,) = ran.document["drives"][0]["rolls"]
    done = roll["matched"]
    assert 0 < done < len(CLIPS)
    assert len(actions(shelf)[1]) == done, "only what was read is listed"
    ran = ingest("audit", "HERON", "--json")
    assert (ran.code, ran.document["verdict"]) == (0, "matched")
    (roll,) = ran.document["drives"][0]["rolls"]
    assert (roll["matched"], roll["read_before"], roll["not_reached"]) == (
        len(CLIPS) - done,
        done,
        0,
    )
    assert ran.document["drives"][0]["went_on_from"]
    (roll,) = ingest("audit", "HERON", "--json").document["drives"][0]["rolls"]
    assert (roll["matched"], roll["read_before"]) == (len(CLIPS), 0)


def test_again_reads_what_was_read(shelf: Path, ingest: Runner) -> None:
    """A part was audited just now; the whole goes on with the rest, or not."""
    assert ingest("audit", shelf / "HERON" / FOLDER / "CLIP").code == 0
    (roll,) = ingest("audit", "HERON", "--json", "--no-record").document["drives"][0]["rolls"]
    assert (roll["matched"], roll["read_before"]) == (2, 3)
    (roll,) = ingest("audit", "HERON", "--json", "--again").document["drives"][0]["rolls"]
    assert (roll["matched"], roll["read_before"]) == (5, 0)


def test_after_a_missing_copy_was_mended_the_next_audit_reads_everything(
    shelf: Path, ingest: Runner
) -> None:
    """The audit that found it missing was through; it was taken for one that had been cut off."""
    (shelf / "HERON" / FOLDER / "note.txt").unlink()
    assert ingest("audit", "HERON").code == 3
    assert ingest("mend", "HERON").code == 0
    (roll,) = ingest("audit", "HERON", "--json").document["drives"][0]["rolls"]
    assert (roll["matched"], roll["read_before"]) == (5, 0)


def test_oldest_reads_the_stalest_first(shelf: Path, ingest: Runner) -> None:
    """What was audited last comes last, across rolls."""
    assert ingest("audit", shelf / "HERON" / FOLDER / "CLIP").code == 0
    ran = ingest("audit", "HERON", "--oldest", "1h", "--json")
    assert (ran.code, ran.document["verdict"]) == (0, "matched")
    order = {path: looks(shelf, "HERON", path)[-1].id for path in CLIPS}
    assert max(order["EMPTY"], order["note.txt"]) < min(
        order[path] for path in CLIPS if path.startswith("CLIP/")
    )


def test_when_the_time_is_used_up_then_it_says_what_is_left(
    shelf: Path, ingest: Runner, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing is begun that would not be through; the next night takes up there."""
    ticks = iter(range(0, 10**9, 1))
    real = rereading.reread

    def slow(*words: Any, **rest: Any) -> Any:
        """A clock that moves on by a second whenever it is asked."""
        return real(*words, **rest, clock=lambda: float(next(ticks)))

    monkeypatch.setattr("ingest.jobs.audit.reread", slow)
    ran = ingest("audit", "HERON", "--oldest", "4s", "--json")
    assert (ran.code, ran.document["verdict"]) == (0, "part")
    drive = ran.document["drives"][0]
    assert drive["time_up"] is True
    assert drive["left"]["files"] == drive["rolls"][0]["not_reached"] > 0
    assert ingest("audit", "HERON", "--oldest", "4s").out.startswith("AUDIT: MATCHED as far as")
    read = {path for path in CLIPS if looks(shelf, "HERON", path)[-1].act == "audited"}
    for _ in range(9):
        ingest("audit", "HERON", "--oldest", "4s")
        read |= {path for path in CLIPS if looks(shelf, "HERON", path)[-1].act == "audited"}
    assert read == set(CLIPS), "some night every file has its turn"


@pytest.mark.parametrize(
    "words",
    [("--oldest", "soon"), ("--oldest", "0h"), ("--oldest", "2h", "--quick")],
)
def test_a_time_that_is_none_is_refused(
    shelf: Path, ingest: Runner, words: tuple[str, ...]
) -> None:
    """Exit 2 and what to type."""
    ran = ingest("audit", *words)
    assert ran.code == 2
    assert "Do: " in ran.err


def test_when_a_folder_was_renamed_by_hand_then_it_is_named_and_nothing_is_to_be_mended(
    shelf: Path, ingest: Runner
) -> None:
    """Every file of the roll is missing: said in one line, with what its folder is called now.
    Given its name back the copies are doubtful, which is said once for all of them."""
    folder = shelf / "HERON" / FOLDER
    aside = folder.with_name("somebody's")
    folder.rename(aside)
    ran = ingest("audit", "HERON", "--no-record")
    assert ran.code == 3
    lines = ran.out.splitlines()
    (said,) = [line for line in lines if "By its hash list its folder is called" in line]
    assert f"somebody's now. Do: give it its old name back ({FOLDER})" in said
    assert f"! HERON: {FOLDER}: all {len(CLIPS)} files are missing" in lines
    assert not any("ingest mend" in line for line in lines)
    assert ingest("audit", "HERON", "--json").document["drives"][0]["rolls"][0]["roll"]
    aside.rename(folder)
    again = ingest("audit", "HERON").out.splitlines()
    assert len([line for line in again if "not enough to trust it again" in line]) == 1
    assert f"    {FOLDER}/note.txt" in again
