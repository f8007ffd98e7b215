"""Reading back one drive's files while they are written, through its own door."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator, Sequence
from pathlib import Path
from threading import Semaphore

import pytest
import xxhash

from ingest import platforms
from ingest.copying.finishing import Checked
from ingest.copying.read_back import Range, ReadBack
from ingest.copying.values import Action, FileTask
from ingest.drives import look_at

CONTENT = bytes(range(256)) * 8192
UNFINISHED = ".ingest-run-0.unfinished"


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[int]:
    (tmp_path / UNFINISHED).write_bytes(CONTENT)
    fd = os.open(tmp_path, os.O_RDONLY | os.O_DIRECTORY)
    yield fd
    os.close(fd)


def take_last_range(folder: int, place: Path, told: list[tuple[Checked, bool]], fd: int) -> None:
    """Read back the whole of one written file; `told` gets what is handed on, and whether the
    writer's descriptor was still open then."""

    def hand_on(checked: Sequence[Checked]) -> None:
        told.extend((one, still_open(fd)) for one in checked)

    tasks = [FileTask("C0001.MOV", len(CONTENT), 0, (Action.WRITE,))]
    read_back = ReadBack(folder, look_at(str(place)), tasks, hand_on, lambda: None, Semaphore())
    try:
        read_back.take(Range(0, UNFINISHED, fd, None, len(CONTENT), True))
    finally:
        read_back.close()


def still_open(fd: int) -> bool:
    try:
        os.fstat(fd)
    except OSError as error:
        assert error.errno == errno.EBADF
        return False
    return True


def test_a_file_is_closed_before_it_is_handed_on_to_be_named(tmp_path: Path, folder: int) -> None:
    """Some file systems tell only at the close that there was no room."""
    told: list[tuple[Checked, bool]] = []
    fd = os.open(UNFINISHED, os.O_WRONLY, dir_fd=folder)
    take_last_range(folder, tmp_path, told, fd)
    ((checked, was_open),) = told
    assert not was_open
    assert checked.digest == xxhash.xxh3_128_hexdigest(CONTENT)
    assert not checked.failed


def test_an_error_at_the_close_is_told_as_the_files_failure(
    tmp_path: Path, folder: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No digest goes on with it, and the drive stops."""
    told: list[tuple[Checked, bool]] = []
    writers = os.open(UNFINISHED, os.O_WRONLY, dir_fd=folder)
    really_close = os.close

    def close(fd: int) -> None:
        really_close(fd)
        if fd == writers:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "close", close)
    with pytest.raises(OSError, match=os.strerror(errno.ENOSPC)):
        take_last_range(folder, tmp_path, told, writers)
    ((checked, _),) = told
    assert checked.failed == os.strerror(errno.ENOSPC)
    assert not checked.digest


def test_a_flush_that_failed_is_final_for_that_file(
    tmp_path: Path, folder: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The kernel tells of lost bytes once: what is flushed and read later, and may be whole in
    memory, is handed on no more."""
    told: list[Checked] = []
    tasks = [FileTask("C0001.MOV", len(CONTENT), 0, (Action.WRITE,))]
    volume = look_at(str(tmp_path))
    read_back = ReadBack(folder, volume, tasks, told.extend, lambda: None, Semaphore())
    fd = os.open(UNFINISHED, os.O_WRONLY, dir_fd=folder)
    with monkeypatch.context() as failing:

        def flush_range(fd: int) -> None:
            raise OSError(errno.EIO, os.strerror(errno.EIO))

        failing.setattr(platforms, "flush_range", flush_range)
        with pytest.raises(OSError, match=os.strerror(errno.EIO)):
            read_back.take(Range(0, UNFINISHED, fd, None, len(CONTENT) // 2, False))
    read_back.take(Range(0, UNFINISHED, fd, None, len(CONTENT), True))
    read_back.close()
    assert [(one.failed, one.digest) for one in told] == [(os.strerror(errno.EIO), "")]
    assert not still_open(fd)
