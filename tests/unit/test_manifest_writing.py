"""How a hash list and its name are written."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import pytest

from ingest.manifest.model import (
    Action,
    Author,
    BadManifest,
    CreatorInfo,
    DirectoryEntry,
    Entry,
    EntryHash,
    FolderHashes,
    HashList,
    Process,
    utc_from_ns,
)
from ingest.manifest.reading import read_manifest
from ingest.manifest.writing import manifest_name, manifest_xml

NOW = datetime(2031, 5, 4, 19, 30, tzinfo=UTC)
XXH64 = EntryHash("xxh64", "0ea03b369a463d9d", Action.ORIGINAL)
MD5 = EntryHash("md5", "9f9f90dbe3e5ee1218c86b8839db1995", Action.VERIFIED)


def hash_list(*entries: Entry, **more: object) -> HashList:
    creator = CreatorInfo(NOW, "cart", "ingest", "0.1")
    return HashList(creator, Process.TRANSFER, entries, **more)  # type: ignore[arg-type]


def entry(path: str = "A/clip.mov", **more: object) -> Entry:
    values: dict[str, object] = {"size": 5, "mtime": NOW, "hashes": (XXH64,)}
    return Entry(path, **(values | more))  # type: ignore[arg-type]


def test_the_name_is_the_one_the_standard_asks_for() -> None:
    """ASC MHL v1.0 section 6.3, its own example."""
    made = manifest_name(1, "A002R2EC", datetime(2019, 1, 7, 8, 2, 28, tzinfo=UTC))
    assert made == "0001_A002R2EC_2019-01-07_080228Z.mhl"


@pytest.mark.parametrize(("month", "expected"), [(3, "190801Z"), (1, "200801Z")])
def test_the_name_has_the_time_of_the_zero_meridian(month: int, expected: str) -> None:
    """Section 6.3: 12:08:01 Pacific is 19:08:01 in daylight saving time, 20:08:01 without."""
    pacific = datetime(2022, month, 15, 12, 8, 1, tzinfo=ZoneInfo("America/Los_Angeles"))
    assert manifest_name(12, "R", pacific).endswith(f"_{expected}.mhl")


def test_a_number_over_four_digits_keeps_them_all() -> None:
    """Section 6.3: four digits, or more for values above 9999."""
    assert manifest_name(12345, "R", NOW).startswith("12345_R_")


@pytest.mark.parametrize("folder", ["a/b", "new\nline", "\udcff", 'q"?*', "é" * 200, "x" * 300])
def test_any_folder_name_gives_a_name_that_a_drive_takes(folder: str) -> None:
    """One part, printable, at most 255 bytes, whatever the folder is called."""
    made = manifest_name(1, folder, NOW)
    assert "/" not in made
    assert made.isprintable()
    assert len(made.encode()) <= 255
    assert made.endswith("_2031-05-04_193000Z.mhl")


def test_kinds_stand_in_the_schemas_order() -> None:
    """c4, md5, sha1, xxh128, xxh3, xxh64 (Appendix A), whatever order they are given in."""
    data = manifest_xml(hash_list(entry(hashes=(XXH64, MD5)))).data
    assert data.index(b"<md5") < data.index(b"<xxh64")


def test_the_default_patterns_are_always_written() -> None:
    """Section 5.6.1.2, also when the caller forgets them."""
    data = manifest_xml(hash_list(entry(), ignore=("*.tmp",))).data
    assert read_manifest(data).hash_list.ignore == (".DS_Store", "ascmhl/", "*.tmp")


@pytest.mark.parametrize(
    "name",
    [
        " lead",
        "trail ",
        "a\nb",
        "\n",
        "c\rd",
        "t\tb",
        "&amp;",
        "<b>",
        "]]>",
        "雪",
        "e\u0301",
        "\\",
        "=1+1",
        "-rf",
    ],
)
def test_a_name_is_held_to_the_character(name: str) -> None:
    """White space, markup and decomposed letters come back as they were (section 6.4.8)."""
    written = manifest_xml(hash_list(entry(f"D/{name}")))
    assert written.not_listed == ()
    assert read_manifest(written.data).hash_list.entries[0].path == f"D/{name}"


@pytest.mark.parametrize("name", ["\udcff", "esc\x1b[31m", "bell\x07", "\ufffe", "\x01"])
def test_a_name_that_xml_cant_hold_is_said_and_left_out(name: str) -> None:
    """XML 1.0 has no way to write these, not even as references."""
    written = manifest_xml(hash_list(entry("good"), entry(f"D/{name}")))
    assert written.not_listed == (f"D/{name}",)
    assert [one.path for one in read_manifest(written.data).hash_list.entries] == ["good"]


def test_texts_about_the_list_never_break_it() -> None:
    """A host name or comment with anything in it still gives a list that can be read."""
    creator = CreatorInfo(
        NOW,
        "\x1bhost\udcff",
        "in<gest",
        '"1"\n',
        (Author("A & B", "no mail", "+1", "DIT\x00"),),
        "x\n",
        "]]>",
    )
    data = manifest_xml(HashList(creator, Process.IN_PLACE, (entry(),))).data
    read = read_manifest(data).hash_list.creator
    assert read.hostname == "\ufffdhost\ufffd"
    assert read.tool_version == '"1"\n'
    assert read.authors == (Author("A & B", "", "+1", "DIT\ufffd"),)
    assert read.comment == "]]>"


def test_nothing_to_list_is_refused() -> None:
    """The schema asks for at least one entry; an empty list would say nothing."""
    with pytest.raises(BadManifest, match="nothing"):
        manifest_xml(hash_list())
    with pytest.raises(BadManifest, match="nothing"):
        manifest_xml(hash_list(entry("\udcff")))


@pytest.mark.parametrize(
    "wrong",
    [
        entry("../up"),
        entry("/abs"),
        entry("a//b"),
        entry(size=-1),
        entry(hashes=()),
        entry(hashes=(EntryHash("md5", "0" * 32),)),
        entry(hashes=(EntryHash("md5", "0" * 31, Action.ORIGINAL),)),
        entry(hashes=(EntryHash("sha256", "0" * 64, Action.ORIGINAL),)),
        entry(hashes=(MD5, MD5)),
        entry(mtime=datetime(2031, 5, 4)),
        entry(previous_path="../x"),
    ],
)
def test_what_would_mislead_is_never_written(wrong: Entry) -> None:
    """A caller's mistake stops before a byte is made."""
    with pytest.raises(ValueError):
        manifest_xml(hash_list(wrong))


def test_a_path_given_twice_is_never_written() -> None:
    """Section 6.4.9: no two entries with one path, files and folders taken together."""
    folder = DirectoryEntry("A", NOW, FolderHashes((XXH64,), (XXH64,)))
    with pytest.raises(ValueError, match="twice"):
        manifest_xml(hash_list(entry("A"), folders=(folder,)))


def test_a_folders_two_hashes_are_of_the_same_kinds() -> None:
    """Section 6.5.2."""
    folder = DirectoryEntry("A", NOW, FolderHashes((XXH64,), (MD5,)))
    with pytest.raises(ValueError, match="same kinds"):
        manifest_xml(hash_list(folders=(folder,)))


def test_times_are_written_in_utc() -> None:
    """Whatever zone they come in, the moment stays."""
    there = timezone(timedelta(hours=5, minutes=30))
    data = manifest_xml(
        hash_list(entry(mtime=datetime(2031, 5, 5, 1, 0, 0, 250, tzinfo=there)))
    ).data
    assert b'lastmodificationdate="2031-05-04T19:30:00.000250Z"' in data


def test_nanoseconds_become_a_time() -> None:
    """Cut to the microsecond, before 1970 too; none where no list could state it."""
    assert utc_from_ns(1_570_802_163_123_456_789) == datetime(
        2019, 10, 11, 13, 56, 3, 123456, tzinfo=UTC
    )
    assert utc_from_ns(-1) == datetime(1969, 12, 31, 23, 59, 59, 999999, tzinfo=UTC)
    assert utc_from_ns(10**30) is None
