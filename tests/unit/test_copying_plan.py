"""What is refused before a byte is written."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from ingest.card.inventory import CardFile
from ingest.copying.journal import JOURNAL, Entry, Journal
from ingest.copying.plan import (
    Stock,
    check_names,
    check_places,
    copies_on,
    take_stock,
)
from ingest.drives import Volume, look_at
from ingest.errors import BadDestination
from ingest.names import from_bytes

GIB = 2**30
Make = Callable[..., Volume]


@pytest.fixture
def volume(tmp_path: Path) -> Make:
    """`volume("HERON", disks=("sdb",))`: a folder as a drive of its own, or what is said of it."""

    def make(name: str, **said: object) -> Volume:
        (tmp_path / name).mkdir(parents=True, exist_ok=True)
        seen = look_at(str(tmp_path / name))
        own = {
            "disks": (f"disk-{name}",),
            "serial": f"serial-{name}",
            "system": False,
            "read_only": False,
        }
        return replace(seen, **{**own, **said})

    return make


def refused(card: Volume, *to: Volume, same: bool = False, system: bool = False) -> str:
    with pytest.raises(BadDestination) as told:
        check_places(card, to, same_drive_ok=same, system_disk_ok=system)
    assert told.value.do
    return told.value.what


def test_two_drives_and_a_card_apart_are_fine(volume: Make) -> None:
    """Nothing is raised."""
    check_places(
        volume("card"),
        [volume("HERON"), volume("OTTER")],
        same_drive_ok=False,
        system_disk_ok=False,
    )


def test_names_that_only_begin_alike_are_not_inside_one_another(volume: Make) -> None:
    """`card` and `card2` stand side by side."""
    check_places(
        volume("card"),
        [volume("card2"), volume("card22")],
        same_drive_ok=False,
        system_disk_ok=False,
    )


def test_a_destination_on_the_card_is_refused(volume: Make) -> None:
    """The card itself, or a folder on it; no flag allows that."""
    for to in ("card", "card/backup"):
        assert "card" in refused(volume("card"), volume(to), same=True, system=True)


def test_a_card_inside_a_destination_is_refused(volume: Make) -> None:
    """The copy would grow into the source."""
    assert "inside" in refused(volume("HERON/card"), volume("HERON"), same=True, system=True)


def test_a_read_only_drive_is_refused(volume: Make) -> None:
    """Its lock switch, for one."""
    told = refused(volume("card"), volume("HERON", read_only=True), same=True, system=True)
    assert "read-only" in told


def test_the_computers_own_disk_takes_a_word(volume: Make) -> None:
    """An unplugged drive leaves its folder on that disk."""
    card, disk = volume("card"), volume("HERON", system=True)
    refused(card, disk, same=True)
    check_places(card, [disk], same_drive_ok=False, system_disk_ok=True)


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ({"disks": ("sdb",)}, {"disks": ("sdb",)}),
        ({"disks": ("sdb", "sdc")}, {"disks": ("sdc", "sdd")}),
        ({"disks": ()}, {"disks": ("sdb",)}),
        ({"disks": ()}, {"disks": ()}),
        ({"serial": "same"}, {"serial": "same"}),
    ],
)
def test_one_physical_device_or_an_unknown_one_takes_a_word(
    volume: Make, one: dict[str, object], other: dict[str, object]
) -> None:
    """What can't be shown to be different counts as the same, and as one copy."""
    card, first, second = volume("card"), volume("HERON", **one), volume("OTTER", **other)
    assert "physical device" in refused(card, first, second)
    check_places(card, [first, second], same_drive_ok=True, system_disk_ok=False)
    assert copies_on([first, second]) == 1


def test_one_folder_twice_is_refused_with_any_word(volume: Make) -> None:
    """Also by another name for it, or one inside the other."""
    card, heron = volume("card"), volume("HERON")
    assert "twice" in refused(card, heron, heron, same=True)
    assert "inside" in refused(card, heron, volume("HERON/below"), same=True)


def test_copies_are_counted_by_physical_device(volume: Make) -> None:
    """Two copies before a wipe is common practice, no source; on one device they are one."""
    heron, otter = volume("HERON", disks=("sdb",)), volume("OTTER", disks=("sdc",))
    both = volume("STOAT", disks=("sdb", "sdc"))
    unknown = volume("X", disks=())
    assert copies_on([]) == 0
    assert copies_on([heron]) == 1
    assert copies_on([heron, otter]) == 2
    assert copies_on([heron, otter, both]) == 1
    assert copies_on([both, otter, heron]) == 1
    assert copies_on([heron, unknown, otter]) == 1


def test_a_name_that_the_drive_cannot_hold_is_refused(volume: Make) -> None:
    """By its file system; the count of the others is said."""
    files = [CardFile("a:b", 1, 0), CardFile("c?d", 1, 0), CardFile("fine", 1, 0)]
    check_names(files, volume("HERON", fs_type="ext4"))
    with pytest.raises(BadDestination, match=r"a:b.*1 more"):
        check_names(files, volume("HERON", fs_type="exfat"))


@pytest.mark.parametrize(
    "path", [".ingest-journal.jsonl", ".ingest-lock/x", f".ingest-{'a' * 16}-1.unfinished"]
)
def test_a_name_that_we_need_ourselves_is_refused(volume: Make, path: str) -> None:
    """A card that holds a copy of an unfinished roll: nothing of it may be taken for ours."""
    with pytest.raises(BadDestination, match="needs for itself"):
        check_names([CardFile(path, 1, 0)], volume("HERON"))


def test_a_hostile_name_is_shown_safely(volume: Make) -> None:
    """In the refusal as everywhere."""
    with pytest.raises(BadDestination) as told:
        check_names([CardFile(from_bytes(b"\x1b[2J\xff"), 1, 0)], volume("H", fs_type="exfat"))
    assert "\x1b" not in told.value.what
    told.value.what.encode()


def test_stock_tells_what_stands_in_the_rolls_folder(tmp_path: Path) -> None:
    """Lengths of files, -1 for anything else in their place, and the journal's entries."""
    roll = tmp_path / "P" / "A001"
    (roll / "SUB").mkdir(parents=True)
    (roll / "a").write_bytes(b"12345")
    (roll / "SUB" / "b").write_bytes(b"")
    (roll / "link").symlink_to("a")
    (roll / "other").write_bytes(b"not asked for")
    entry = Entry("a" * 16, "u", "a", 5, 1, "s", {})
    handle = os.open(roll, os.O_RDONLY)
    journal = Journal(handle, "a" * 16)
    journal.add([entry])
    journal.close()
    os.close(handle)
    root = os.open(tmp_path, os.O_RDONLY)
    paths = ["a", "SUB/b", "SUB", "link", "gone", "a/below-a-file", "link/x", "SUB/gone"]
    stock = take_stock(root, "P/A001", paths)
    taken = {"SUB": -1, "link": -1, "a/below-a-file": -1, "link/x": -1}
    assert stock == Stock({"a": 5, "SUB/b": 0} | taken, {"a": entry})
    assert take_stock(root, "P/A002", paths) == Stock({}, {})
    os.close(root)
    assert (roll / JOURNAL).exists()
