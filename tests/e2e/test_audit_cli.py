"""`ingest audit`, `ingest drives` and `ingest rolls`, from the command line to the drives."""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from ingest import checksums
from ingest.catalog.catalog import Catalog
from ingest.catalog.records import (
    CardSeen,
    Drive,
    NewFile,
    NewLook,
    NewOffload,
    Observer,
    OffloadEnd,
)
from ingest.cli.main import run
from ingest.copying.reading import open_root, sample
from ingest.drives import look_at, mark
from ingest.evidence import Act, Against, Route, State
from ingest.manifest.history import write_generation
from ingest.manifest.model import Action, CreatorInfo, Entry, EntryHash, HashList, Process

FOLDER = "Saltmarsh/D01_2026-03-02/A003"
CLIPS = {"C0001.MOV": b"first clip " * 90_000, "SUB/C0002.MOV": b"second clip " * 3000, "E": b""}
MIRA = Observer("Mira", "cart", "boot1")


@dataclass
class Shelf:
    """Two folders that stand in for drives, and a catalog that knows what is on them."""

    place: Path
    drives: dict[str, Drive]

    def root(self, drive: str = "HERON") -> Path:
        return self.place / drive

    def copy(self, name: str = "C0001.MOV", drive: str = "HERON") -> Path:
        return self.root(drive) / FOLDER / name

    def run(self, *words: str) -> int:
        return run([*words, "--catalog", str(self.place / "catalog.sqlite3")])


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    """Roll A003, written to both drives and read back."""
    drives = {}
    with Catalog.open(str(tmp_path / "catalog.sqlite3")) as catalog:
        for name in ("HERON", "OTTER"):
            root = tmp_path / name
            for path, data in CLIPS.items():
                file = root / FOLDER / path
                file.parent.mkdir(parents=True, exist_ok=True)
                file.write_bytes(data)
                os.utime(file, ns=(1_772_452_800 * 10**9, 1_772_452_800 * 10**9))
            drives[name] = catalog.see_drive(mark(str(root), name))
        _record(catalog, drives)
    return Shelf(tmp_path, drives)


def _record(catalog: Catalog, drives: dict[str, Drive]) -> None:
    now = datetime.now(UTC)
    offload = catalog.begin_offload(
        NewOffload(
            run="0" * 16,
            production="Saltmarsh",
            roll="A003",
            day=1,
            date="2026-03-02",
            camera="A",
            card=CardSeen("A003", None, None, "sdx", "/media/card"),
            observer=MIRA,
            started=now,
        )
    )
    files, looks = [], []
    root = drives["HERON"].root
    volume = look_at(root)
    handle = open_root(root)
    for path, data in CLIPS.items():
        digests = {}
        for kind in checksums.DEFAULT_KINDS:
            checksum = checksums.new(kind)
            checksum.update(data)
            digests[kind] = checksum.hexdigest()
        samples = sample(handle, f"{FOLDER}/{path}", volume)
        files.append(NewFile(path, len(data), 1_772_452_800 * 10**9, samples, digests))
        for drive in drives.values():
            for act in (Act.WRITTEN, Act.READ_BACK):
                good = act is Act.READ_BACK
                looks.append(
                    (
                        path,
                        NewLook(
                            file_id=0,
                            drive_id=drive.id,
                            path=f"{FOLDER}/{path}",
                            act=act,
                            state=State.MATCHED if good else State.UNVERIFIED,
                            route=Route.MEDIUM if good else None,
                            against=Against.CARD if good else Against.NOTHING,
                            size=len(data),
                            kind="xxh128" if good else None,
                            digest=digests["xxh128"] if good else None,
                            mount="mount1",
                            at=now,
                        ),
                    )
                )
    os.close(handle)
    catalog.record_copied(offload, files, looks)
    catalog.end_offload(offload, OffloadEnd(now, "matched", 1, 1.0, 1, 3, 0, 0, ()))


def answer(capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    document = json.loads(capsys.readouterr().out)
    assert isinstance(document, dict)
    return document


def flip(file: Path, place: int) -> None:
    """Turn one bit over and leave length and date as they were."""
    info = file.stat()
    data = bytearray(file.read_bytes())
    data[place] ^= 1
    file.write_bytes(data)
    os.utime(file, ns=(info.st_atime_ns, info.st_mtime_ns))


def test_when_nothing_happened_then_all_matched(
    shelf: Shelf, capsys: pytest.CaptureFixture[str]
) -> None:
    """Both drives, no drive named, every copy compared."""
    assert shelf.run("audit", "--json") == 0
    document = answer(capsys)
    assert document["verdict"] == "matched"
    assert [drive["name"] for drive in document["drives"]] == ["HERON", "OTTER"]
    for drive in document["drives"]:
        assert drive["rolls"] == [
            {
                "roll": "A003",
                "production": "Saltmarsh",
                "folder": FOLDER,
                "files": 3,
                "matched": 3,
                "mismatch": 0,
                "short": 0,
                "long": 0,
                "missing": 0,
                "unreadable": 0,
                "only_looked_at": 0,
                "not_reached": 0,
                "read_before": 0,
                "only_in_hash_lists": 0,
                "unknown": 0,
                "unknown_files": [],
                "called_now": None,
            }
        ]


@pytest.mark.parametrize("place", [0, 500_000, len(CLIPS["C0001.MOV"]) - 1])
def test_when_one_bit_flipped_then_mismatch_changed_in_place(
    shelf: Shelf, capsys: pytest.CaptureFixture[str], place: int
) -> None:
    """One bit anywhere, date and length untouched: found, named, and only that."""
    flip(shelf.copy(), place)
    assert shelf.run("audit", "--json") == 3
    document = answer(capsys)
    assert document["verdict"] == "problem"
    (problem,) = document["problems"]
    assert (problem["path"], problem["drive"]) == (f"{FOLDER}/C0001.MOV", "HERON")
    assert problem["state"] == "mismatch"
    assert problem["detail"].startswith("changed in place")
    assert document["drives"][0]["rolls"][0]["matched"] == 2


def test_when_saved_over_then_the_date_tells(
    shelf: Shelf, capsys: pytest.CaptureFixture[str]
) -> None:
    """The same length with a new date: a person or a program wrote it."""
    file = shelf.copy()
    file.write_bytes(file.read_bytes()[::-1])
    assert shelf.run("audit", "HERON", "--json") == 3
    (problem,) = answer(capsys)["problems"]
    assert problem["state"] == "mismatch"
    assert problem["detail"].startswith("saved over")


def test_when_cut_grown_and_gone_then_each_is_told_apart(
    shelf: Shelf, capsys: pytest.CaptureFixture[str]
) -> None:
    """short, long, missing; and a link in the place of a file is no file."""
    with shelf.copy().open("ab") as file:
        file.write(b"more")
    os.truncate(shelf.copy("SUB/C0002.MOV"), 10)
    shelf.copy("E").unlink()
    shelf.copy("E", "OTTER").unlink()
    shelf.copy("E", "OTTER").symlink_to("C0001.MOV")
    assert shelf.run("audit", "--json") == 3
    states = {(p["drive"], p["path"].removeprefix(FOLDER)): p for p in answer(capsys)["problems"]}
    assert {key: problem["state"] for key, problem in states.items()} == {
        ("HERON", "/C0001.MOV"): "long",
        ("HERON", "/SUB/C0002.MOV"): "short",
        ("HERON", "/E"): "missing",
        ("OTTER", "/E"): "missing",
    }
    assert "link" in states["OTTER", "/E"]["detail"]


def test_when_found_bad_and_good_again_then_doubtful(
    shelf: Shelf, capsys: pytest.CaptureFixture[str]
) -> None:
    """Bad news stands: a flip that goes away by itself is no reason to trust the drive."""
    flip(shelf.copy(), 7)
    assert shelf.run("audit", "HERON") == 3
    flip(shelf.copy(), 7)
    capsys.readouterr()
    assert shelf.run("audit", "HERON", "--json") == 3
    document = answer(capsys)
    assert document["drives"][0]["rolls"][0]["matched"] == 3
    assert [problem["state"] for problem in document["problems"]] == ["doubtful"]
    assert "mismatch" in document["problems"][0]["detail"]
    assert shelf.run("rolls", "--json") == 3
    assert answer(capsys)["rolls"][0]["state"] == "problem"


def test_when_not_recorded_then_nothing_is_known_of_it(
    shelf: Shelf, capsys: pytest.CaptureFixture[str]
) -> None:
    """--no-record tells and leaves no evidence."""
    flip(shelf.copy(), 7)
    assert shelf.run("audit", "HERON", "--no-record") == 3
    flip(shelf.copy(), 7)
    capsys.readouterr()
    assert shelf.run("audit", "HERON", "--json") == 0
    assert answer(capsys)["problems"] == []


def test_quick_sees_presence_and_size_and_no_flipped_bit(
    shelf: Shelf, capsys: pytest.CaptureFixture[str]
) -> None:
    """The limit of the quick look is part of the promise: it proves nothing, and says so."""
    flip(shelf.copy(), 7)
    assert shelf.run("audit", "--quick", "--json") == 0
    document = answer(capsys)
    assert document["verdict"] == "present"
    assert all(roll["matched"] == 0 for drive in document["drives"] for roll in drive["rolls"])
    assert shelf.run("audit", "--quick") == 0
    assert "no proof" in capsys.readouterr().out
    shelf.copy().unlink()
    assert shelf.run("audit", "--quick", "--json") == 3
    assert answer(capsys)["problems"][0]["state"] == "missing"


def test_quick_names_a_changed_date(shelf: Shelf, capsys: pytest.CaptureFixture[str]) -> None:
    """The same length and another date is open until it was read."""
    os.utime(shelf.copy())
    assert shelf.run("audit", "--quick", "HERON", "--json") == 3
    (problem,) = answer(capsys)["problems"]
    assert problem["state"] == "unverified"
    assert "full audit" in problem["detail"]


def test_unknown_files_are_counted_and_listed(
    shelf: Shelf, capsys: pytest.CaptureFixture[str]
) -> None:
    """What is in a roll's folder and in nobody's list; hash lists, our own files and litter
    excepted. Hostile names stay harmless on the screen."""
    folder = shelf.root() / FOLDER
    (folder / "ascmhl").mkdir()
    (folder / "ascmhl" / "notes").touch()
    (folder / ".ingest-journal.jsonl").touch()
    (folder / "SUB" / ".DS_Store").touch()
    (folder / "SUB" / "evil\n\x1b[2J.txt").touch()
    (folder / "other").mkdir()
    (folder / "other" / "notes.txt").touch()
    assert shelf.run("audit", "HERON", "--json") == 0
    roll = answer(capsys)["drives"][0]["rolls"][0]
    assert roll["unknown"] == 2
    assert roll["unknown_files"] == [
        f"{FOLDER}/SUB/evil\n\x1b[2J.txt",
        f"{FOLDER}/other/notes.txt",
    ]
    assert shelf.run("audit", "HERON") == 0
    out = capsys.readouterr().out
    assert "\x1b" not in out
    assert "evil\\n\\x1b[2J.txt" in out


def test_a_folder_on_a_drive_is_audited_alone(
    shelf: Shelf, capsys: pytest.CaptureFixture[str]
) -> None:
    """A drive may be named by its folder, and a part of it too."""
    flip(shelf.copy(), 7)
    assert shelf.run("audit", str(shelf.root() / FOLDER / "SUB"), "--json") == 0
    assert answer(capsys)["drives"][0]["rolls"][0]["files"] == 1
    assert shelf.run("audit", str(shelf.root()), "--json") == 3
    assert answer(capsys)["drives"][0]["rolls"][0]["files"] == 3
    assert shelf.run("audit", "heron", "--roll", "a003", "--json") == 3


def test_when_a_drive_is_not_mounted_then_it_says_what_to_plug_in(
    shelf: Shelf, capsys: pytest.CaptureFixture[str]
) -> None:
    """A drive that is elsewhere is no missing footage, and leaves no evidence."""
    shelf.root().rename(shelf.place / "gone")
    assert shelf.run("audit", "HERON") == 2
    error = capsys.readouterr().err
    assert "HERON is not mounted" in error
    assert "plug in HERON" in error
    assert shelf.run("audit", "--json") == 0
    document = answer(capsys)
    assert [drive["name"] for drive in document["drives"]] == ["OTTER"]
    assert document["not_mounted"] == ["HERON"]
    assert shelf.run("audit", str(shelf.place / "gone"), "--json") == 0
    assert answer(capsys)["drives"][0]["root"] == str(shelf.place / "gone")


def test_when_a_drive_leaves_in_the_middle_then_unfinished_and_no_evidence_against_it(
    shelf: Shelf, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A pulled cable is no missing footage: exit 4, and run it again. (The test says that the
    drive has left; a drive that really leaves needs the laboratory.)"""
    file = shelf.copy("SUB/C0002.MOV")
    aside = shelf.place / "aside"
    file.rename(aside)
    with monkeypatch.context() as left:
        left.setattr(
            "ingest.assurance.rereading.one_copy.gone", lambda volume, root: "it was unplugged"
        )
        assert shelf.run("audit", "HERON", "--json") == 4
    document = answer(capsys)
    assert (document["verdict"], document["problems"]) == ("unfinished", [])
    assert document["drives"][0]["unfinished"] == "it was unplugged"
    assert document["drives"][0]["rolls"][0]["not_reached"] == 1
    aside.rename(file)
    assert shelf.run("audit", "HERON", "--json") == 0


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("audit", "NOBODY"), "No drive is known as NOBODY"),
        (("audit", "--roll", "Z9"), "no roll Z9"),
        (("rolls", "--roll", "Z9"), "no such roll"),
    ],
)
def test_when_a_name_is_not_known_then_usage(
    shelf: Shelf, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], said: str
) -> None:
    """Exit 2, one clear line, and what to do."""
    assert shelf.run(*words) == 2
    error = capsys.readouterr().err
    assert said in error
    assert "Do: " in error


def test_when_a_folder_is_no_drive_then_usage(
    shelf: Shelf, capsys: pytest.CaptureFixture[str]
) -> None:
    """A folder that no offload wrote, and a file."""
    (shelf.place / "plain").mkdir()
    assert shelf.run("audit", str(shelf.place / "plain")) == 2
    assert "knows nothing of" in capsys.readouterr().err
    assert shelf.run("audit", str(shelf.place / "catalog.sqlite3")) == 2
    assert "is a file" in capsys.readouterr().err


def list_roll(folder: Path) -> None:
    """Write a hash list (ASC MHL v1.0) of everything in a roll's folder."""
    entries = []
    for path, data in CLIPS.items():
        checksum = checksums.new("xxh64")
        checksum.update(data)
        hashes = (EntryHash("xxh64", checksum.hexdigest(), Action.ORIGINAL),)
        entries.append(Entry(path, len(data), datetime.fromtimestamp(1_772_452_800, UTC), hashes))
    now = datetime.now(UTC)
    made = HashList(CreatorInfo(now, "cart", "test"), Process.TRANSFER, tuple(entries))
    handle = os.open(folder, os.O_RDONLY)
    try:
        write_generation(handle, folder.name, made, now)
    finally:
        os.close(handle)


def test_without_a_catalog_the_drives_own_hash_lists_are_used(
    shelf: Shelf, capsys: pytest.CaptureFixture[str]
) -> None:
    """A drive can be audited years later with nothing but what lies on it."""
    list_roll(shelf.root() / FOLDER)
    (shelf.root() / FOLDER / "extra.txt").touch()
    words = ["audit", str(shelf.root()), "--json", "--catalog", str(shelf.place / "new.sqlite3")]
    assert run(words) == 0
    (drive,) = answer(capsys)["drives"]
    assert (drive["name"], drive["compared_with"]) == ("HERON", "hash lists")
    (roll,) = drive["rolls"]
    assert (roll["roll"], roll["folder"], roll["matched"]) == ("A003", FOLDER, 3)
    assert roll["unknown_files"] == [f"{FOLDER}/extra.txt"]
    flip(shelf.copy(), 7)
    assert run(words) == 3
    (problem,) = answer(capsys)["problems"]
    assert (problem["path"], problem["state"]) == (f"{FOLDER}/C0001.MOV", "mismatch")


def test_a_hash_list_that_was_tampered_with_is_named_and_proves_nothing(
    shelf: Shelf, capsys: pytest.CaptureFixture[str]
) -> None:
    """A list that is not what its chain says is a problem, and nothing is compared with it."""
    folder = shelf.root() / FOLDER
    list_roll(folder)
    (one,) = (folder / "ascmhl").glob("*.mhl")
    one.write_bytes(one.read_bytes().replace(b"cart", b"dart"))
    words = ["audit", str(shelf.root()), "--json", "--catalog", str(shelf.place / "new.sqlite3")]
    assert run(words) == 3
    document = answer(capsys)
    assert document["drives"][0]["rolls"] == []
    assert ["other C4" in problem["detail"] for problem in document["problems"]] == [True]
    list_roll(folder)
    assert run(words) == 3
    assert answer(capsys)["drives"][0]["rolls"][0]["matched"] == 3


def test_with_an_empty_catalog_then_audit_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nothing known is not all well."""
    place = str(tmp_path / "new.sqlite3")
    assert run(["audit", "--catalog", place]) == 2
    assert "No drive" in capsys.readouterr().err
    assert run(["rolls", "--json", "--catalog", place]) == 0
    assert answer(capsys) == {"rolls": [], "totals": []}
    assert run(["drives", "--catalog", place]) == 0
    assert "No drive is known yet" in capsys.readouterr().out


def test_drives_and_rolls_tell_what_is_known(
    shelf: Shelf, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each with its state; two folders of one disk are one copy."""
    assert shelf.run("drives", "--json") == 0
    drives = answer(capsys)["drives"]
    assert [(one["name"], one["mounted"], one["copies"]) for one in drives] == [
        ("HERON", True, 3),
        ("OTTER", True, 3),
    ]
    assert drives[0]["rolls"] == ["Saltmarsh/A003"]
    assert shelf.run("rolls", "--json") == 3
    (roll,) = answer(capsys)["rolls"]
    assert (roll["roll"], roll["state"], roll["copies_on_separate_devices"]) == (
        "A003",
        "one copy",
        1,
    )
    assert [on["states"] for on in roll["drives"]] == [{"matched": 3}, {"matched": 3}]
    shelf.root("OTTER").rename(shelf.place / "gone")
    assert shelf.run("drives") == 0
    assert "OTTER: not mounted" in capsys.readouterr().out
