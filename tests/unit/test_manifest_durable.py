"""Small files put on a drive: whole or not at all, and never in the place of another."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from ingest.manifest import durable
from ingest.manifest.durable import OsDurable


@pytest.fixture
def folder_fd(tmp_path: Path) -> Iterator[int]:
    fd = os.open(tmp_path, os.O_RDONLY)
    yield fd
    os.close(fd)


class NoSuchCall:
    """A C library without renameat2."""


@pytest.fixture(params=["renameat2", "link", "look and rename"])
def way(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """Each of the three ways to rename without replacing."""
    way: str = request.param
    if way != "renameat2":
        monkeypatch.setattr(durable.ctypes, "CDLL", lambda *_, **__: NoSuchCall())
    if way == "look and rename":

        def no_links(*_: object, **__: object) -> None:
            raise PermissionError(1, "no links here")

        monkeypatch.setattr(durable.os, "link", no_links)
    return way


def test_a_new_file_is_whole_and_alone(tmp_path: Path, folder_fd: int, way: str) -> None:
    """Nothing but the file remains."""
    OsDurable("run").write_new(folder_fd, "a.mhl", b"x" * 3_000_000)
    assert os.listdir(tmp_path) == ["a.mhl"], way
    assert (tmp_path / "a.mhl").read_bytes() == b"x" * 3_000_000


def test_a_name_taken_stays(tmp_path: Path, folder_fd: int, way: str) -> None:
    """File, folder or link: refused, untouched, nothing left behind."""
    (tmp_path / "file").write_bytes(b"mine")
    (tmp_path / "folder").mkdir()
    (tmp_path / "link").symlink_to("nowhere")
    before = sorted(os.listdir(tmp_path))
    for name in before:
        with pytest.raises(FileExistsError):
            OsDurable().write_new(folder_fd, name, b"new")
    assert sorted(os.listdir(tmp_path)) == before, way
    assert (tmp_path / "file").read_bytes() == b"mine"


def test_replace_puts_the_new_file_in_one_step(tmp_path: Path, folder_fd: int) -> None:
    """Also over a link: the link goes, what it points to stays."""
    (tmp_path / "target").write_bytes(b"other")
    (tmp_path / "chain").symlink_to("target")
    OsDurable().replace(folder_fd, "chain", b"new")
    assert (tmp_path / "chain").read_bytes() == b"new"
    assert not (tmp_path / "chain").is_symlink()
    assert (tmp_path / "target").read_bytes() == b"other"
    OsDurable().replace(folder_fd, "chain", b"")
    assert (tmp_path / "chain").read_bytes() == b""
    assert sorted(os.listdir(tmp_path)) == ["chain", "target"]


def test_the_order_is_write_flush_read_rename_flush(
    tmp_path: Path, folder_fd: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Flushed before it is read back, renamed after, and the folder flushed last."""
    seen = []
    for name in ("write", "fsync", "pread", "rename"):

        def recorded(
            *args: object, _real: object = getattr(os, name), _name: str = name, **more: object
        ) -> object:
            seen.append("flush folder" if _name == "fsync" and args[0] == folder_fd else _name)
            return _real(*args, **more)  # type: ignore[operator]

        monkeypatch.setattr(durable.os, name, recorded)
    OsDurable().replace(folder_fd, "chain", b"new")
    assert seen == ["write", "fsync", "pread", "rename", "flush folder"]


def test_short_writes_are_gone_on_with(
    tmp_path: Path, folder_fd: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A write that takes a part is followed by the rest."""
    real = os.write
    monkeypatch.setattr(durable.os, "write", lambda fd, data: real(fd, data[:3]))
    OsDurable().write_new(folder_fd, "a", b"0123456789")
    assert (tmp_path / "a").read_bytes() == b"0123456789"


@pytest.mark.parametrize("call", ["write", "fsync", "pread", "rename"])
def test_a_failure_leaves_what_was_there(
    tmp_path: Path, folder_fd: int, monkeypatch: pytest.MonkeyPatch, call: str
) -> None:
    """Any step that fails is said, and the old file stays whole."""
    (tmp_path / "chain").write_bytes(b"old")

    def fails(*_: object, **__: object) -> None:
        raise OSError(5, "failed")

    monkeypatch.setattr(durable.os, call, fails)
    with pytest.raises(OSError, match="failed"):
        OsDurable().replace(folder_fd, "chain", b"new")
    monkeypatch.undo()
    assert os.listdir(tmp_path) == ["chain"]
    assert (tmp_path / "chain").read_bytes() == b"old"


@pytest.mark.parametrize("lie", [b"", b"nex"])
def test_what_reads_back_otherwise_gets_no_name(
    tmp_path: Path, folder_fd: int, monkeypatch: pytest.MonkeyPatch, lie: bytes
) -> None:
    """A drive that gives back something else, or nothing."""
    monkeypatch.setattr(durable.os, "pread", lambda *_: lie)
    with pytest.raises(OSError, match="otherwise"):
        OsDurable().write_new(folder_fd, "a", b"new")
    assert os.listdir(tmp_path) == []


def test_a_folder_that_cant_be_flushed_for_another_reason_is_said(
    folder_fd: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No such call is tolerated, an error of the drive is not."""

    def refuses(code: int) -> None:
        def flush(_: int) -> None:
            raise OSError(code, "flush")

        monkeypatch.setattr(durable.os, "fsync", flush)

    refuses(22)
    durable.flush_folder(folder_fd)
    refuses(5)
    with pytest.raises(OSError, match="flush"):
        durable.flush_folder(folder_fd)
