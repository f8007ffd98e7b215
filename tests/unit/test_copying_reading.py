"""Reading past the cache: every byte or an error, and an honest word on the route."""

from __future__ import annotations

import hashlib
import os
import random
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from ingest import platforms
from ingest.checksums import KINDS
from ingest.copying.buffers import CHUNK
from ingest.copying.reading import PROVEN, EndedEarlyError, open_root, read_cold, sample
from ingest.copying.samples import PIECE
from ingest.drives import look_at
from ingest.evidence import Route

DATA = random.Random(5).randbytes(9 * 1024 * 1024 + 13)


@pytest.fixture
def root(tmp_path: Path) -> Iterator[int]:
    handle = open_root(str(tmp_path))
    yield handle
    os.close(handle)


@pytest.mark.parametrize("size", [0, 1, 4095, 4096, 4097, 4 * 1024 * 1024, len(DATA)])
def test_a_file_is_read_whole(tmp_path: Path, root: int, size: int) -> None:
    """`hashlib` over the same bytes is the judge; the counts told add up."""
    (tmp_path / "file").write_bytes(DATA[:size])
    os.utime(tmp_path / "file", ns=(1, 1_773_000_000_000_000_001))
    counts: list[int] = []
    read = read_cold(root, "file", ["md5", "sha256"], look_at(str(tmp_path)), counts.append)
    assert read.size == size == sum(counts)
    assert read.mtime_ns == 1_773_000_000_000_000_001
    assert read.digests == {
        "md5": hashlib.md5(DATA[:size], usedforsecurity=False).hexdigest(),
        "sha256": hashlib.sha256(DATA[:size]).hexdigest(),
    }


def test_every_kind_comes_from_the_one_read(tmp_path: Path, root: int) -> None:
    """As many as are asked for."""
    (tmp_path / "file").write_bytes(DATA[:5000])
    assert set(read_cold(root, "file", KINDS, look_at(str(tmp_path))).digests) == set(KINDS)


def test_the_medium_is_only_claimed_where_it_was_shown(tmp_path: Path, root: int) -> None:
    """A file system that isn't on the proven list may have answered from memory, whatever its
    direct open says."""
    (tmp_path / "file").write_bytes(b"x")
    volume = look_at(str(tmp_path))
    for fs_type in ("tmpfs", "fuseblk", "btrfs", "nfs4", "unknown"):
        assert fs_type not in PROVEN
        read = read_cold(root, "file", ["md5"], replace(volume, fs_type=fs_type))
        assert read.route is Route.CACHE_POSSIBLE


def test_a_refused_direct_open_is_said(
    tmp_path: Path, root: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Even on a proven file system: without a direct open it is only `cache possible`."""
    (tmp_path / "file").write_bytes(DATA[:10_001])
    real = platforms.open_cold
    monkeypatch.setattr(
        platforms, "open_cold", lambda name, folder, **kw: real(name, folder, direct=False)
    )
    read = read_cold(root, "file", ["md5"], replace(look_at(str(tmp_path)), fs_type="ext4"))
    assert read.route is Route.CACHE_POSSIBLE
    assert read.digests["md5"] == hashlib.md5(DATA[:10_001], usedforsecurity=False).hexdigest()


@pytest.mark.parametrize(
    ("direct", "most"),
    [(False, 1), (False, 511), (False, 4097), (True, 4096), (True, 4097), (True, 98_305)],
)
def test_short_reads_are_gone_on_with(
    tmp_path: Path, root: int, monkeypatch: pytest.MonkeyPatch, direct: bool, most: int
) -> None:
    """A device may give less than was asked for; no byte is lost or taken twice. (A direct read
    gives at least a block, but for the end of the file.)"""
    data = DATA[: 5_001 if most == 1 else 300_007]
    (tmp_path / "file").write_bytes(data)
    real_open, real_read = platforms.open_cold, os.preadv
    calls = []

    def preadv(fd: int, views: list[memoryview], offset: int) -> int:
        count = min(most, real_read(fd, views, offset))
        views[0][count:] = bytes(len(views[0]) - count)
        calls.append(count)
        return count

    monkeypatch.setattr(
        platforms, "open_cold", lambda name, folder, **kw: real_open(name, folder, direct=direct)
    )
    monkeypatch.setattr(os, "preadv", preadv)
    read = read_cold(root, "file", ["md5"], look_at(str(tmp_path)))
    assert read.digests["md5"] == hashlib.md5(data, usedforsecurity=False).hexdigest()
    assert len(calls) > 3


def test_a_file_that_ends_early_is_an_error(
    tmp_path: Path, root: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing read before the known length never counts as the end."""
    (tmp_path / "file").write_bytes(DATA[:100_000])
    real = os.preadv
    monkeypatch.setattr(
        os, "preadv", lambda fd, views, at: 0 if at else min(8192, real(fd, views, at))
    )
    with pytest.raises(EndedEarlyError, match="8192 of 100000 bytes"):
        read_cold(root, "file", ["md5"], look_at(str(tmp_path)))


def test_a_file_that_grows_while_it_is_read_is_an_error(tmp_path: Path, root: int) -> None:
    """Two lengths of one read don't agree."""
    place = tmp_path / "file"
    place.write_bytes(DATA[:5000])

    def grow(count: int) -> None:
        with place.open("ab") as file:
            file.write(b"more")

    with pytest.raises(OSError, match="length changed"):
        read_cold(root, "file", ["md5"], look_at(str(tmp_path)), grow)


@pytest.mark.parametrize("what", ["a link", "a folder", "a pipe", "nothing"])
def test_what_is_no_regular_file_is_never_read(tmp_path: Path, root: int, what: str) -> None:
    """A link isn't followed, and a pipe doesn't make anybody wait."""
    (tmp_path / "target").write_bytes(b"x")
    place = tmp_path / "file"
    if what == "a link":
        place.symlink_to("target")
    elif what == "a folder":
        place.mkdir()
    elif what == "a pipe":
        os.mkfifo(place)
    with pytest.raises(FileNotFoundError if what == "nothing" else OSError):
        read_cold(root, "file", ["md5"], look_at(str(tmp_path)))


def test_a_path_through_a_link_is_never_read(tmp_path: Path, root: int) -> None:
    """Nor one that climbs out."""
    (tmp_path / "real").mkdir()
    (tmp_path / "real" / "file").write_bytes(b"x")
    (tmp_path / "link").symlink_to("real")
    volume = look_at(str(tmp_path))
    for path in ("link/file", "real/../real/file"):
        with pytest.raises(OSError):
            read_cold(root, path, ["md5"], volume)
        with pytest.raises(OSError):
            sample(root, path, volume)


def test_no_handle_is_left_open(tmp_path: Path, root: int) -> None:
    """Neither after a good read nor after a failed one."""
    (tmp_path / "file").write_bytes(DATA[:5000])
    volume = look_at(str(tmp_path))
    before = len(os.listdir("/proc/self/fd"))
    read_cold(root, "file", ["md5"], volume)
    sample(root, "file", volume)
    with pytest.raises(OSError):
        read_cold(root, "absent/file", ["md5"], volume)
    assert len(os.listdir("/proc/self/fd")) == before


def test_reading_leaves_the_access_time_alone(tmp_path: Path, root: int) -> None:
    """Where the file is the reader's own; the card stays as it was."""
    place = tmp_path / "file"
    place.write_bytes(b"x" * 5000)
    os.utime(place, ns=(1_000_000_000, 2_000_000_000))
    read_cold(root, "file", ["md5"], look_at(str(tmp_path)))
    assert place.stat().st_atime_ns == 1_000_000_000


@pytest.mark.parametrize("times", [1, 3])
@pytest.mark.parametrize("how", ["whole", "samples"])
def test_a_read_that_leaves_the_memory_as_it_was_never_looks_like_the_file(
    tmp_path: Path, root: int, monkeypatch: pytest.MonkeyPatch, how: str, times: int
) -> None:
    """The device says that it read, and the same bytes lie in that memory from the look before."""
    data = DATA[: CHUNK if how == "whole" else PIECE] * times
    (tmp_path / "file").write_bytes(data)
    volume = look_at(str(tmp_path))

    def look() -> str:
        if how == "samples":
            return sample(root, "file", volume)
        return read_cold(root, "file", ["md5"], volume).digests["md5"]

    def preadv(fd: int, views: list[memoryview], offset: int) -> int:
        return max(0, min(len(views[0]), len(data) - offset))

    seen = look()
    monkeypatch.setattr(os, "preadv", preadv)
    assert look() != seen


@pytest.mark.parametrize(
    ("rises", "route"), [(len(DATA), Route.MEDIUM), (len(DATA) - 1, Route.CACHE_POSSIBLE)]
)
def test_the_disks_own_count_is_not_talked_down(
    tmp_path: Path, root: int, monkeypatch: pytest.MonkeyPatch, rises: int, route: Route
) -> None:
    """On a proven file system too: what its disks did not deliver came from memory."""
    (tmp_path / "file").write_bytes(DATA)
    counts = iter([1_000_000, 1_000_000 + rises])
    real = platforms.open_cold
    monkeypatch.setattr(
        platforms,
        "open_cold",
        lambda name, folder, **kw: (real(name, folder, direct=False)[0], True),
    )
    monkeypatch.setattr(platforms, "read_counter", lambda disks: next(counts))
    volume = replace(look_at(str(tmp_path)), fs_type="ext4", disks=("sdx",))
    assert read_cold(root, "file", ["md5"], volume).route is route
