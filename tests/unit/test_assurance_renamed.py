"""Which folder a roll is by another name: its own hash lists tell, and nothing else."""

from __future__ import annotations

from collections.abc import Mapping

from ingest.assurance.audit import Expected
from ingest.assurance.listed import ListedFolder
from ingest.assurance.renamed import folders_by_lists
from ingest.assurance.rereading.values import Item
from ingest.drives import look_at
from ingest.evidence import Against


def expected(text: str, size: int | None = 3) -> Expected:
    return Expected(size, None, {"md5": text * 32}, Against.OTHER_LIST)


def lists(folders: Mapping[str, Mapping[str, Expected]]) -> ListedFolder:
    """What lies in each folder, as its list says."""
    named = [(folder, path, one) for folder, some in folders.items() for path, one in some.items()]
    items = tuple(
        Item(number, f"{folder}/{path}".lstrip("/"), one)
        for number, (folder, path, one) in enumerate(named)
    )
    return ListedFolder("HERON", look_at("/"), items, tuple(one for one, _, _ in named), ())


A001 = {"C0001.MP4": expected("a"), "C0002.MP4": expected("b"), "C0003.MP4": expected("c")}


def test_when_a_list_names_the_files_with_their_checksums_then_it_is_that_roll() -> None:
    """Also where one file is not listed, the list knows no length, or it is the top folder."""
    some = {"C0001.MP4": expected("A"), "C0002.MP4": expected("b", None)}
    for folder in ("P/A009", ""):
        assert folders_by_lists({"A001": A001}, lists({folder: some})) == {"A001": folder}


def test_when_one_checksum_or_length_differs_then_it_is_another_roll() -> None:
    """Cameras call the clips of every card the same."""
    for other in (expected("f"), expected("c", 4), Expected(3, None, {"sha1": "c"}, Against.CARD)):
        folder = {**A001, "C0003.MP4": other}
        assert folders_by_lists({"A001": A001}, lists({"P/A009": folder})) == {}


def test_when_a_list_names_no_more_than_half_then_it_proves_too_little() -> None:
    """Little files that every card holds don't make a roll."""
    few = {"C0001.MP4": expected("a")}
    assert folders_by_lists({"A001": A001}, lists({"P/A009": few})) == {}


def test_a_folder_is_one_roll_only_and_never_one_that_is_taken() -> None:
    """Two rolls of equal content need two folders."""
    found = lists({"P/A008": A001, "P/A009": A001})
    assert folders_by_lists({"A001": A001, "A002": A001}, found) == {
        "A001": "P/A008",
        "A002": "P/A009",
    }
    assert folders_by_lists({"A001": A001}, found, {"P/A008", "P/A009"}) == {}
