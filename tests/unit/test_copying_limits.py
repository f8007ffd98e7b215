"""What a file system can hold, asked before a byte is written.

Sources: exFAT specification 7.6.3 and 7.7.3 (names of up to 255 UTF-16 units, the characters of
Table 35); "Naming Files, Paths, and Namespaces" for the names that Windows keeps; the largest
FAT32 file from its 4-byte size field (from memory); 255 bytes: NAME_MAX of Linux file systems.
"""

from __future__ import annotations

import pytest

from ingest.card.inventory import CardFile
from ingest.copying.limits import objections
from ingest.names import from_bytes


def why(name: str, fs_type: str, size: int = 1) -> list[str]:
    return [found.why for found in objections([CardFile(name, size, 0)], fs_type)]


@pytest.mark.parametrize("fs_type", ["ext4", "xfs", "btrfs"])
@pytest.mark.parametrize(
    "name", ["a:b*c?", "CON", "ends.", "two\nlines", "n" * 255, from_bytes(b"\xff\xfe"), "-rf"]
)
def test_a_linux_drive_holds_any_name_of_up_to_255_bytes(name: str, fs_type: str) -> None:
    """Bytes are bytes there."""
    assert not why(name, fs_type)


def test_a_name_of_more_than_255_bytes_is_refused_on_linux() -> None:
    """Counted in bytes, part by part, not in letters and not over the whole path."""
    assert why("ä" * 128, "ext4")
    assert not why("ä" * 127, "ext4")
    assert not why("/".join(["n" * 255] * 4), "ext4")
    assert why("fine/" + "n" * 256 + "/fine", "ext4")


@pytest.mark.parametrize("fs_type", ["exfat", "fuseblk", "vfat", "ntfs3"])
@pytest.mark.parametrize("character", [*'"*/:<>?\\|', "\x00", "\x1f", "\n"])
def test_a_character_that_exfat_forbids_is_refused(fs_type: str, character: str) -> None:
    """Table 35 of the specification. (A slash only ever parts folders.)"""
    if character != "/":
        assert why(f"A{character}B.mov", fs_type)
    assert not why("A B.mov", fs_type)


@pytest.mark.parametrize("name", ["CON", "nul.mov", "Com1.txt", "lpt9", "AUX.a.b", "COM¹"])
def test_a_name_that_windows_keeps_is_refused(name: str) -> None:
    """Whatever its case or ending; CONTACT is nobody's device."""
    assert why(name, "exfat")
    assert not why("CONTACT.mov", "exfat")


@pytest.mark.parametrize("name", ["ends.", "ends ", "folder./x", from_bytes(b"\xff.mov")])
def test_a_name_that_would_be_changed_on_the_way_is_refused(name: str) -> None:
    """Trailing dots and spaces vanish there, and what is not UTF-8 can't be kept."""
    assert why(name, "exfat")


def test_exfat_counts_utf16_units() -> None:
    """255 letters with umlaut fit, 128 characters of two units don't."""
    assert not why("ä" * 255, "exfat")
    assert why("ä" * 256, "exfat")
    assert not why("\N{CLAPPER BOARD}" * 127, "exfat")
    assert why("\N{CLAPPER BOARD}" * 128, "exfat")


def test_a_fat32_drive_refuses_a_file_of_4_gib() -> None:
    """One byte less fits; other file systems take it."""
    assert why("C0001.MOV", "vfat", 2**32)
    assert not why("C0001.MOV", "vfat", 2**32 - 1)
    assert not why("C0001.MOV", "exfat", 2**32)


def test_names_that_differ_in_case_alone_are_refused_where_they_are_one() -> None:
    """The second would replace the first; the message names both."""
    files = [CardFile("Clip/C0001.mov", 1, 0), CardFile("CLIP/c0001.MOV", 1, 0)]
    (found,) = objections(files, "exfat")
    assert found.path == "CLIP/c0001.MOV"
    assert "Clip/C0001.mov" in found.why
    assert not objections(files, "ext4")


def test_every_file_is_named_once_for_its_name() -> None:
    """A path with two bad parts is one objection."""
    assert len(why("a:b/c:d", "exfat")) == 1
