"""A card that brings hash lists along: checked, kept, and gone on with on every drive."""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
import xxhash
from lxml import etree

from ingest import drives as places
from ingest.catalog.catalog import Catalog
from ingest.manifest.history import read_history, write_generation
from ingest.manifest.model import (
    Action,
    CreatorInfo,
    Entry,
    EntryHash,
    HashList,
    Process,
)
from tests.conftest import Ran, Runner
from tests.e2e.further import disks_apart

FILES = {"CLIP/C0001.BIN": b"one " * 5000, "CLIP/C0002.BIN": b"two " * 7000, "index.txt": b"index"}
FOLDER = "Saltmarsh/D01_2026-03-02/A003"
TIME = 1_772_452_800 * 10**9
CHAIN = "ascmhl/ascmhl_chain.xml"
KEPT = "ascmhl/card_ascmhl_chain.xml"


def history(folder: Path, files: dict[str, bytes], kind: str = "xxh64") -> None:
    """One generation of these files, as another program on the set may have left it."""
    made = {
        "xxh64": lambda data: str(xxhash.xxh64(data).hexdigest()),
        "md5": lambda data: hashlib.md5(data).hexdigest(),
    }
    entries = tuple(
        Entry(path, len(data), None, (EntryHash(kind, made[kind](data), Action.ORIGINAL),))
        for path, data in files.items()
    )
    now = datetime(2026, 3, 2, 9, 30, tzinfo=UTC)
    handle = os.open(folder, os.O_RDONLY)
    try:
        creator = CreatorInfo(now, "cart", "another")
        made_list = HashList(creator, Process.IN_PLACE, entries)
        write_generation(handle, "CARD", made_list, now)
    finally:
        os.close(handle)


@pytest.fixture
def card(tmp_path: Path, desk: Path, drives: tuple[Path, Path]) -> Path:
    """A card with three files and no history yet; HERON and OTTER are empty."""
    place = tmp_path / "card"
    for path, data in FILES.items():
        file = place / path
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(data)
        os.utime(file, ns=(TIME, TIME))
    (desk / "ingest.toml").write_text('production = "Saltmarsh"\ndays = ["2026-03-02"]\n')
    return place


Offload = Callable[..., Ran]


@pytest.fixture
def offload(
    card: Path, drives: tuple[Path, Path], ingest: Runner, monkeypatch: pytest.MonkeyPatch
) -> Offload:
    """Offload the card to both drives."""
    disks_apart(monkeypatch)

    def run(*words: str) -> Ran:
        to = ("--to", drives[0], "--to", drives[1])
        return ingest("offload", card, *to, "--roll", "A003", "--day", "1", *words)

    return run


def generations(roll: Path) -> list[tuple[str, dict[str, dict[str, str]]]]:
    """Each list in the chain's order: name, and path -> kind -> action."""
    handle = os.open(roll, os.O_RDONLY)
    try:
        found = read_history(handle)
    finally:
        os.close(handle)
    assert found.problems == ()
    return [
        (
            one.name,
            {
                entry.path: {h.kind: str(h.action) for h in entry.hashes}
                for entry in one.hash_list.entries
            },
        )
        for one in found.generations
        if one.hash_list is not None
    ]


def test_the_drives_history_goes_on_from_the_cards(
    card: Path, drives: tuple[Path, Path], offload: Offload, ingest: Runner
) -> None:
    """First the card's list, then ours with `verified`; audit, reuse and a second run are content
    with a chain that differs from the card's, and the card's own stands beside it."""
    history(card, FILES)
    ran = offload()
    assert ran.code == 0, ran.out + ran.err
    assert "1 hash list of the card in its top folder, in order; kept" in ran.out.lower()
    for drive in drives:
        roll = drive / FOLDER
        (theirs, _), (ours, actions) = generations(roll)
        assert theirs.startswith("0001_CARD_")
        assert ours.startswith("0002_A003_")
        assert set(actions) == set(FILES), "hash lists are in no hash list"
        assert {a for one in actions.values() for a in one.values()} == {"verified"}
        assert (roll / "ascmhl" / theirs).read_bytes() == (card / "ascmhl" / theirs).read_bytes()
        assert (roll / KEPT).read_bytes() == (card / CHAIN).read_bytes()
        chain = etree.parse(roll / CHAIN).getroot()
        assert len(chain) == 2
    assert ingest("audit", "--json").document["verdict"] == "matched"
    assert ingest("audit", "--json").document["verdict"] == "matched"
    again = offload()
    assert again.code == 0
    assert "NOTHING NEW" in again.out
    assert len(generations(drives[0] / FOLDER)) == 4, "offload, and two audits"
    reuse = ingest("reuse", card, "--json").document
    assert "ascmhl" not in str(reuse["reasons"]), "the chain is no reason to hold"
    assert all(one["copies"] for one in reuse["files"]), reuse


def test_when_the_cards_lists_say_otherwise_then_the_file_is_named(
    card: Path, drives: tuple[Path, Path], offload: Offload, ingest: Runner, desk: Path
) -> None:
    """The card changed after it was listed: copied as it is, told, and `failed` in the list. It
    stays in dispute until somebody has viewed it, in every answer."""
    history(card, FILES | {"index.txt": b"xedni"}, kind="md5")
    ran = offload("--json")
    assert ran.code == 3
    (problem,) = ran.document["problems"]
    assert (problem["path"], problem["state"], problem["drive"]) == ("index.txt", "disputed", None)
    assert "md5" in problem["detail"]
    (_, _), (_, actions) = generations(drives[1] / FOLDER)
    assert set(actions["index.txt"].values()) == {"failed"}
    assert set(actions["CLIP/C0001.BIN"].values()) == {"verified"}
    assert "NOTHING NEW" in offload().out
    why = "came off the card other than the card's own hash lists say"

    def said() -> tuple[str, str, str]:
        report = ingest("report", "--out", desk / "report").out
        return ingest("reuse", card).out, report, ingest("wrap", "--day", "1").out

    assert all(why in one and "rolls set A003 --viewed WHO" in one for one in said())
    assert ingest("rolls", "set", "A003", "--viewed", "Rui").code == 0
    assert not any(why in one for one in said())


@pytest.mark.parametrize("breakage", ["chain", "list", "gone"])
def test_a_broken_history_is_told_in_one_line_and_copied(
    card: Path, drives: tuple[Path, Path], offload: Offload, ingest: Runner, breakage: str
) -> None:
    """No reason not to copy, and the drive still gets a list of its own."""
    history(card, FILES)
    (one,) = (card / "ascmhl").glob("*.mhl")
    if breakage == "chain":
        (card / CHAIN).write_bytes(b"<broken")
    elif breakage == "list":
        one.write_bytes(one.read_bytes().replace(b"cart", b"dart"))
    else:
        one.unlink()
    ran = offload()
    assert ran.code == 0, ran.out
    (line,) = [line for line in ran.out.splitlines() if "are broken" in line]
    assert "own hash lists in its top folder are broken" in line
    roll = drives[0] / FOLDER
    handle = os.open(roll, os.O_RDONLY)
    ours = [g for g in read_history(handle).generations if "_A003_" in g.name]
    os.close(handle)
    assert len(ours) == 1
    assert ours[0].is_sound
    assert ours[0].hash_list is not None
    assert {entry.path for entry in ours[0].hash_list.entries} == set(FILES)
    assert (roll / KEPT).read_bytes() == (card / CHAIN).read_bytes()
    audit = ingest("audit", "--json")
    assert audit.code == 0, audit.out
    assert offload().code == 0
    assert ingest("audit", "--json").code == 0


def test_a_history_in_a_folder_is_footage_and_referred_to(
    card: Path, drives: tuple[Path, Path], offload: Offload, ingest: Runner
) -> None:
    """Copied byte for byte, never written to, and our list refers to it by its C4."""
    nested = {path.removeprefix("CLIP/"): data for path, data in FILES.items() if "/" in path}
    history(card / "CLIP", nested)
    assert offload().code == 0
    for drive in drives:
        roll = drive / FOLDER
        ((_, actions),) = generations(roll)
        assert set(actions) == set(FILES)
        (listed,) = (roll / "ascmhl").glob("*.mhl")
        references = etree.parse(listed).findall(".//{*}hashlistreference/{*}path")
        (theirs,) = (card / "CLIP" / "ascmhl").glob("*.mhl")
        assert [one.text for one in references] == [f"CLIP/ascmhl/{theirs.name}"]
        for name in (theirs.name, "ascmhl_chain.xml"):
            copy = roll / "CLIP" / "ascmhl" / name
            assert copy.read_bytes() == (card / "CLIP" / "ascmhl" / name).read_bytes()
    assert ingest("audit", "--json").document["verdict"] == "matched"


def test_a_further_copy_keeps_the_cards_history_too(
    card: Path, offload: Offload, ingest: Runner, tmp_path: Path
) -> None:
    """From a drive to a drive: the chain there begins with the card's again."""
    history(card, FILES)
    assert offload().code == 0
    (tmp_path / "STOAT").mkdir()
    ran = ingest("copy", "--roll", "A003", "--to", tmp_path / "STOAT", "--json")
    assert ran.code == 0, ran.out
    roll = tmp_path / "STOAT" / FOLDER
    assert (roll / KEPT).read_bytes() == (card / CHAIN).read_bytes()
    assert [len(actions) for _, actions in generations(roll)] == [3, 3]
    assert ingest("audit", "--json").document["verdict"] == "matched"


def test_a_second_slot_is_a_witness_and_no_new_roll(
    card: Path,
    drives: tuple[Path, Path],
    offload: Offload,
    ingest: Runner,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Another card with the same clips: every byte compared, recorded, nothing copied. The same
    card again is no witness."""
    uuids = {"card": "AAAA-0001", "slot2": "BBBB-0002"}
    real = places.card_at

    def card_at(root: str, label: str) -> places.CardSeen:
        return replace(real(root, label), fs_uuid=uuids[os.path.basename(root)])

    monkeypatch.setattr(places, "card_at", card_at)
    assert offload().code == 0
    same = offload("--json").document
    assert same["witness"] is False
    shutil.copytree(card, tmp_path / "slot2")
    words = ("--to", drives[0], "--to", drives[1], "--day", "1")
    ran = ingest("offload", tmp_path / "slot2", *words)
    assert ran.code == 0, ran.out
    assert "\nA003: WITNESS. 3 files" in ran.out
    with Catalog.open(str(tmp_path / "catalog.sqlite3")) as catalog:
        assert [roll.name for roll in catalog.rolls()] == ["A003"]
        last = catalog.offloads(catalog.rolls())[-1]
        (note,) = catalog.card_notes([last.id])[last.id]
    assert note.kind == "witness"
    assert "BBBB-0002" in note.detail
    other = tmp_path / "slot2" / "CLIP" / "C0002.BIN"
    info = other.stat()
    data = bytearray(other.read_bytes())
    data[len(data) // 2 + 1] ^= 1
    other.write_bytes(data)
    os.utime(other, ns=(info.st_atime_ns, info.st_mtime_ns))
    assert ingest("offload", tmp_path / "slot2", *words, "--json").document["witness"] is False
