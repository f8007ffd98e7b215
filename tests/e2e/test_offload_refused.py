"""`ingest offload` given what it must refuse: one clear line, the right exit code, nothing done."""

from __future__ import annotations

import errno
import json
import os
import sqlite3
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from ingest import drives as drives_module
from ingest.catalog.catalog import Catalog

if TYPE_CHECKING:
    from tests.conftest import Ran, Runner

Drives = tuple[Path, Path]
ONE_DISK = ("--same-drive-ok", "--system-disk-ok")
NAMED = ("--production", "Kestrel Quay")


@pytest.fixture
def plain(tmp_path: Path) -> Path:
    """A card of two files."""
    place = tmp_path / "A001"
    (place / "CLIP").mkdir(parents=True)
    (place / "CLIP" / "C0001.BIN").write_bytes(b"1" * 5000)
    (place / "CLIP" / "C0002.BIN").write_bytes(b"2")
    return place


def everything(*folders: Path) -> dict[str, bytes | None]:
    """Every name below, with the content of files."""
    return {
        os.fspath(place): place.read_bytes() if place.is_file() else None
        for folder in folders
        for place in sorted(folder.rglob("*"))
    }


def refused(
    run: Runner, *words: str | Path, code: int = 2, untouched: tuple[Path, ...] = ()
) -> Ran:
    """Run it with --json and without: the code, one document, and nothing touched."""
    before = everything(*untouched)
    plain = run("offload", *words)
    told = run("offload", *words, "--json")
    assert plain.code == told.code == code, plain.err + told.err
    assert plain.out == ""
    assert json.loads(told.out)["error"]["exit"] == code
    assert set(json.loads(told.out)["error"]) - {"figures"} == {"what", "do", "exit"}
    for ran in (plain, told):
        lines = ran.err.splitlines()
        assert 1 <= len(lines) <= 3
        assert "Traceback" not in ran.err
        assert all(line.startswith(("Do: ", "Don't: ")) for line in lines[1:])
    assert everything(*untouched) == before
    return plain


# The command line ---------------------------------------------------------------------------------


def test_a_production_is_never_guessed(ingest: Runner, plain: Path, drives: Drives) -> None:
    """Exit 2, with the option to give."""
    ran = refused(ingest, plain, "--to", drives[0], *ONE_DISK, untouched=(plain, *drives))
    assert "--production" in ran.err


def test_without_a_card_or_a_drive_the_option_is_named(
    ingest: Runner, plain: Path, drives: Drives, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing is guessed without a terminal."""
    # Another test's disks may be mounted just now.
    monkeypatch.setattr("ingest.platforms.mounts", lambda: ())
    assert "CARD" in refused(ingest, "--to", drives[0], *NAMED).err
    assert "--to" in refused(ingest, plain, *NAMED).err


@pytest.mark.parametrize(
    "words",
    [
        ["--nonsense"],
        ["--day", "two"],
        ["--day", "0"],
        ["--checksum", "crc32"],
        ["--since", "yesterday"],
        ["--since", "2200-01-01"],
        ["--roll", "A001", "--roll", "A002"],
        ["--layout", "../{roll}"],
        ["--layout", "/{roll}"],
        ["--layout", "{roll}//x"],
        ["--layout", "{unknown}/{roll}"],
        ["--layout", "{roll.__class__}"],
        ["--layout", "{roll!r:9}{"],
        ["--layout", "{}"],
        ["--read-back", "never"],
    ],
    ids=lambda words: " ".join(words),
)
def test_a_wrong_option_is_2(ingest: Runner, plain: Path, drives: Drives, words: list[str]) -> None:
    """Nothing is written, not even a folder."""
    refused(ingest, plain, "--to", drives[0], *ONE_DISK, *NAMED, *words, untouched=(plain, *drives))


def test_a_wrong_ingest_toml_is_named(
    ingest: Runner, plain: Path, drives: Drives, desk: Path
) -> None:
    """File and key."""
    (desk / "ingest.toml").write_text("copis = 3\n")
    ran = refused(ingest, plain, "--to", drives[0], *ONE_DISK, *NAMED)
    assert "ingest.toml" in ran.err
    assert "copis" in ran.err


# The card -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["absent", "empty", "a file", "a drive of ours"])
def test_what_is_no_card_is_2(
    ingest: Runner, plain: Path, drives: Drives, tmp_path: Path, kind: str
) -> None:
    """Absent, empty, a file, or a known drive named by mistake."""
    place = tmp_path / "B009"
    if kind == "empty":
        place.mkdir()
    elif kind == "a file":
        place.write_bytes(b"x")
    elif kind == "a drive of ours":
        assert ingest("offload", plain, "--to", drives[1], *ONE_DISK, *NAMED).code == 3
        place = drives[1]
    ran = refused(ingest, place, "--to", drives[0], *ONE_DISK, *NAMED, untouched=drives)
    assert str(place) in ran.err
    unnamed = refused(ingest, place, "--to", drives[0], *ONE_DISK, untouched=drives)
    if kind != "a drive of ours":
        assert unnamed.err == ran.err, "nobody is asked for the production of what is no card"


def test_a_card_of_which_nothing_can_be_read_is_4_and_makes_no_roll(
    ingest: Runner, plain: Path, drives: Drives, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also when it is named as a roll that is in: what stops it is the reader, not the name."""
    named = (*NAMED, "--roll", "A001", "--to", drives[0], *ONE_DISK)
    assert ingest("offload", plain, *named).code == 3
    openat = os.open

    def failing(path: Any, flags: int, mode: int = 0o777, *, dir_fd: int | None = None) -> int:
        if path == "CLIP" and dir_fd is not None:
            raise OSError(errno.EIO, os.strerror(errno.EIO), path)
        return openat(path, flags, mode, dir_fd=dir_fd)

    monkeypatch.setattr(os, "open", failing)
    ran = refused(ingest, plain, *named, code=4, untouched=drives)
    assert "CLIP" in ran.err
    assert "another reader" in ran.err


# The drives ---------------------------------------------------------------------------------------


def test_two_destinations_on_one_device_take_a_word(
    ingest: Runner, plain: Path, drives: Drives
) -> None:
    """If it dies, both copies are gone."""
    words = [plain, "--to", drives[0], "--to", drives[1], "--system-disk-ok", *NAMED]
    ran = refused(ingest, *words, untouched=(plain, *drives))
    assert "--same-drive-ok" in ran.err


def test_the_computers_own_disk_takes_a_word(
    ingest: Runner, plain: Path, drives: Drives, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The folder of a drive that isn't plugged in lies on it."""
    real = drives_module.look_at
    monkeypatch.setattr(drives_module, "look_at", lambda path: replace(real(path), system=True))
    words = [plain, "--to", drives[0], "--same-drive-ok", *NAMED]
    assert "--system-disk-ok" in refused(ingest, *words, untouched=(plain, *drives)).err


@pytest.mark.parametrize("kind", ["absent", "a file", "the card", "on the card", "above the card"])
def test_what_cannot_be_a_destination_is_2(
    ingest: Runner, plain: Path, tmp_path: Path, kind: str
) -> None:
    """A drive's root folder is never made: it may not be mounted."""
    top = tmp_path / "top"
    top.mkdir()
    card = plain.rename(top / "A001")
    to = {
        "absent": tmp_path / "MAGPIE",
        "a file": tmp_path / "MAGPIE",
        "the card": card,
        "on the card": card / "CLIP",
        "above the card": top,
    }[kind]
    if kind == "a file":
        to.write_bytes(b"x")
    ran = refused(ingest, card, "--to", to, *ONE_DISK, *NAMED, untouched=(top,))
    assert str(to) in ran.err
    if kind == "absent":
        assert not to.exists()


def test_a_known_drive_may_be_named_and_an_unknown_name_is_2(
    ingest: Runner, plain: Path, drives: Drives, tmp_path: Path
) -> None:
    """By the name in its marker; a name that nobody bears is no folder to be made."""
    assert ingest("offload", plain, "--to", drives[0], *ONE_DISK, *NAMED).code == 3
    ran = refused(ingest, plain, "--to", "MAGPIE", *ONE_DISK, *NAMED)
    assert "No drive is known as MAGPIE" in ran.err and "name its folder" in ran.err
    assert not Path("MAGPIE").exists()
    (plain / "CLIP" / "C0003.BIN").write_bytes(b"3")
    ran = ingest("offload", plain, "--to", "HERON", *ONE_DISK, *NAMED, "--json")
    assert ran.code in (2, 3)
    if ran.code == 3:
        assert ran.document["drives"][0]["root"] == str(drives[0])


def test_a_read_only_drive_is_2(
    ingest: Runner, plain: Path, drives: Drives, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Before anything is tried. (The mount is made to look read-only: a real one takes root.)"""
    real = drives_module.look_at
    monkeypatch.setattr(
        drives_module,
        "look_at",
        lambda path: replace(real(path), read_only=Path(path).name == "HERON"),
    )
    words = [plain, "--to", drives[0], *ONE_DISK, *NAMED]
    assert "read-only" in refused(ingest, *words, untouched=(plain, *drives)).err


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write everywhere")
def test_a_folder_without_leave_to_write_is_refused(
    ingest: Runner, plain: Path, drives: Drives
) -> None:
    """The marker can't be written, so nothing is begun."""
    drives[0].chmod(0o555)
    try:
        refused(ingest, plain, "--to", drives[0], *ONE_DISK, *NAMED, untouched=(plain,))
    finally:
        drives[0].chmod(0o755)


def test_not_enough_room_is_2_for_one_drive_and_for_two_folders_of_one(
    ingest: Runner, plain: Path, drives: Drives, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two folders on one file system share its room."""
    need = 5_000_000
    real = drives_module.look_at
    free = need

    def look_at(path: str) -> drives_module.Volume:
        return replace(real(path), free=free)

    monkeypatch.setattr(drives_module, "look_at", look_at)
    (plain / "CLIP" / "C0003.BIN").write_bytes(bytes(3_000_000))
    words = [plain, "--to", drives[0], *ONE_DISK, *NAMED]
    said = refused(ingest, *words, untouched=(plain, *drives))
    assert "Not enough room" in said.err and "set aside for folders" in said.err
    told = ingest("offload", *words, "--json").document["error"]
    assert told["figures"]["free"] == free, "exact bytes are in the document"
    free = 8_000_000
    both = [plain, "--to", drives[0], "--to", drives[1], *ONE_DISK, *NAMED]
    assert "room" in refused(ingest, *both, untouched=(plain, *drives)).err
    assert ingest("offload", *words).code == 3


def test_names_that_the_drive_cannot_hold_are_2(
    ingest: Runner, plain: Path, drives: Drives, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Said before a byte is written, with the name."""
    real = drives_module.look_at
    monkeypatch.setattr(drives_module, "look_at", lambda path: replace(real(path), fs_type="exfat"))
    (plain / "CLIP" / "take 1: slate?.BIN").write_bytes(b"x")
    words = [plain, "--to", drives[0], *ONE_DISK, *NAMED]
    assert "slate?" in refused(ingest, *words, untouched=(plain, *drives)).err


# Rolls --------------------------------------------------------------------------------------------


def test_a_roll_name_with_other_content_is_2_and_the_next_is_proposed(
    ingest: Runner, plain: Path, drives: Drives, tmp_path: Path
) -> None:
    """Named by a person: nothing is renamed behind their back."""
    to = ["--to", drives[0], "--to", drives[1], *ONE_DISK, *NAMED]
    assert ingest("offload", plain, *to, "--roll", "A007").code == 3
    other = tmp_path / "other"
    other.mkdir()
    (other / "C0001.BIN").write_bytes(b"other")
    ran = refused(ingest, other, *to, "--roll", "A007", untouched=(other, *drives))
    assert "--roll A008" in ran.err
    assert ingest("offload", other, *to, "--roll", "A008").code == 3


def test_a_folder_taken_by_other_content_is_2_for_a_named_roll_and_stepped_over_else(
    ingest: Runner, plain: Path, drives: Drives
) -> None:
    """Somebody's files in the roll's place, that no catalog knows, are never touched."""
    layout = ["--layout", "{production}/{roll}"]
    taken = drives[0] / "Kestrel Quay" / "A001" / "CLIP" / "C0002.BIN"
    taken.parent.mkdir(parents=True)
    taken.write_bytes(b"somebody's only copy")
    to = ["--to", drives[0], "--to", drives[1], *ONE_DISK, *NAMED, *layout]
    ran = refused(ingest, plain, *to, "--roll", "A001", untouched=(plain, *drives))
    assert "C0002.BIN" in ran.err
    assert "--roll" in ran.err
    ran = ingest("offload", plain, *to, "--json")
    assert ran.document["roll"] == "A002"
    assert ran.document["verdict"] == "matched"
    assert taken.read_bytes() == b"somebody's only copy"


@pytest.mark.parametrize("kind", ["a file for a folder", "a folder for a file", "a link"])
def test_a_place_taken_by_another_kind_of_thing_is_never_touched(
    ingest: Runner, plain: Path, drives: Drives, kind: str
) -> None:
    """The next roll name is taken instead."""
    roll = drives[0] / "Kestrel Quay" / "A001"
    roll.mkdir(parents=True)
    if kind == "a file for a folder":
        (roll / "CLIP").write_bytes(b"a letter")
    elif kind == "a folder for a file":
        (roll / "CLIP" / "C0001.BIN").mkdir(parents=True)
    else:
        (roll / "CLIP").symlink_to(plain)
    before = everything(roll)
    to = ["--to", drives[0], "--to", drives[1], *ONE_DISK, *NAMED]
    ran = ingest("offload", plain, *to, "--layout", "{production}/{roll}", "--json")
    assert ran.document["roll"] == "A002", ran.err
    assert ran.document["verdict"] == "matched"
    assert everything(roll) == before


# The catalog --------------------------------------------------------------------------------------


def newer(place: Path) -> None:
    Catalog.open(str(place)).close()
    with sqlite3.connect(place) as base:
        base.execute("UPDATE catalog_version SET version_num = 'v9999'")
    base.close()


@pytest.mark.parametrize(
    "spoil",
    [
        lambda place: place.write_bytes(b"a letter, not a catalog " * 100),
        lambda place: place.mkdir(),
        lambda place: sqlite3.connect(place).executescript("CREATE TABLE mine (x);").close(),
        newer,
    ],
    ids=["text", "a folder", "another database", "a newer version"],
)
def test_what_is_no_catalog_of_ours_is_2_and_left_alone(
    ingest: Runner, plain: Path, drives: Drives, tmp_path: Path, spoil: Callable[[Path], object]
) -> None:
    """Not repaired, not replaced, not moved."""
    place = tmp_path / "other.sqlite3"
    spoil(place)
    before = place.read_bytes() if place.is_file() else None
    ran = refused(
        ingest,
        plain, "--to", drives[0], *ONE_DISK, *NAMED, "--catalog", place,
        untouched=(plain, *drives),
    )  # fmt: skip
    assert "other.sqlite3" in ran.err
    assert (place.read_bytes() if place.is_file() else None) == before


def test_hostile_words_are_shown_safely(ingest: Runner, drives: Drives, tmp_path: Path) -> None:
    """Names on the command line come from a card's folder names often enough."""
    hostile = str(tmp_path) + "/no\n\x1b[2Jcard\udcff"
    ran = refused(ingest, hostile, "--to", drives[0], *ONE_DISK, *NAMED)
    assert "\x1b" not in ran.err
    assert "no\\n\\x1b[2Jcard\\xff" in ran.err
