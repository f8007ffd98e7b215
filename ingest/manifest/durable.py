"""Writing a small file so that a power cut leaves the old state or the new one, nothing between.

The order: unfinished name, write, flush, read again and compare, rename, flush the folder. What
a flush promises is what the drive's firmware keeps of it.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import os
import secrets
import sys
from typing import Protocol

from ingest import platforms
from ingest.platforms import posix_files

__all__ = ["UNFINISHED_PREFIX", "Durable", "OsDurable", "flush_folder"]

UNFINISHED_PREFIX = ".unfinished-"
"""How the name of a file that is still being written begins."""

_RENAME_NOREPLACE = 1  # linux/fs.h
_NO_SUCH_CALL = (errno.EINVAL, errno.ENOSYS, errno.ENOTSUP)
_NO_LINKS = (errno.EPERM, errno.ENOSYS, errno.ENOTSUP, errno.EMLINK)
_NO_FOLDER_FLUSH = (errno.EINVAL, errno.ENOTSUP, errno.ENOSYS)


class Durable(Protocol):
    """How `history` puts files on a drive. Both come back only when the file would outlast a
    power cut, and raise OSError otherwise."""

    def write_new(self, folder_fd: int, name: str, data: bytes) -> None:
        """Make this file in the folder. Raises FileExistsError when the name is taken."""
        ...

    def replace(self, folder_fd: int, name: str, data: bytes) -> None:
        """Put this file in the place of the one of that name, if any, in one step."""
        ...


class OsDurable:
    """`Durable` by the calls of a POSIX system.

    `run_id` goes into the unfinished names, so that a leftover tells whose it is.
    """

    def __init__(self, run_id: str = "") -> None:
        self._run_id = run_id or secrets.token_hex(8)

    def write_new(self, folder_fd: int, name: str, data: bytes) -> None:
        unfinished = self._write(folder_fd, data)
        try:
            _rename_new(folder_fd, unfinished, name)
        except BaseException:
            _forget(folder_fd, unfinished)
            raise
        flush_folder(folder_fd)

    def replace(self, folder_fd: int, name: str, data: bytes) -> None:
        unfinished = self._write(folder_fd, data)
        try:
            os.rename(unfinished, name, src_dir_fd=folder_fd, dst_dir_fd=folder_fd)
        except BaseException:
            _forget(folder_fd, unfinished)
            raise
        flush_folder(folder_fd)

    def _write(self, folder_fd: int, data: bytes) -> str:
        name = f"{UNFINISHED_PREFIX}{self._run_id}-{secrets.token_hex(4)}"
        flags = os.O_RDWR | os.O_CREAT | os.O_EXCL | posix_files.O_NOFOLLOW | posix_files.O_CLOEXEC
        fd = os.open(name, flags, 0o666, dir_fd=folder_fd)
        try:
            _write_all(fd, data)
            _flush(fd)
            _compare(fd, data)
        except BaseException:
            _forget(folder_fd, name)
            raise
        finally:
            os.close(fd)
        return name


def flush_folder(folder_fd: int) -> None:
    """Flush a folder's names. A file system that has no such call keeps them as it can."""
    try:
        os.fsync(folder_fd)
    except OSError as error:
        if error.errno not in _NO_FOLDER_FLUSH:
            raise


def _write_all(fd: int, data: bytes) -> None:
    view = memoryview(data)
    while view:
        written = os.write(fd, view)
        if written <= 0:
            raise OSError(errno.EIO, "nothing was written")
        view = view[written:]


def _flush(fd: int) -> None:
    platforms.flush(fd)


def _compare(fd: int, data: bytes) -> None:
    """Read it again, past the cache where the system drops it when asked, and compare."""
    if sys.platform == "linux":
        with contextlib.suppress(OSError):
            os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)
    place = 0
    while place < len(data):
        piece = posix_files.pread(fd, min(1 << 20, len(data) - place), place)
        if not piece or piece != data[place : place + len(piece)]:
            raise OSError(errno.EIO, "what was written reads back otherwise")
        place += len(piece)
    if os.fstat(fd).st_size != len(data):
        raise OSError(errno.EIO, "the file has another length than was written")


def _forget(folder_fd: int, unfinished: str) -> None:
    """Take away our own unfinished file; the error that led here counts more than this one."""
    with contextlib.suppress(OSError):
        os.unlink(unfinished, dir_fd=folder_fd)


def _rename_new(folder_fd: int, unfinished: str, name: str) -> None:
    """Rename without replacing. Raises FileExistsError when the name is taken."""
    if _renameat2(folder_fd, unfinished, name):
        return
    try:
        os.link(unfinished, name, src_dir_fd=folder_fd, dst_dir_fd=folder_fd)
    except OSError as error:
        if error.errno not in _NO_LINKS:
            raise
        # exFAT has neither call: look, then rename. Not one step; the roll's lock keeps others out.
        taken = {one.casefold() for one in os.listdir(folder_fd)}
        if name.casefold() in taken:
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), name) from None
        os.rename(unfinished, name, src_dir_fd=folder_fd, dst_dir_fd=folder_fd)
    else:
        os.unlink(unfinished, dir_fd=folder_fd)


def _renameat2(folder_fd: int, unfinished: str, name: str) -> bool:
    """False where the system or the file system has no such call."""
    call = getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None)
    if call is None:
        return False
    old, new = os.fsencode(unfinished), os.fsencode(name)
    if call(folder_fd, old, folder_fd, new, ctypes.c_uint(_RENAME_NOREPLACE)) == 0:
        return True
    code = ctypes.get_errno()
    if code in _NO_SUCH_CALL:
        return False
    raise OSError(code, os.strerror(code), name)
