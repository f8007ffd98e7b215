"""`ingest rebuild`: what hash lists say is a claim, and is never more until it is read."""

from __future__ import annotations

import hashlib
import os
import shutil
from pathlib import Path

import pytest

from fixtures.damage import flip_bit
from ingest.assurance.state import copy_state
from ingest.catalog.catalog import Catalog
from ingest.evidence import Act, Against, State
from tests.conftest import Runner
from tests.e2e.further import CLIPS, FOLDER, disks_apart, looks, offloaded, whole


@pytest.fixture
def shelf(tmp_path: Path, ingest: Runner, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Card A003, offloaded to HERON and OTTER; and then the catalog is lost."""
    disks_apart(monkeypatch)
    offloaded(tmp_path, ingest)
    for file in tmp_path.glob("catalog.sqlite3*"):
        file.unlink()
    return tmp_path


def rebuild(shelf: Path, ingest: Runner) -> None:
    """From both drives."""
    assert ingest("rebuild", shelf / "HERON", shelf / "OTTER").code == 0


def tree(place: Path) -> dict[str, tuple[int, int]]:
    """Everything on the drives, with size and time."""
    return {
        str(path): (path.lstat().st_size, path.lstat().st_mtime_ns)
        for drive in ("HERON", "OTTER")
        for path in sorted((place / drive).rglob("*"))
    }


def test_everything_comes_back_as_claims(shelf: Path, ingest: Runner) -> None:
    """Production, day, date, roll, files and digests from the drives alone; nothing is read."""
    before = tree(shelf)
    ran = ingest("rebuild", shelf / "HERON", shelf / "OTTER", "--json")
    assert ran.code == 0, ran.err
    told = ran.document
    assert (told["verdict"], told["new_files"], told["new_claims"]) == ("claimed", 5, 10)
    assert [drive["name"] for drive in told["drives"]] == ["HERON", "OTTER"]
    for drive in told["drives"]:
        assert drive["unlisted"] == 0
        (roll,) = drive["rolls"]
        assert roll == {
            "production": "Saltmarsh",
            "day": 1,
            "date": "2026-03-02",
            "roll": "A003",
            "folder": FOLDER,
            "files": 5,
            "other_list": 0,
            "missing": 0,
        }
    with Catalog.open(str(shelf / "catalog.sqlite3")) as catalog:
        files = {file.path: file for file in catalog.files(catalog.rolls())}
    assert {path: file.digests["md5"] for path, file in files.items()} == {
        path: hashlib.md5(data).hexdigest() for path, data in CLIPS.items()
    }
    (look,) = looks(shelf, "HERON", "CLIP/C0001.BIN")
    assert (look.act, look.state, look.against) == (Act.CLAIMED, State.CLAIMED, Against.OWN_LIST)
    assert copy_state([look]).state is State.CLAIMED
    assert tree(shelf) == before


def test_a_second_run_changes_nothing(shelf: Path, ingest: Runner) -> None:
    """Nor does one after an audit: a claim never follows evidence."""
    rebuild(shelf, ingest)
    told = ingest("rebuild", "HERON", "OTTER", "--json").document
    assert (told["new_files"], told["new_claims"]) == (0, 0)
    ingest("audit", "HERON")
    assert ingest("rebuild", "HERON").out.startswith("REBUILT: nothing new.")
    assert len(looks(shelf, "HERON", "note.txt")) == 2


def test_an_audit_turns_claims_into_evidence_that_carries_no_card(
    shelf: Path, ingest: Runner
) -> None:
    """What was compared with a list was not compared with the card: reuse holds, before and
    after."""
    rebuild(shelf, ingest)
    assert ingest("reuse", shelf / "card").code == 3
    assert ingest("audit").code == 0
    for drive in ("HERON", "OTTER"):
        _, look = looks(shelf, drive, "CLIP/C0001.BIN")
        assert (look.act, look.state) == (Act.AUDITED, State.MATCHED)
        assert look.against is Against.OWN_LIST
        state = copy_state(looks(shelf, drive, "CLIP/C0001.BIN"))
        assert (state.state, state.proven) == (State.MATCHED, False)
    assert ingest("reuse", shelf / "card").code == 3


def test_an_audit_of_what_an_offload_recorded_still_goes_by_the_catalog(
    tmp_path: Path, ingest: Runner, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A rebuild over a living catalog adds no claim and takes nothing away."""
    disks_apart(monkeypatch)
    offloaded(tmp_path, ingest)
    told = ingest("rebuild", "HERON", "OTTER", "--json").document
    assert (told["new_files"], told["new_claims"]) == (0, 0)
    assert ingest("audit").code == 0
    assert looks(tmp_path, "HERON", "note.txt")[-1].against is Against.CATALOG
    assert ingest("reuse", tmp_path / "card").code == 0


def test_files_on_which_the_lists_differ_are_named(shelf: Path, ingest: Runner) -> None:
    """Two drives, two rolls of one name: neither is taken for the other."""
    other = shelf / "second"
    shutil.copytree(shelf / "card", other)
    flip_bit(other / "CLIP/C0002.BIN")
    (shelf / "desk" / "ingest.toml").unlink()
    (shelf / "desk" / "ingest.toml").write_text('days = ["2026-03-02"]\ncopies = 1\n')
    words = ("--production", "Saltmarsh", "--day", "1", "--roll", "A003", "--to", shelf / "STOAT")
    assert ingest("offload", other, *words).code == 0
    for file in shelf.glob("catalog.sqlite3*"):
        file.unlink()
    ran = ingest("rebuild", shelf / "HERON", shelf / "STOAT", "--json")
    assert ran.code == 3
    (difference,) = ran.document["differences"]
    assert (difference["roll"], difference["path"]) == ("A003", "CLIP/C0002.BIN")
    assert difference["comparable"] is True
    assert {one["drive"] for one in difference["says"]} == {"HERON", "STOAT"}
    assert len({one["digests"]["md5"] for one in difference["says"]}) == 2
    again = ingest("rebuild", shelf / "HERON", shelf / "STOAT")
    assert again.code == 3
    assert "REBUILT, WITH 1 PROBLEM: nothing new." in again.out
    assert "! A003/CLIP/C0002.BIN: the lists differ" in again.out


def test_what_a_list_names_and_is_not_there_is_missing(shelf: Path, ingest: Runner) -> None:
    """Named, recorded once, and put back by mend, since two drives' lists agree on it."""
    (shelf / "HERON" / FOLDER / "CLIP/C0003.BIN").unlink()
    for _ in range(2):
        ran = ingest("rebuild", shelf / "HERON", shelf / "OTTER")
        assert ran.code == 3
        assert f"! HERON: {FOLDER}/CLIP/C0003.BIN: missing" in ran.out
    assert [one.act for one in looks(shelf, "HERON", "CLIP/C0003.BIN")] == [
        Act.CLAIMED,
        Act.LOOKED,
    ]
    ran = ingest("mend", "HERON")
    assert ran.code == 0
    assert "equal to what hash lists say" in ran.out
    whole(shelf, "HERON")
    last = looks(shelf, "HERON", "CLIP/C0003.BIN")[-1]
    assert (last.state, last.against) == (State.MATCHED, Against.OWN_LIST)


def test_one_list_alone_is_not_enough_to_mend_by(shelf: Path, ingest: Runner) -> None:
    """The other drive has lost its list: nothing says which copy is right."""
    shutil.rmtree(shelf / "OTTER" / FOLDER / "ascmhl")
    (shelf / "HERON" / FOLDER / "CLIP/C0003.BIN").unlink()
    assert ingest("rebuild", shelf / "HERON", shelf / "OTTER").code == 3
    ran = ingest("mend", "HERON")
    assert ran.code == 3
    assert "only one drive's list" in ran.out
    assert not (shelf / "HERON" / FOLDER / "CLIP/C0003.BIN").exists()


def test_a_drive_that_lost_its_list_is_claimed_by_the_other_ones(
    shelf: Path, ingest: Runner
) -> None:
    """What lies where the roll lies, in the right length, is claimed by the other drive's list,
    and audited against that."""
    shutil.rmtree(shelf / "OTTER" / FOLDER / "ascmhl")
    told = ingest("rebuild", shelf / "HERON", shelf / "OTTER", "--json").document
    (roll,) = told["drives"][1]["rolls"]
    assert (roll["files"], roll["other_list"], told["drives"][1]["unlisted"]) == (0, 5, 0)
    (look,) = looks(shelf, "OTTER", "note.txt")
    assert look.against is Against.OTHER_LIST
    assert ingest("audit", "OTTER").code == 0
    assert looks(shelf, "OTTER", "note.txt")[-1].against is Against.OTHER_LIST


def test_a_further_copy_of_claims_is_compared_with_the_lists(shelf: Path, ingest: Runner) -> None:
    """A copy that isn't what its list says gets no name on the new drive."""
    rebuild(shelf, ingest)
    flip_bit(shelf / "HERON" / FOLDER / "CLIP/C0001.BIN")
    ran = ingest("copy", "--to", shelf / "STOAT")
    assert ran.code == 3
    assert "HERON: CLIP/C0001.BIN: mismatch" in ran.out
    assert "equal to what hash lists say" in ran.out.splitlines()[0]
    whole(shelf, "STOAT")
    assert looks(shelf, "STOAT", "CLIP/C0001.BIN")[-1].against is Against.OTHER_LIST
    assert looks(shelf, "HERON", "CLIP/C0001.BIN")[-1].against is Against.OWN_LIST


def test_files_that_no_list_names_are_counted(shelf: Path, ingest: Runner) -> None:
    """With harmless names; our own working files are none."""
    (shelf / "HERON" / FOLDER / "extra\n\x1b[2J.BIN").write_bytes(b"x")
    (shelf / "HERON" / "loose").write_bytes(b"x")
    ran = ingest("rebuild", shelf / "HERON")
    assert ran.code == 0
    assert "\x1b" not in ran.out
    assert "in no list: loose" in ran.out
    assert ingest("rebuild", shelf / "HERON", "--json").document["drives"][0]["unlisted"] == 2


HOSTILE = {
    "entity": b'<?xml version="1.0"?><!DOCTYPE a [<!ENTITY x SYSTEM "file:///etc/passwd">]>'
    b"<hashlist>&x;</hashlist>",
    "nonsense": b"\x00\xff not a list",
    "leaves": b'<?xml version="1.0" encoding="UTF-8"?><hashlist version="2.0" '
    b'xmlns="urn:ASC:MHL:v2.0"><hashes><hash><path size="1">../../escaped</path>'
    b'<md5 action="original">d41d8cd98f00b204e9800998ecf8427e</md5></hash></hashes></hashlist>',
}


@pytest.mark.parametrize("kind", sorted(HOSTILE))
def test_a_hostile_list_is_refused_in_one_line_and_the_other_drive_taken(
    shelf: Path, ingest: Runner, kind: str
) -> None:
    """Input from strangers: never followed, and no reason to give up the rest."""
    (manifest,) = (shelf / "HERON" / FOLDER / "ascmhl").glob("*.mhl")
    manifest.write_bytes(HOSTILE[kind])
    ran = ingest("rebuild", shelf / "HERON", shelf / "OTTER", "--json")
    assert ran.code == 3
    told = ran.document
    assert told["new_files"] == 5
    problems = [one for one in told["problems"] if one["state"] == "hash list"]
    assert problems
    assert all(one["drive"] == "HERON" and "\n" not in one["detail"] for one in problems)
    assert "escaped" not in ingest("rolls", "--json").out


def test_where_the_place_does_not_tell_it_is_asked(shelf: Path, ingest: Runner) -> None:
    """A roll's folder that lies elsewhere: production, day and roll from options."""
    moved = shelf / "HERON" / "odd place"
    os.rename(shelf / "HERON" / FOLDER, moved)
    (shelf / "desk" / "ingest.toml").unlink()
    for words, said in (
        ((), "Which production"),
        (("--production", "Saltmarsh"), "Which shoot day"),
    ):
        ran = ingest("rebuild", shelf / "HERON", *words)
        assert ran.code == 2
        assert said in ran.err
        assert "odd place" in ran.err
    words = ("--production", "Saltmarsh", "--day", "2", "--roll", "A009")
    ran = ingest("rebuild", shelf / "HERON", *words, "--json")
    assert ran.code == 0, ran.err
    (roll,) = ran.document["drives"][0]["rolls"]
    assert (roll["roll"], roll["day"], roll["folder"]) == ("A009", 2, "odd place")


def test_what_is_no_drive_with_lists_is_refused(shelf: Path, ingest: Runner) -> None:
    """Absent, unmarked, or without a list; an unmarked one is only marked when asked."""
    assert ingest("rebuild", shelf / "nowhere").code == 2
    assert ingest("rebuild").code == 2
    marker = shelf / "HERON" / ".ingest-drive.json"
    marker.unlink()
    ran = ingest("rebuild", shelf / "HERON")
    assert ran.code == 2
    assert "--mark" in ran.err
    assert not marker.exists()
    assert ingest("rebuild", shelf / "HERON", "--mark").code == 0
    assert marker.exists()
    ran = ingest("rebuild", shelf / "STOAT", "--mark")
    assert ran.code == 2
    assert "No hash list" in ran.err
