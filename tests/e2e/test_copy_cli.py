"""`ingest copy`: a further copy from drives, each file from a copy that is shown to be good."""

from __future__ import annotations

import hashlib
import os
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from fixtures.damage import flip_bit
from ingest.catalog.catalog import Catalog
from ingest.copying import finishing
from ingest.evidence import Act, Against, State
from ingest.manifest.history import read_history
from tests.conftest import Runner
from tests.e2e.further import CLIPS, FOLDER, TIME, disks_apart, looks, offloaded, whole


@pytest.fixture
def shelf(tmp_path: Path, ingest: Runner, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Card A003, offloaded to HERON and OTTER; STOAT is an empty drive."""
    disks_apart(monkeypatch)
    offloaded(tmp_path, ingest)
    return tmp_path


def test_a_further_copy_is_whole_recorded_and_listed(shelf: Path, ingest: Runner) -> None:
    """From two good drives, without the card: footage, times, empty folders, evidence, list."""
    (shelf / "card").rename(shelf / "gone")
    ran = ingest("copy", "--to", shelf / "STOAT", "--json")
    assert ran.code == 0, ran.err
    told = ran.document
    assert (told["roll"], told["files"], told["verdict"]) == ("A003", 5, "matched")
    assert (told["copies"], told["problems"], told["card_read"]) == (3, [], 0)
    (drive,) = told["drives"]
    assert (drive["name"], drive["files_matched"], drive["problems"]) == ("STOAT", 5, 0)
    assert drive["bytes"] == sum(map(len, CLIPS.values()))
    assert drive["folder"] == str(shelf / "STOAT" / FOLDER)
    whole(shelf, "STOAT")
    assert (shelf / "STOAT" / FOLDER / "VOID").is_dir()
    written, read = looks(shelf, "STOAT", "CLIP/C0001.BIN")
    assert (written.act, written.against) == (Act.WRITTEN, Against.NOTHING)
    assert (read.act, read.state, read.against) == (Act.READ_BACK, State.MATCHED, Against.CATALOG)
    assert read.run == written.run
    handle = os.open(shelf / "STOAT" / FOLDER, os.O_RDONLY)
    history = read_history(handle)
    os.close(handle)
    assert not history.problems
    (generation,) = history.generations
    assert generation.hash_list is not None
    md5 = {
        entry.path: next(one.digest for one in entry.hashes if one.kind == "md5")
        for entry in generation.hash_list.entries
    }
    assert md5 == {path: hashlib.md5(data).hexdigest() for path, data in CLIPS.items()}
    assert told["hash_list"] == [str(shelf / "STOAT" / FOLDER / "ascmhl" / generation.name)]


def test_it_carries_a_card_to_reuse_when_another_drive_is_lost(shelf: Path, ingest: Runner) -> None:
    """What was compared with the first checksum counts as a copy of the card."""
    assert ingest("copy", "--to", shelf / "STOAT").code == 0
    (shelf / "OTTER").rename(shelf / "lost")
    assert ingest("reuse", shelf / "card").code == 0


def test_from_two_half_damaged_drives_a_new_one_is_filled_whole(
    shelf: Path, ingest: Runner
) -> None:
    """Where a file is bad on one, the other steps in; the bad ones are named and recorded."""
    flip_bit(shelf / "HERON" / FOLDER / "CLIP/C0001.BIN")
    os.truncate(shelf / "HERON" / FOLDER / "CLIP/C0003.BIN", 100)
    flip_bit(shelf / "OTTER" / FOLDER / "CLIP/C0002.BIN")
    (shelf / "OTTER" / FOLDER / "note.txt").unlink()
    ran = ingest("copy", "--roll", "A003", "--to", shelf / "STOAT", "--json")
    assert ran.code == 3, "the footage has a problem, though not on the new drive"
    told = ran.document
    assert told["verdict"] == "matched"
    assert told["drives"][0]["files_matched"] == 5
    assert told["drives"][0]["problems"] == 0
    whole(shelf, "STOAT")
    bad = {(one["drive"], one["path"], one["state"]) for one in told["problems"]}
    # Which of two equally good drives is read first is open; the second is read only where the
    # first one failed, so that only one's damage is sure to be seen.
    heron = {("HERON", "CLIP/C0001.BIN", "mismatch"), ("HERON", "CLIP/C0003.BIN", "short")}
    otter = {("OTTER", "CLIP/C0002.BIN", "mismatch"), ("OTTER", "note.txt", "missing")}
    assert bad in (heron, otter)
    for drive, path, state in bad:
        last = looks(shelf, drive, path)[-1]
        assert (str(last.state), last.against) == (state, Against.CATALOG)
    assert all(one["detail"] for one in told["problems"] if one["state"] == "mismatch")


def test_each_bad_copy_is_recorded_before_its_file_is_taken_from_elsewhere(
    shelf: Path, ingest: Runner, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Bad news is committed by itself, at once."""
    for name in ("HERON", "OTTER"):
        flip_bit(shelf / name / FOLDER / "CLIP/C0001.BIN")
    groups: list[tuple[list[State], int]] = []
    real = Catalog.record_looks

    def record(self: Catalog, run: str, observer: Any, some: Any) -> None:
        groups.append(([one.state for one in some], threading.get_ident()))
        real(self, run, observer, some)

    monkeypatch.setattr(Catalog, "record_looks", record)
    assert ingest("copy", "--to", shelf / "STOAT").code == 3
    bad = [states for states, _ in groups if State.MISMATCH in states]
    assert bad == [[State.MISMATCH], [State.MISMATCH]]


def test_when_both_copies_of_a_file_are_bad_then_it_is_named_and_the_rest_is_copied(
    shelf: Path, ingest: Runner
) -> None:
    """Nothing that isn't what was copied first gets a name on the new drive."""
    for name in ("HERON", "OTTER"):
        flip_bit(shelf / name / FOLDER / "CLIP/C0002.BIN")
    ran = ingest("copy", "--to", shelf / "STOAT")
    assert ran.code == 3
    assert ran.out.startswith("A003: PROBLEM. 4 of 5 files stand on STOAT, read back and equal")
    assert "! CLIP/C0002.BIN: no good copy" in ran.out
    assert "HERON: CLIP/C0002.BIN: mismatch" in ran.out
    assert "OTTER: CLIP/C0002.BIN: mismatch" in ran.out
    whole(shelf, "STOAT", but=("CLIP/C0002.BIN",))


@pytest.mark.usefixtures("shelf")
def test_what_was_copied_is_known_and_not_copied_again(shelf: Path, ingest: Runner) -> None:
    """A second run has nothing to do, and adds no list."""
    assert ingest("copy", "--to", shelf / "STOAT").code == 0
    ran = ingest("copy", "--to", "STOAT", "--json")
    assert ran.code == 0
    assert (ran.document["known"], ran.document["hash_list"]) == (5, [])
    assert ingest("copy", "--to", "STOAT").out.startswith("A003: NOTHING NEW.")
    assert len(looks(shelf, "STOAT", "note.txt")) == 2


def test_an_interrupted_copy_goes_on(
    shelf: Path, ingest: Runner, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A drive that fails in the middle ends with 4; the same command makes it whole."""
    real = finishing.platforms.rename_new
    fail = iter([False, True])

    def rename_new(old: str, new: str, folder: int) -> bool:
        if ".unfinished" in old and new != "ascmhl" and next(fail, True):
            raise OSError(5, "Input/output error")
        return real(old, new, folder)

    with monkeypatch.context() as patch:
        patch.setattr(finishing.platforms, "rename_new", rename_new)
        (shelf / "STOAT" / ".ingest-drive.json").write_text('{"drive": "s", "name": "STOAT"}')
        ran = ingest("copy", "--to", shelf / "STOAT", "--json")
    assert ran.code == 4
    assert "errors" in ran.document["drives"][0]["stopped"]
    ran = ingest("copy", "--to", shelf / "STOAT", "--json")
    assert ran.code == 0, ran.out
    assert ran.document["verdict"] == "matched"
    whole(shelf, "STOAT")


def test_a_stop_leaves_nothing_half_written_and_is_gone_on_with(
    shelf: Path, ingest: Runner, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ctrl-C ends with 130."""
    from ingest.jobs.further import filling

    real = filling.copy

    def copy(*words: Any, stop: threading.Event, **more: Any) -> Iterator[Any]:
        stop.set()
        yield from real(*words, stop=stop, **more)

    with monkeypatch.context() as patch:
        patch.setattr(filling, "copy", copy)
        ran = ingest("copy", "--to", shelf / "STOAT")
    assert ran.code == 130
    assert ran.out.startswith("A003: STOPPED.")
    left = [one.name for one in (shelf / "STOAT").rglob("*.unfinished")]
    assert left == []
    ran = ingest("copy", "--to", shelf / "STOAT", "--json")
    assert ran.code == 0
    assert len(ran.document["hash_list"]) == 1
    whole(shelf, "STOAT")


def test_when_the_drives_with_the_copies_are_away_then_it_says_which_to_plug_in(
    shelf: Path, ingest: Runner
) -> None:
    """One that is here is enough; with none it is refused before anything is written."""
    (shelf / "OTTER").rename(shelf / "away")
    assert ingest("copy", "--to", shelf / "STOAT", "--from", "OTTER").code == 2
    (shelf / "HERON").rename(shelf / "away2")
    ran = ingest("copy", "--to", shelf / "STOAT")
    assert ran.code == 2
    assert "HERON and OTTER" in ran.err
    assert list((shelf / "STOAT").iterdir()) == []


def test_only_the_drive_that_is_named_is_read(shelf: Path, ingest: Runner) -> None:
    """--from: the other drive isn't asked."""
    ran = ingest("copy", "--to", shelf / "STOAT", "--from", "OTTER", "--json")
    assert ran.code == 0
    assert ran.document["sources"] == [{"name": "OTTER", "files": 5, "bad": 0}]


def test_a_drive_that_would_add_nothing_is_refused(
    shelf: Path, ingest: Runner, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On the device that holds a copy; on the system disk; inside a drive; over other content;
    without room: exit 2, one line, what to do, and nothing written."""
    from dataclasses import replace

    from ingest import drives

    seen = drives.look_at
    inside = shelf / "HERON" / "further"
    inside.mkdir()
    ran = ingest("copy", "--to", inside)
    assert (ran.code, "inside one another" in ran.err) == (2, True)

    def changed(**facts: Any) -> None:
        def look_at(path: str) -> drives.Volume:
            volume = seen(path)
            return replace(volume, **facts) if volume.root.endswith("STOAT") else volume

        monkeypatch.setattr(drives, "look_at", look_at)

    for facts, said in (
        ({"disks": ("disk-OTTER",)}, "one physical device"),
        ({"system": True}, "own disk"),
        ({"read_only": True}, "read-only"),
        ({"free": 1_000_000}, "Not enough room"),
        ({"fs_type": "exfat"}, ""),
    ):
        changed(**facts)
        ran = ingest("copy", "--to", shelf / "STOAT", "--dry-run")
        assert ran.code == (2 if said else 0), ran.err
        assert said in ran.err
        assert "Do: " in ran.err or not said
    monkeypatch.setattr(drives, "look_at", seen)
    other = shelf / "STOAT" / FOLDER / "note.txt"
    other.parent.mkdir(parents=True)
    other.write_bytes(b"other")
    ran = ingest("copy", "--to", shelf / "STOAT")
    assert (ran.code, "already taken by other content" in ran.err) == (2, True)
    assert other.read_bytes() == b"other"


def test_what_lies_there_already_is_compared_and_left(shelf: Path, ingest: Runner) -> None:
    """A copy that somebody made by hand becomes evidence; a bad one is told, and stays."""
    roll = shelf / "STOAT" / FOLDER
    (roll / "CLIP").mkdir(parents=True)
    for path in ("CLIP/C0001.BIN", "CLIP/C0003.BIN"):
        (roll / path).write_bytes(CLIPS[path])
        os.utime(roll / path, ns=(TIME, TIME))
    assert ingest("copy", "--to", shelf / "STOAT").code == 0
    whole(shelf, "STOAT")
    (look,) = looks(shelf, "STOAT", "CLIP/C0001.BIN")
    assert (look.act, look.state, look.against) == (Act.READ_BACK, State.MATCHED, Against.CATALOG)


def test_hostile_names_are_copied_and_shown_harmless(shelf: Path, ingest: Runner) -> None:
    """Newlines, escape codes and bytes that are no UTF-8 are names like others."""
    names = [b"-rf", b"new\nline", b"\x1b[2Jclear", b"caf\xe9", b"=1+1"]
    for name in names:
        with open(os.path.join(os.fsencode(shelf / "card"), name), "wb") as file:
            file.write(b"content of " + name)
    words = ("--roll", "A003", "--day", "1", "--to", "HERON", "--to", "OTTER")
    assert ingest("offload", shelf / "card", *words).code == 0
    flip_bit(
        Path(os.fsdecode(os.path.join(os.fsencode(shelf / "HERON" / FOLDER), b"\x1b[2Jclear")))
    )
    flip_bit(
        Path(os.fsdecode(os.path.join(os.fsencode(shelf / "OTTER" / FOLDER), b"\x1b[2Jclear")))
    )
    ran = ingest("copy", "--to", shelf / "STOAT")
    assert ran.code == 3
    assert "\x1b" not in ran.out + ran.err
    assert "\\x1b[2Jclear: mismatch" in ran.out
    for name in names:
        place = os.path.join(os.fsencode(shelf / "STOAT" / FOLDER), name)
        assert os.path.exists(place) == (name != b"\x1b[2Jclear")


def test_several_rolls_are_told_each(shelf: Path, ingest: Runner) -> None:
    """One document a roll; --day and --roll choose."""
    (shelf / "second").mkdir()
    (shelf / "second" / "C0009.BIN").write_bytes(b"another card")
    words = ("--roll", "B001", "--day", "1", "--to", "HERON", "--to", "OTTER")
    assert ingest("offload", shelf / "second", *words).code == 0
    assert ingest("copy", "--day", "7", "--to", shelf / "STOAT").code == 2
    ran = ingest("copy", "--day", "1", "--to", shelf / "STOAT", "--json")
    assert ran.code == 0
    assert ran.document["verdict"] == "matched"
    assert [one["roll"] for one in ran.document["rolls"]] == ["A003", "B001"]
    whole(shelf, "STOAT")
