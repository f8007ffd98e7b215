"""The plainest possible reading or writing of a folder, for a floor that is measured.

    python -m benchmarks.plain read FOLDER     every file once, in turn, past the cache
    python -m benchmarks.plain write FOLDER N  N bytes into one file, past the cache, flushed

Prints the seconds. No checksums, no second thread: what the device gives to one who only asks.
"""

from __future__ import annotations

import mmap
import os
import sys
import time

_PIECE = 4 * 1024 * 1024


def _open(path: str, flags: int) -> int:
    try:
        return os.open(path, flags | getattr(os, "O_DIRECT", 0), 0o644)
    except OSError:
        return os.open(path, flags, 0o644)


def read(folder: str) -> float:
    buffer = mmap.mmap(-1, _PIECE)
    paths = sorted(os.path.join(at, name) for at, _, names in os.walk(folder) for name in names)
    begun = time.monotonic()
    for path in paths:
        fd = _open(path, os.O_RDONLY)
        try:
            if hasattr(os, "posix_fadvise"):
                os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)
            offset = 0
            while count := os.preadv(fd, [buffer], offset):
                offset += count
        finally:
            os.close(fd)
    return time.monotonic() - begun


def write(folder: str, count: int) -> float:
    buffer = mmap.mmap(-1, _PIECE)
    buffer.write(os.urandom(_PIECE))
    path = os.path.join(folder, "plain-write")
    begun = time.monotonic()
    fd = _open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL)
    try:
        for offset in range(0, count // _PIECE * _PIECE, _PIECE):
            os.pwrite(fd, buffer, offset)
        os.fsync(fd)
    finally:
        os.close(fd)
    seconds = time.monotonic() - begun
    os.unlink(path)
    # Only whole pieces were written; told for the whole count.
    return seconds * count / (count // _PIECE * _PIECE)


if __name__ == "__main__":
    job, at = sys.argv[1:3]
    print(read(at) if job == "read" else write(at, int(sys.argv[3])))
