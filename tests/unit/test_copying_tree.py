"""A folder tree from one handle: no step follows a link or leaves the file system."""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Iterator
from pathlib import Path

import pytest

from ingest.copying.tree import OtherVolumeError, Tree, split
from ingest.names import from_bytes


@pytest.fixture
def top(tmp_path: Path) -> Path:
    place = tmp_path / "top"
    place.mkdir()
    return place


@pytest.fixture
def tree(top: Path) -> Iterator[Tree]:
    handle = os.open(top, os.O_RDONLY | os.O_DIRECTORY)
    with Tree(handle) as opened:
        yield opened
    os.close(handle)


def test_a_path_splits_into_folder_and_name() -> None:
    """The root has no name of its own."""
    assert split("a/b/c") == ("a/b", "c")
    assert split("c") == ("", "c")


def test_folders_are_made_and_those_above_the_new_ones_told(tree: Tree, top: Path) -> None:
    """What must be flushed is the folder in which a new entry stands."""
    _, made = tree.make_folder("a/b/c")
    assert made == ("", "a", "a/b")
    assert (top / "a" / "b" / "c").is_dir()
    _, made = tree.make_folder("a/b/d")
    assert made == ("a/b",)
    assert tree.make_folder("a/b/d")[1] == ()


@pytest.mark.parametrize("path", ["..", "a/..", "a/../../x", ".", "a//b", "a/./b"])
def test_a_path_that_could_leave_the_root_is_refused(tree: Tree, top: Path, path: str) -> None:
    """Neither entered nor made."""
    (top / "a").mkdir()
    with pytest.raises(OSError):
        tree.make_folder(path)
    with pytest.raises(OSError):
        tree.folder(path)


def test_a_leading_slash_never_means_the_systems_root(tree: Tree, top: Path) -> None:
    """Every path is below the handle."""
    (top / "etc").mkdir()
    assert os.readlink(f"/proc/self/fd/{tree.folder('/etc')}") == str(top.resolve() / "etc")


def test_a_link_to_a_folder_is_never_entered(tree: Tree, top: Path, tmp_path: Path) -> None:
    """Nothing is made in the folder it points to."""
    outside = tmp_path / "outside"
    outside.mkdir()
    (top / "link").symlink_to(outside)
    with pytest.raises(OSError):
        tree.make_folder("link/below")
    with pytest.raises(OSError):
        tree.folder("link")
    assert not list(outside.iterdir())


def test_a_link_to_a_file_is_never_opened_but_can_be_seen(tree: Tree, top: Path) -> None:
    """`stat` tells of the link itself."""
    (top / "file").write_bytes(b"12345")
    (top / "link").symlink_to("file")
    with pytest.raises(OSError) as told:
        tree.open_cold("link")
    assert told.value.errno == errno.ELOOP
    assert tree.stat("file").st_size == 5
    assert stat.S_ISLNK(tree.stat("link").st_mode)


def test_another_volume_below_the_root_is_never_entered(tree: Tree, top: Path) -> None:
    """What is written there would land elsewhere. (The tree is told another device number here;
    a real mount takes root.)"""
    (top / "a").mkdir()
    tree.device += 1
    with pytest.raises(OtherVolumeError):
        tree.folder("a")
    with pytest.raises(OtherVolumeError):
        tree.make_folder("b")


def test_hundreds_of_folders_take_few_handles(tree: Tree) -> None:
    """Deep and wide; every one is still reached by its own path."""
    before = len(os.listdir("/proc/self/fd"))
    deep = "/".join(f"d{level}" for level in range(40))
    tree.make_folder(deep)
    for number in range(200):
        tree.make_folder(f"wide/{number}")
    assert len(os.listdir("/proc/self/fd")) - before <= 20
    for path in (deep, "wide/0", "wide/199", deep):
        name = os.readlink(f"/proc/self/fd/{tree.folder(path)}")
        assert name.endswith("/top/" + path)
    tree.close()
    assert len(os.listdir("/proc/self/fd")) == before


def test_names_are_bytes(tree: Tree, top: Path) -> None:
    """A folder whose name is not UTF-8 is made with exactly those bytes."""
    tree.make_folder(from_bytes(b"\xff\n-rf"))
    assert os.listdir(os.fsencode(top)) == [b"\xff\n-rf"]
