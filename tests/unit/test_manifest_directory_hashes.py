"""Folder hashes, against a worked example and a second, independent computation."""

from __future__ import annotations

import hashlib
import os

import pytest
import xxhash
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest import checksums
from ingest.manifest.directory_hashes import directory_hashes
from ingest.manifest.model import Action, FolderHashes
from ingest.manifest.paths import path_problem

Tree = dict[str, "bytes | Tree"]

# The standard has no worked example with real data. This one was computed from section 6.5.2 and
# Appendix G by hand; the MD5 column with coreutils alone (md5sum over raw digests).
EXAMPLE = {"A.txt": b"alpha\n", "Sub/B.txt": b"bravo\n"}
EXPECTED = {
    ("Sub", "md5"): ("f8c521499ebe7f56c19ad10ab22c4fbb", "25aed113fa99d561a7fcacd4e09ef425"),
    ("Sub", "xxh64"): ("7184275050b94bf6", "501a135adbdb38f3"),
    ("", "md5"): ("db5304c35e9862da2c3768854140f19c", "0a1ce222938a8bc99f92228dedfc09b0"),
    ("", "xxh64"): ("c11e0b39496d673f", "190083da2f5536e0"),
    ("", "sha1"): (
        "f1225982fdb1a7b89627f177294cf4162764ebeb",
        "668355b7a59cf4a4810cde73297ccae76638c92f",
    ),
    ("", "xxh3"): ("3476ff6c8048f91c", "a2d029e40ede17fd"),
    ("", "xxh128"): ("b07b1281a4c1941900659884a51601e0", "55de77c86be3ef884a6ba385768dbfbd"),
    ("", "c4"): (
        "c44NRHqSinLajNb4nrXHmzAcRCuLtLQptosxXXzTe4mnWXzNJMH6EDmRKZvMXPFTWbD5MMB7jccqaRYy4t9fXLY9GP",
        "c434ihjSnkS9XJxV53uKAsGD8b2dYyYffwMzH7e1QqpEAme4jhtbJ5ZtWQqSXdrG31fm1R8RYKqHMabut5i6cZqYxU",
    ),
}


def digests(content: bytes, kinds: tuple[str, ...] = checksums.LISTED_KINDS) -> dict[str, str]:
    found = {}
    for kind in kinds:
        hasher = checksums.new(kind)
        hasher.update(content)
        found[kind] = hasher.hexdigest()
    return found


def pair(hashes: FolderHashes, kind: str) -> tuple[str, str]:
    (content,) = (one.digest for one in hashes.content if one.kind == kind)
    (structure,) = (one.digest for one in hashes.structure if one.kind == kind)
    return content, structure


def test_the_worked_example_comes_out_in_every_kind() -> None:
    """Content and structure of a folder and of the root are those worked out by hand."""
    files = {path: digests(content) for path, content in EXAMPLE.items()}
    found = directory_hashes(files, kinds=checksums.LISTED_KINDS)
    assert set(found) == {"", "Sub"}
    for (folder, kind), expected in EXPECTED.items():
        assert pair(found[folder], kind) == expected


def by_appendix_g(tree: Tree, new: object) -> tuple[bytes, bytes]:
    """Appendix G once more, by recursion over a nested tree."""
    h = lambda data: new(data).digest()  # type: ignore[operator]  # noqa: E731
    below = {
        n: by_appendix_g(t, new) if isinstance(t, dict) else (h(t),) * 2 for n, t in tree.items()
    }
    contents = b"".join(sorted(content for content, _ in below.values()))
    named = b"".join(sorted(h(os.fsencode(n) + structure) for n, (_, structure) in below.items()))
    return h(contents), h(named)


names = st.text(
    st.characters(exclude_categories=("Cs",), exclude_characters="/\0"), min_size=1, max_size=6
).filter(lambda name: name not in (".", ".."))
trees = st.dictionaries(
    names,
    st.recursive(st.binary(max_size=4), lambda inner: st.dictionaries(names, inner, max_size=3)),
    max_size=4,
)


def flat(tree: Tree, at: str = "") -> tuple[dict[str, bytes], list[str]]:
    files: dict[str, bytes] = {}
    folders: list[str] = []
    for name, inner in tree.items():
        if isinstance(inner, dict):
            folders.append(at + name)
            more_files, more_folders = flat(inner, f"{at}{name}/")
            files |= more_files
            folders += more_folders
        else:
            files[at + name] = inner
    return files, folders


@settings(deadline=None)
@given(trees)
def test_any_tree_agrees_with_a_second_computation(tree: Tree) -> None:
    """The root's hashes equal a recursive few-line computation, empty folders included."""
    files, folders = flat(tree)
    given_digests = {path: digests(content, ("md5", "xxh128")) for path, content in files.items()}
    found = directory_hashes(given_digests, folders, kinds=("md5", "xxh128"))
    assert set(found) == {"", *folders}
    for kind, new in (("md5", hashlib.md5), ("xxh128", xxhash.xxh3_128)):
        content, structure = by_appendix_g(tree, new)
        assert pair(found[""], kind) == (content.hex(), structure.hex())


def test_an_empty_folder_has_the_hash_of_no_bytes() -> None:
    """Appendix G followed to the letter: nothing was fed to the hash."""
    found = directory_hashes({}, ["Empty"], kinds=("md5",))
    assert pair(found["Empty"], "md5") == ("d41d8cd98f00b204e9800998ecf8427e",) * 2  # RFC 1321


def test_each_kind_of_change_shows_where_the_guidelines_say() -> None:
    """ASC MHL Implementation Guidelines v1.0, 2.5.1 and 2.5.2: bytes change both hashes, a
    rename only the structure, a move both."""

    def root(files: dict[str, bytes]) -> tuple[str, str]:
        listed = {path: digests(content, ("xxh64",)) for path, content in files.items()}
        return pair(directory_hashes(listed, ["In", "Sub"], kinds=("xxh64",))[""], "xxh64")

    content, structure = root(EXAMPLE)
    changed = root({"A.txt": b"alpha\n", "Sub/B.txt": b"brava\n"})
    assert changed[0] != content
    assert changed[1] != structure
    renamed = root({"A.txt": b"alpha\n", "Sub/C.txt": b"bravo\n"})
    assert renamed[0] == content
    assert renamed[1] != structure
    moved = root({"In/A.txt": b"alpha\n", "Sub/B.txt": b"bravo\n"})
    assert moved[0] != content
    assert moved[1] != structure


def test_a_file_without_a_kind_leaves_its_folders_without_that_kind() -> None:
    """A folder hash never stands for fewer files than the folder holds."""
    files = {"A/x": digests(b"x"), "B/C/y": {"md5": digests(b"y")["md5"]}}
    found = directory_hashes(files, kinds=("md5", "xxh64"), action=Action.ORIGINAL)
    kinds = {folder: [one.kind for one in hashes.content] for folder, hashes in found.items()}
    assert kinds == {"": ["md5"], "A": ["md5", "xxh64"], "B": ["md5"], "B/C": ["md5"]}
    assert {one.action for one in found["A"].structure} == {Action.ORIGINAL}


def test_names_that_are_not_utf8_count_by_their_bytes() -> None:
    """The hash is of the folder as it stands, whatever a list can hold of it."""
    found = directory_hashes({"\udcff": digests(b"x", ("md5",))}, kinds=("md5",))
    raw = hashlib.md5(b"x").digest()
    inner = hashlib.md5(b"\xff" + raw).digest()
    assert pair(found[""], "md5")[1] == hashlib.md5(inner).hexdigest()


@pytest.mark.parametrize("path", ["/a/b", "a/../b/c", "a//b"])
def test_a_path_that_is_not_relative_is_a_mistake(path: str) -> None:
    """Paths come checked; a wrong one is never hashed."""
    with pytest.raises(ValueError, match="path"):
        directory_hashes({path: {"md5": "0" * 32}}, kinds=("md5",))
    assert path_problem(path)


def test_a_kind_no_list_can_hold_is_a_mistake() -> None:
    """Only the standard's six kinds have folder hashes."""
    with pytest.raises(ValueError, match="sha256"):
        directory_hashes({}, kinds=("sha256",))


def test_a_very_deep_tree_is_hashed() -> None:
    """Depth costs no recursion."""
    deep = "/".join(["d"] * 1500) + "/x"
    found = directory_hashes({deep: digests(b"x", ("xxh64",))}, kinds=("xxh64",))
    assert len(found) == 1501
