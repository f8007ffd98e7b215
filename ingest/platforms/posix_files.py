"""The POSIX names for files that Windows lacks in Python, so that callers need not ask where.

On Linux and macOS these do what the `os` module's own do. On Windows the flags that Python doesn't
have are 0, or their nearest kin, and the positioned reads and writes are done by
`platforms.windows`. There an open folder can't be named in a call (`dir_fd`), whatever the
flags: `platforms.lacking()` says what follows from that.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence

__all__ = [
    "FILE",
    "FOLDER",
    "O_CLOEXEC",
    "O_DIRECTORY",
    "O_NOFOLLOW",
    "O_NONBLOCK",
    "ROOT",
    "pread",
    "preadv",
    "pwrite",
    "room",
    "taken",
]

if sys.platform == "win32":
    from ingest.platforms.windows import pread, preadv, pwrite, room

    O_CLOEXEC = os.O_NOINHERIT
    O_DIRECTORY = 0
    O_NOFOLLOW = 0
    O_NONBLOCK = 0
else:
    from os import O_CLOEXEC, O_DIRECTORY, O_NOFOLLOW, O_NONBLOCK

    def pread(fd: int, length: int, offset: int) -> bytes:
        """Read up to `length` bytes at `offset`. Raises OSError."""
        return os.pread(fd, length, offset)

    def preadv(fd: int, buffers: Sequence[memoryview], offset: int) -> int:
        """Read at `offset` into the buffers; count of bytes, 0 at the end. Raises OSError."""
        return os.preadv(fd, buffers, offset)

    def pwrite(fd: int, data: bytes | memoryview, offset: int) -> int:
        """Write at `offset`; count of bytes taken. Raises OSError."""
        return os.pwrite(fd, data, offset)

    def room(folder: int) -> tuple[int, int, bool]:
        """Total bytes, bytes a user may still write, and whether it is read-only.

        Of the file system that an open folder lies on. Raises OSError.
        """
        told = os.fstatvfs(folder)
        read_only = bool(told.f_flag & os.ST_RDONLY)
        return told.f_blocks * told.f_frsize, told.f_bavail * told.f_frsize, read_only


ROOT = os.O_RDONLY | O_DIRECTORY | O_CLOEXEC
"""Flags to open the folder that a user named; links on the way to it are followed."""

FOLDER = ROOT | O_NOFOLLOW
"""Flags to open a folder below an open one."""

FILE = os.O_RDONLY | O_NOFOLLOW | O_NONBLOCK | O_CLOEXEC
"""Flags to open a file for reading: no link is followed, no pipe waited for."""


def taken(info: os.stat_result) -> int:
    """Bytes that a file takes up on its medium, reserved room included where that is told."""
    if sys.platform == "win32":
        return info.st_size
    else:  # noqa: RET505  (so that type checks for Windows pass it over)
        return info.st_blocks * 512
