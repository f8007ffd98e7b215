"""A roll's folder on a drive: held by one run, cleaned only of what is ours."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from ingest.copying.journal import JOURNAL, Entry
from ingest.copying.roll_folder import LOCK, RESERVED, RollFolder, is_ours
from ingest.copying.values import Destination
from ingest.drives import look_at
from ingest.errors import BadDestination, Unfinished

RUN, OTHER = "a" * 16, "b" * 16
FOLDER = "Salt Wind/D01_2026-03-14/A001"
Open = Callable[..., RollFolder]


@pytest.fixture
def roll(tmp_path: Path) -> Path:
    return tmp_path / FOLDER


@pytest.fixture
def opened(tmp_path: Path) -> Iterator[Open]:
    """Open the roll's folder; everything is let go at the end."""
    root = os.open(tmp_path, os.O_RDONLY | os.O_DIRECTORY)
    held: list[RollFolder] = []

    def call(run: str = RUN, *, take_over: bool = False) -> RollFolder:
        place = Destination("HERON", look_at(str(tmp_path)), FOLDER)
        held.append(RollFolder(root, place, run, take_over=take_over))
        return held[-1]

    yield call
    for folder in held:
        folder.release(complete=False)
    os.close(root)


def owner(roll: Path, **changed: object) -> None:
    """Rewrite who holds the lock."""
    place = roll / LOCK / "owner.json"
    place.write_text(json.dumps({**json.loads(place.read_text()), **changed}))


def left_by(roll: Path, tmp_path: Path, **changed: object) -> None:
    """A lock that another run left behind, or holds."""
    root = os.open(tmp_path, os.O_RDONLY | os.O_DIRECTORY)
    folder = RollFolder(root, Destination("HERON", look_at(str(tmp_path)), FOLDER), OTHER)
    owner(roll, **changed)
    folder.journal.close()
    os.close(folder.handle)
    os.close(root)


def ended_pid() -> int:
    child = subprocess.Popen([sys.executable, "-c", ""])
    child.wait()
    return child.pid


def test_the_folder_is_made_and_held(opened: Open, roll: Path) -> None:
    """With a lock that says who, and a journal that says which run."""
    opened()
    assert json.loads((roll / LOCK / "owner.json").read_text())["run"] == RUN
    assert RUN in (roll / JOURNAL).read_text()


def test_a_complete_run_leaves_nothing_of_ours(opened: Open, roll: Path) -> None:
    """Only the footage stays."""
    folder = opened()
    (roll / "C0001.MOV").write_bytes(b"x")
    folder.release(complete=True)
    assert os.listdir(roll) == ["C0001.MOV"]


def test_a_run_that_is_not_complete_leaves_its_journal(opened: Open, roll: Path) -> None:
    """The next run reads in it what was compared."""
    folder = opened()
    entry = Entry(RUN, "u", "C0001.MOV", 1, 2, "s", {"xxh128": "d"})
    folder.journal.add([entry])
    folder.release(complete=False)
    assert os.listdir(roll) == [JOURNAL]
    assert opened(OTHER).earlier == {"C0001.MOV": entry}


def test_letting_go_twice_is_harmless(opened: Open) -> None:
    """The second time does nothing."""
    folder = opened()
    folder.release(complete=True)
    folder.release(complete=True)
    assert folder.handle == -1


def test_another_run_is_refused_while_the_folder_is_held(opened: Open, roll: Path) -> None:
    """Nothing of the holder's is touched."""
    opened()
    unfinished = roll / f".ingest-{RUN}-0.unfinished"
    unfinished.write_bytes(b"half")
    with pytest.raises(BadDestination, match="another run") as told:
        opened(OTHER)
    assert "HERON" in told.value.what
    assert unfinished.read_bytes() == b"half"
    assert sorted(os.listdir(roll)) == sorted([unfinished.name, JOURNAL, LOCK])


@pytest.mark.parametrize("how", ["its process ended", "another boot", "nobody's name", "no name"])
def test_the_lock_of_a_run_that_ended_is_taken_over(
    opened: Open, roll: Path, tmp_path: Path, how: str
) -> None:
    """Known to have ended: no such process, an earlier boot, or it was just letting go."""
    changed: dict[str, object] = {}
    if how == "its process ended":
        changed = {"pid": ended_pid()}
    elif how == "another boot":
        changed = {"boot": "00000000-0000-0000-0000-000000000000"}
    left_by(roll, tmp_path, **changed)
    if how == "nobody's name":
        (roll / LOCK / "owner.json").write_text("")
    elif how == "no name":
        (roll / LOCK / "owner.json").unlink()
    opened()
    assert json.loads((roll / LOCK / "owner.json").read_text())["run"] == RUN
    assert sorted(os.listdir(roll)) == sorted([JOURNAL, LOCK])


@pytest.mark.parametrize("changed", [{"host": "another-cart"}, {"pid": "what"}, {"pid": None}])
def test_a_lock_that_may_still_be_held_is_not_taken(
    opened: Open, roll: Path, tmp_path: Path, changed: dict[str, object]
) -> None:
    """A run on another machine can't be seen from here; only a person may say that it ended."""
    left_by(roll, tmp_path, **changed)
    with pytest.raises(BadDestination) as told:
        opened()
    assert "--take-over" in told.value.do
    opened(take_over=True)
    assert json.loads((roll / LOCK / "owner.json").read_text())["run"] == RUN


def test_what_an_ended_run_left_half_written_is_removed(
    opened: Open, roll: Path, tmp_path: Path
) -> None:
    """Only names of exactly our own making, in folders below too; footage never."""
    kept = [
        "C0001.MOV",
        ".ingest-notes.txt",
        f".ingest-{OTHER}-0.unfinished.mov",
        f"ingest-{OTHER}-0.unfinished",
        f".ingest-{OTHER[:8]}-0.unfinished",
        f".ingest-{OTHER}-x.unfinished",
        ".unfinished",
    ]
    left_by(roll, tmp_path, pid=ended_pid())
    (roll / "CLIP").mkdir()
    for name in kept:
        (roll / name).write_bytes(b"footage")
        (roll / "CLIP" / name).write_bytes(b"footage")
    gone = [
        roll / f".ingest-{OTHER}-0.unfinished",
        roll / "CLIP" / f".ingest-{OTHER}-17.unfinished",
    ]
    for place in gone:
        place.write_bytes(b"half")
    opened()
    assert not any(place.exists() for place in gone)
    for folder in (roll, roll / "CLIP"):
        assert set(kept) <= set(os.listdir(folder))


def test_unfinished_names_behind_a_link_are_left_alone(
    opened: Open, roll: Path, tmp_path: Path
) -> None:
    """Cleaning up never leaves the roll's folder."""
    outside = tmp_path / "outside"
    outside.mkdir()
    mine = outside / f".ingest-{OTHER}-0.unfinished"
    mine.write_bytes(b"half")
    roll.mkdir(parents=True)
    (roll / "link").symlink_to(outside)
    opened()
    assert mine.exists()


@pytest.mark.parametrize("where", ["Salt Wind", FOLDER])
def test_a_folder_that_is_a_link_is_refused(
    opened: Open, roll: Path, tmp_path: Path, where: str
) -> None:
    """What is written there would land elsewhere."""
    outside = tmp_path / "outside"
    outside.mkdir()
    (tmp_path / where).parent.mkdir(parents=True, exist_ok=True)
    (tmp_path / where).symlink_to(outside)
    with pytest.raises(Unfinished, match="HERON"):
        opened()
    assert not list(outside.iterdir())


def test_a_file_in_the_folders_place_is_refused(opened: Open, tmp_path: Path) -> None:
    """It stays as it is."""
    (tmp_path / "Salt Wind").write_bytes(b"a letter")
    with pytest.raises(Unfinished):
        opened()
    assert (tmp_path / "Salt Wind").read_bytes() == b"a letter"


def test_no_handle_is_left_open_when_it_is_refused(opened: Open, tmp_path: Path) -> None:
    """Refused a hundred times, a run must still be able to open its files."""
    opened()
    before = len(os.listdir("/proc/self/fd"))
    with pytest.raises(BadDestination):
        opened(OTHER)
    assert len(os.listdir("/proc/self/fd")) == before


def test_our_own_names_are_known_as_ours() -> None:
    """Journal, lock, and unfinished names, and nothing that merely resembles them."""
    assert all(map(is_ours, RESERVED))
    assert is_ours(f"{LOCK}-{RUN}")
    assert is_ours(f".ingest-{RUN}-3.unfinished")
    assert not any(map(is_ours, ["C0001.MOV", "ingest", ".ingest", f".ingest-{RUN}-3", ""]))
