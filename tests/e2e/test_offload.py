"""`ingest offload`, from the card to the drives, the hash list and the catalog."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from lxml import etree

from ingest.catalog.catalog import Catalog
from ingest.checksums import KINDS

if TYPE_CHECKING:
    from tests.conftest import Ran, Runner, Shoot

Card = Callable[[str], Path]
Drives = tuple[Path, Path]
ONE_DISK = ("--same-drive-ok", "--system-disk-ok")
MHL = "{urn:ASC:MHL:v2.0}"
TIME = 1_773_500_000_123_456_789


def offload(
    run: Runner, card: Path | str, drives: Drives, *words: str, production: str = "Kestrel Quay"
) -> Ran:
    to = [word for drive in drives for word in ("--to", str(drive))]
    return run("offload", card, *to, *ONE_DISK, "--production", production, "--json", *words)


def digests(folder: Path | str) -> dict[bytes, str]:
    """SHA-256 of every regular file below, by its path as bytes. The judge is `hashlib`."""
    top, found = os.fsencode(folder), {}
    for here, _, files in os.walk(top):
        for name in files:
            place = os.path.join(here, name)
            if os.path.isfile(place) and not os.path.islink(place):
                with open(place, "rb") as file:
                    found[os.path.relpath(place, top)] = hashlib.sha256(file.read()).hexdigest()
    return found


def footage(folder: Path | str) -> dict[bytes, str]:
    """The same without the hash lists."""
    return {p: d for p, d in digests(folder).items() if not p.startswith(b"ascmhl/")}


def snapshot(*folders: Path) -> dict[str, tuple[object, ...]]:
    """Everything that a write or a careless read would change, links and folders too."""
    found: dict[str, tuple[object, ...]] = {}
    for folder in folders:
        for here, below, files in os.walk(os.fsencode(folder)):
            for name in (*below, *files):
                place = os.path.join(here, name)
                info = os.lstat(place)
                is_file = name in files
                found[repr(place)] = (
                    info.st_size if is_file else None,
                    info.st_mtime_ns,
                    info.st_atime_ns if is_file else None,
                    info.st_mode,
                    info.st_ino,
                )
    return found


def make(folder: Path, **files: bytes) -> Path:
    """A small card without real clips: `A_B="..."` is the file A/B.BIN."""
    for name, data in files.items():
        put(folder, name.replace("_", "/") + ".BIN", data)
    return folder


def put(folder: Path, name: str | bytes, data: bytes, at: int = TIME) -> None:
    place = os.path.join(os.fsencode(folder), os.fsencode(name))
    os.makedirs(os.path.dirname(place), exist_ok=True)
    with open(place, "wb") as file:
        file.write(data)
    os.utime(place, ns=(at, at))


# What is copied -----------------------------------------------------------------------------------


@pytest.mark.parametrize("key", ["DAY1/A001", "DAY1/B001", "DAY1/SOUND", "DAY1/STILLS"])
def test_every_file_of_a_card_stands_on_both_drives(
    ingest: Runner, shoot: Shoot, card: Card, drives: Drives, key: str
) -> None:
    """Compared with `hashlib` on both sides; times and empty folders kept, litter left out and
    counted; and the card's tree is the same afterwards, access times too."""
    place = card(key)
    truth = shoot.truth["cards"][key]
    wanted = digests(place)
    for file in place.rglob("*"):
        if file.is_file():
            os.utime(file, ns=(1_000_000_000, file.stat().st_mtime_ns))
    before = snapshot(place)
    ran = offload(ingest, place, drives)
    assert snapshot(place) == before
    told = ran.document
    assert ran.code == 3, ran.err
    assert told["verdict"] == "matched"
    assert told["copies"] == 1
    assert told["files"] == truth["footage_files"]
    assert told["bytes"] == truth["footage_bytes"]
    assert told["left_out"] == truth["litter"]
    assert told["known"] == 0
    assert told["card_read"] == 1
    assert told["clips"] == truth["clips"]
    assert told["problems"] == []
    assert [drive["name"] for drive in told["drives"]] == ["HERON", "OTTER"]
    for number, drive in enumerate(told["drives"]):
        copied = footage(drive["folder"])
        assert Path(drive["folder"]).is_relative_to(drives[number])
        assert drive["files_matched"] == len(copied) == truth["footage_files"]
        assert drive["bytes"] == truth["footage_bytes"]
        assert drive["problems"] == 0
        assert copied == {path: wanted[path] for path in copied}
        for path in copied:
            mine = os.stat(os.path.join(os.fsencode(drive["folder"]), path))
            assert mine.st_mtime_ns == os.stat(os.path.join(os.fsencode(place), path)).st_mtime_ns
        for empty in truth["empty_folders"]:
            assert (Path(drive["folder"]) / empty).is_dir()
        assert not [path for path in digests(drive["folder"]) if b"ingest" in path]
    assert len(wanted) - truth["litter"] == truth["footage_files"]


def test_the_document_is_the_contracts(ingest: Runner, drives: Drives, tmp_path: Path) -> None:
    """The keys that others rely on, and nothing else on standard output."""
    told = offload(
        ingest, make(tmp_path / "A001", A_x=b"1", A_y=b""), drives, "--day", "2"
    ).document
    assert {
        "production", "day", "roll", "camera", "card", "files", "known", "bytes", "left_out",
        "verdict", "card_read", "seconds", "drives", "problems", "hash_list",
    } <= set(told)  # fmt: skip
    assert {"name", "root", "folder", "device", "files_matched", "bytes", "problems"} <= set(
        told["drives"][0]
    )
    assert (told["production"], told["day"], told["roll"]) == ("Kestrel Quay", 2, "A001")
    assert told["card"] == "A001"
    assert len(told["hash_list"]) == 2
    for number, place in enumerate(told["hash_list"]):
        assert Path(place).is_relative_to(told["drives"][number]["folder"])


def test_the_hash_list_holds_what_was_copied(
    ingest: Runner, drives: Drives, tmp_path: Path
) -> None:
    """Each file with its size and the digests that `hashlib` gives; the list's own copy on both
    drives is equal. (ASC MHL v1.0 section 6.4.6: the writer compares hashes of both sides.)"""
    card = make(tmp_path / "A001", A_x=b"one", A_y=b"", B=b"three" * 1000)
    told = offload(ingest, card, drives, "--checksum", "sha1", "--checksum", "md5").document
    for place in told["hash_list"]:
        listed = {}
        for entry in etree.parse(place).getroot().iter(f"{MHL}hash"):
            path = entry.find(f"{MHL}path")
            if path is not None and path.get("size") is not None:
                kinds = {
                    etree.QName(one).localname: one.text
                    for one in entry
                    if etree.QName(one).localname in ("md5", "sha1", "xxh128")
                }
                listed[path.text] = (int(path.get("size")), kinds)
        assert set(listed) == {"A/x.BIN", "A/y.BIN", "B.BIN"}
        for path, (size, kinds) in listed.items():
            data = (card / path).read_bytes()
            assert size == len(data)
            assert set(kinds) == {"md5", "sha1", "xxh128"}
            assert kinds["md5"] == hashlib.md5(data, usedforsecurity=False).hexdigest()
            assert kinds["sha1"] == hashlib.sha1(data, usedforsecurity=False).hexdigest()


def test_two_physical_devices_are_two_copies_and_all_well(
    ingest: Runner, apart: None, drives: Drives, tmp_path: Path
) -> None:
    """Exit 0 with no flag at all."""
    card = make(tmp_path / "A001", A_x=b"1")
    words = ["--to", str(drives[0]), "--to", str(drives[1]), "--production", "P", "--json"]
    ran = ingest("offload", card, *words)
    assert ran.code == 0, ran.err
    assert ran.document["copies"] == 2


def test_one_drive_where_two_copies_are_wanted_is_3(
    ingest: Runner, apart: None, drives: Drives, tmp_path: Path, desk: Path
) -> None:
    """Matched, and a copy is owed. Two copies before a wipe: common practice, no source; 3-2-1:
    Ruggiero and Heckathorn, "Data Backup Options", US-CERT 2012. With one wanted it is 0."""
    card = make(tmp_path / "A001", A_x=b"1")
    ran = ingest("offload", card, "--to", drives[0], "--production", "P")
    assert ran.code == 3
    assert "count as 1 copy; 2 are wanted" in ran.out
    (desk / "ingest.toml").write_text("copies = 1\n")
    ran = ingest("offload", card, "--to", drives[1], "--production", "Q")
    assert ran.code == 0


def test_as_a_real_program_it_tells_the_same(
    program: Runner, ingest: Runner, tmp_path: Path
) -> None:
    """Exit code, document and files, but for the times taken."""
    found = []
    for name, run in (("one", program), ("two", ingest)):
        card = make(tmp_path / name / "A001", A_x=b"1", A_y=b"2" * 5000)
        drives = (tmp_path / name / "HERON", tmp_path / name / "OTTER")
        for drive in drives:
            drive.mkdir()
        ran = offload(run, card, drives, production=f"P{name}")
        assert ran.code == 3
        text = ran.out.replace(f"/{name}/", "/").replace(f"P{name}", "P")
        told = json.loads(text)
        told.pop("seconds")
        told.pop("hash_list")
        for drive in told["drives"]:
            drive["name"] = drive["name"].removesuffix("-2")
        found.append((told, footage(drives[0]), footage(drives[1])))
        for drive in found[-1][1:]:
            assert drive.pop(b".ingest-drive.json")
        (listed,) = {len(json.loads(ran.out)["hash_list"])}
        assert listed == 2
    strip = [
        (told, *({p.rpartition(b"/")[2]: d for p, d in one.items() if b"ascmhl" not in p}
                 for one in both))
        for told, *both in found
    ]  # fmt: skip
    assert strip[0] == strip[1]


def test_several_cards_are_told_in_one_document(
    ingest: Runner, card: Card, drives: Drives, tmp_path: Path
) -> None:
    """Each with its own roll; all on both drives."""
    cards = [card("DAY1/B001"), card("DAY1/STILLS"), card("DAY2/B002")]
    to = ["--to", str(drives[0]), "--to", str(drives[1]), *ONE_DISK]
    ran = ingest("offload", *cards, *to, "--production", "P", "--json")
    assert ran.code == 3, ran.err
    assert ran.document["verdict"] == "matched"
    offloads = ran.document["offloads"]
    assert [one["roll"] for one in offloads] == ["B001", "P001", "B002"]
    for place, one in zip(cards, offloads, strict=True):
        wanted = digests(place)
        for drive in one["drives"]:
            copied = footage(drive["folder"])
            assert len(copied) == one["files"]
            assert copied == {path: wanted[path] for path in copied}


# What is not --------------------------------------------------------------------------------------


def test_links_and_special_files_are_named_and_never_followed(
    ingest: Runner, drives: Drives, tmp_path: Path
) -> None:
    """Nothing of what they point to arrives; the screen names them too."""
    secret = tmp_path / "secret"
    secret.mkdir()
    put(secret, "diary.txt", b"nobody's business")
    card = make(tmp_path / "A001", A_x=b"1")
    (card / "way-out").symlink_to(secret)
    (card / "file-out").symlink_to(secret / "diary.txt")
    os.mkfifo(card / "pipe")
    told = offload(ingest, card, drives).document
    assert sorted(told["not_followed"]) == ["file-out", "pipe", "way-out"]
    for drive in told["drives"]:
        assert set(footage(drive["folder"])) == {b"A/x.BIN"}
        assert not list(Path(drive["folder"]).rglob("*out")) + list(
            Path(drive["folder"]).rglob("pipe")
        )
    ran = ingest("offload", card, "--to", drives[0], *ONE_DISK, "--production", "Q")
    assert "Not followed: way-out (link)." in ran.out
    assert "Not followed: pipe (pipe)." in ran.out


HOSTILE = (
    b"line\nbreak.bin", b"\x1b[2J\x1b[31mred.bin", b"<script>alert(1)</script>".replace(b"/", b"_"),
    b"=HYPERLINK(1).bin", b"-rf", b"--to", b"\xff\xfe\x80.bin", "rev\u202etxt.exe".encode(),
    b"n" * 255, b" lead and trail ", b"quote\"'`$(id)", b"back\\slash",
)  # fmt: skip


def test_hostile_names_are_copied_exactly_and_shown_safely(
    ingest: Runner, drives: Drives, tmp_path: Path
) -> None:
    """Their bytes on both drives; no control character in any output; a dash or a dollar sign
    does nothing. Also as links, where every one is named on the screen."""
    card = tmp_path / "A001"
    for number, name in enumerate(HOSTILE):
        put(card, b"HOST/" + name, b"%d" % number)
        os.symlink(b"nowhere", os.path.join(os.fsencode(card), name))
    wanted = digests(card)
    ran = offload(ingest, card, drives)
    assert ran.code == 3, ran.err
    assert ran.document["verdict"] == "matched"
    for drive in ran.document["drives"]:
        assert footage(drive["folder"]) == wanted
    # In the document names are kept exactly, escaped as JSON escapes them.
    assert ran.out.isascii()
    told = {os.fsencode(path) for path in ran.document["not_followed"]}
    assert told == set(HOSTILE)
    screen = ingest(
        "offload", card, "--to", drives[0], "--to", drives[1], *ONE_DISK, "--production", "Q"
    )
    assert "line\\nbreak.bin (link)" in screen.out
    assert "\\x1b[2J" in screen.out
    assert "\\xff\\xfe\\x80.bin" in screen.out
    for text in (ran.out, ran.err, screen.out, screen.err):
        assert not {character for character in text if ord(character) < 32} - {"\n"}
        assert not set("\x7f\u202e") & set(text)


def test_a_hostile_card_name_and_production_stay_on_the_drive(
    ingest: Runner, drives: Drives, tmp_path: Path
) -> None:
    """They become one folder's name each, whatever stands in them."""
    card = make(tmp_path / "=cmd|x\n\x1b[2J", A_x=b"1")
    ran = offload(ingest, card, drives, production="../../<b>Up\n")
    assert ran.document["verdict"] == "matched"
    for number, drive in enumerate(ran.document["drives"]):
        folder = Path(drive["folder"])
        assert folder.is_relative_to(drives[number])
        assert len(folder.relative_to(drives[number]).parts) == 3
        assert footage(folder)
        assert not set('<>|"\n\x1b') & set(str(folder.relative_to(drives[number])))
    assert "\x1b" not in ran.out + ran.err


# Going on -----------------------------------------------------------------------------------------


def test_offloading_again_copies_nothing(
    ingest: Runner, card: Card, drives: Drives, shoot: Shoot
) -> None:
    """Everything is known and told as matched; no file, list or folder is new."""
    place = card("DAY1/B001")
    first = offload(ingest, place, drives).document
    before = digests(drives[0]) | digests(drives[1])
    ran = offload(ingest, place, drives)
    assert ran.code == 3
    assert ran.document["known"] == ran.document["files"] == first["files"]
    assert ran.document["roll"] == first["roll"]
    assert ran.document["hash_list"] == []
    assert ran.document["verdict"] == "matched"
    for drive in ran.document["drives"]:
        assert drive["files_matched"] == first["files"]
    assert digests(drives[0]) | digests(drives[1]) == before
    screen = ingest("offload", place, "--to", drives[0], *ONE_DISK, "--production", "Kestrel Quay")
    assert "NOTHING NEW" in screen.out


def test_a_new_file_joins_the_roll_on_the_same_day(
    ingest: Runner, drives: Drives, tmp_path: Path
) -> None:
    """Only it is copied, and a second list of the same folder holds it alone."""
    card = make(tmp_path / "A001", A_x=b"1" * 1000, A_y=b"2" * 1000)
    first = offload(ingest, card, drives).document
    put(card, "A/z.BIN", b"3")
    ran = offload(ingest, card, drives)
    again = ran.document
    assert (again["roll"], again["known"], again["files"]) == ("A001", 2, 3)
    assert [d["folder"] for d in again["drives"]] == [d["folder"] for d in first["drives"]]
    assert [d["files_matched"] for d in again["drives"]] == [3, 3]
    for drive in again["drives"]:
        assert footage(drive["folder"]) == digests(card)
    assert not set(again["hash_list"]) & set(first["hash_list"])
    assert "z.BIN" in Path(again["hash_list"][0]).read_text()
    assert "x.BIN" not in Path(again["hash_list"][0]).read_text()
    with Catalog.open(os.environ["INGEST_CATALOG"]) as catalog:
        assert [roll.name for roll in catalog.rolls()] == ["A001"]


def test_the_recorders_card_of_the_second_day_only_brings_what_is_new(
    ingest: Runner, card: Card, drives: Drives, shoot: Shoot
) -> None:
    """The demo's recorder wasn't formatted: on the next shoot day the rest is the next roll."""
    first = offload(ingest, card("DAY1/SOUND"), drives, "--day", "1").document
    truth = shoot.truth["cards"]["DAY2/SOUND"]
    again = offload(ingest, card("DAY2/SOUND"), drives, "--day", "2", "--roll", "S002").document
    assert first["roll"] == "S001"
    assert (again["roll"], again["day"], again["known"]) == ("S002", 2, truth["known_files"])
    copied = footage(again["drives"][0]["folder"])
    assert len(copied) == truth["footage_files"] - truth["known_files"]
    assert all(path.startswith(b"S002_260315/") for path in copied)


def test_a_card_formatted_and_shot_again_is_a_new_roll(
    ingest: Runner, drives: Drives, tmp_path: Path
) -> None:
    """Equal names, sizes and times, other content: counters, sizes and clocks repeat after a
    format. The first roll is left as it was."""
    card = make(tmp_path / "A001", CLIP_C0001=b"a" * 700_000, CLIP_C0002=b"b" * 10)
    first = offload(ingest, card, drives).document
    kept = footage(first["drives"][0]["folder"])
    shutil.rmtree(card)
    make(card, CLIP_C0001=b"A" * 700_000, CLIP_C0002=b"B" * 10)
    again = offload(ingest, card, drives).document
    assert (first["roll"], again["roll"]) == ("A001", "A002")
    assert again["known"] == 0
    for drive in again["drives"]:
        assert footage(drive["folder"]) == digests(card)
    assert footage(first["drives"][0]["folder"]) == kept


def test_a_change_that_the_samples_cannot_see_is_found_all_the_same(
    ingest: Runner, drives: Drives, tmp_path: Path
) -> None:
    """Between two samples, name, size and time kept: with no run left unfinished every byte is
    read again, so the file counts as new."""
    data = bytearray(os.urandom(2_000_000))
    card = make(tmp_path / "A001", CLIP_C0001=bytes(data))
    offload(ingest, card, drives)
    data[70_000] ^= 1
    put(card, "CLIP/C0001.BIN", bytes(data))
    again = offload(ingest, card, drives).document
    assert again["known"] == 0
    assert again["roll"] == "A002"


def test_a_third_drive_gets_what_it_lacks(ingest: Runner, drives: Drives, tmp_path: Path) -> None:
    """The card is read once more, the first two drives are left alone, the roll stays one."""
    card = make(tmp_path / "A001", A_x=b"1", A_y=b"2")
    offload(ingest, card, drives)
    (tmp_path / "STOAT").mkdir()
    ran = offload(ingest, card, (drives[0], tmp_path / "STOAT"))
    assert ran.document["roll"] == "A001"
    assert [d["files_matched"] for d in ran.document["drives"]] == [2, 2]
    assert footage(ran.document["drives"][1]["folder"]) == digests(card)


# Options ------------------------------------------------------------------------------------------


def test_a_dry_run_writes_nothing_at_all(
    ingest: Runner, drives: Drives, tmp_path: Path, desk: Path
) -> None:
    """Not on the card, not on the drives, not even a marker; and it says what would be done."""
    card = make(tmp_path / "A001", A_x=b"1", A_y=b"2" * 5000)
    before = snapshot(card, *drives, desk)
    ran = offload(ingest, card, drives, "--dry-run")
    assert snapshot(card, *drives, desk) == before
    assert ran.code == 0
    assert ran.document["to_copy"] == {"files": 2, "bytes": 5001}
    assert [drive["write"] for drive in ran.document["drives"]] == [2, 2]
    screen = ingest("offload", card, "--to", drives[0], *ONE_DISK, "--production", "P", "--dry-run")
    assert "2 to write" in screen.out
    assert snapshot(card, *drives, desk) == before
    with Catalog.open(os.environ["INGEST_CATALOG"]) as catalog:
        assert not catalog.rolls()
        assert not catalog.drives()


def test_rereading_reads_the_card_twice(ingest: Runner, drives: Drives, tmp_path: Path) -> None:
    """And the document says so."""
    card = make(tmp_path / "A001", A_x=b"1" * 5000)
    told = offload(ingest, card, drives, "--reread").document
    assert (told["card_read"], told["verdict"]) == (2, "matched")


def test_older_files_stay_out_and_are_counted(
    ingest: Runner, drives: Drives, tmp_path: Path
) -> None:
    """Everything from that day on is copied."""
    card = make(tmp_path / "A001", A_new=b"1")
    put(card, "A/old.BIN", b"2", 1_600_000_000 * 10**9)
    told = offload(ingest, card, drives, "--since", "2026-01-01").document
    assert told["older"] == 1
    assert set(footage(told["drives"][0]["folder"])) == {b"A/new.BIN"}
    assert told["drives"][0]["files_matched"] == 1


@pytest.mark.parametrize("kind", KINDS)
def test_every_checksum_kind_is_recorded(
    ingest: Runner, drives: Drives, tmp_path: Path, kind: str
) -> None:
    """In the catalog, beside the one that read-back compares."""
    card = make(tmp_path / "A001", A_x=b"abc")
    assert offload(ingest, card, drives, "--checksum", kind).code == 3
    with Catalog.open(os.environ["INGEST_CATALOG"]) as catalog:
        (record,) = catalog.files(catalog.rolls())
    assert set(record.digests) == {"xxh128", kind}
    if kind in ("md5", "sha1", "sha256"):
        assert record.digests[kind] == hashlib.new(kind, b"abc").hexdigest()


def test_the_layout_is_the_one_asked_for(ingest: Runner, drives: Drives, tmp_path: Path) -> None:
    """Camera and card too; from ingest.toml when no option beats it."""
    card = make(tmp_path / "A007", A_x=b"1")
    told = offload(
        ingest, card, drives, "--layout", "{production}/{camera}/{card}/{roll}-D{day}", "--day", "3"
    ).document
    assert told["drives"][0]["folder"] == f"{drives[0]}/Kestrel Quay/A/A007/A007-D3"


def test_options_beat_what_the_card_says(ingest: Runner, drives: Drives, tmp_path: Path) -> None:
    """Roll, camera, label and day."""
    card = make(tmp_path / "A007", A_x=b"1")
    words = ["--roll", "C042", "--camera", "C", "--card", "Sticker 9", "--day", "4"]
    told: dict[str, Any] = offload(ingest, card, drives, *words).document
    assert (told["roll"], told["camera"], told["card"], told["day"]) == (
        "C042",
        "C",
        "Sticker 9",
        4,
    )


def test_the_first_line_on_the_screen_is_the_answer(
    ingest: Runner, drives: Drives, tmp_path: Path
) -> None:
    """With no word on wiping but a warning; nothing of it on standard error."""
    card = make(tmp_path / "A001", A_x=b"1")
    to = ["--to", str(drives[0]), "--to", str(drives[1]), *ONE_DISK]
    ran = ingest("offload", card, *to, "--production", "P")
    assert "\nA001: MATCHED. 1 file" in ran.out
    for said in ("read once", "Do not format it", "count as 1 copy; 2 are wanted"):
        assert said in ran.out
