"""Disks with a volatile cache, as a file system of three or so files: run as a program.

    python volatile_disk.py FOLDER MOUNT

Each file of FOLDER is offered below MOUNT for a loop device. What is written is kept apart, in
blocks of 4 KiB, until the flush arrives (a device's flush reaches a loop device's file as
fsync): only then does it go into the file of FOLDER. An image copied in an instant can't show
this: it holds everything that was sent to the device, flushed or not.

`cut(MOUNT, FOLDER, SEED)` takes what a power cut at this instant would leave, of all the disks
at once: what was flushed, and of what was pending a seeded half of the blocks.
"""

from __future__ import annotations

import errno
import fcntl
import os
import random
import stat
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

__all__ = ["BLOCK", "clone", "cut", "pending", "volatile_disks"]

BLOCK = 4096
"""Bytes that survive or are lost together."""

_FICLONE = 0x40049409  # _IOW(0x94, 9, int), include/uapi/linux/fs.h; what cp --reflink calls
_CUT = "user.cut"
_PENDING = "user.pending"


def clone(source: Path, target: Path) -> None:
    """A copy of a file in an instant, on a file system with reflinks."""
    with open(source, "rb") as old, open(target, "xb") as new:
        fcntl.ioctl(new.fileno(), _FICLONE, old.fileno())


def cut(mounted: Path, folder: Path, seed: int) -> None:
    """Take the disks as a power cut now would leave them, into the empty `folder`."""
    os.setxattr(mounted, _CUT, f"{seed}\n{folder}".encode())


def pending(mounted: Path) -> int:
    """Blocks that a power cut now might lose, on all disks."""
    return int(os.getxattr(mounted, _PENDING))


@contextmanager
def volatile_disks(folder: Path, mounted: Path) -> Iterator[None]:
    """Offer the files of `folder` below `mounted`; their users must have gone at the end."""
    from laboratory.serving import served

    with served(__file__, mounted, os.fspath(folder), os.fspath(mounted)):
        yield


class Disk:
    """One file with a volatile cache in front."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.fd = os.open(path, os.O_RDWR)
        self.size = os.fstat(self.fd).st_size
        self.pending: dict[int, bytes] = {}

    def read(self, size: int, offset: int) -> bytes:
        data = os.pread(self.fd, max(0, min(size, self.size - offset)), offset)
        first, last = offset // BLOCK, (offset + len(data) - 1) // BLOCK
        if not any(number in self.pending for number in range(first, last + 1)):
            return data
        whole = bytearray(data)
        for number in range(first, last + 1):
            block = self.pending.get(number)
            if block is not None:
                start = number * BLOCK - offset
                head, tail = max(0, -start), min(BLOCK, len(data) - start)
                whole[start + head : start + tail] = block[head:tail]
        return bytes(whole)

    def write(self, data: bytes, offset: int) -> int:
        place = 0
        while place < len(data):
            number, inside = divmod(offset + place, BLOCK)
            piece = data[place : place + BLOCK - inside]
            if len(piece) < BLOCK:
                block = bytearray(self.read(BLOCK, number * BLOCK))
                block[inside : inside + len(piece)] = piece
                piece = bytes(block)
                place += BLOCK - inside
            else:
                place += BLOCK
            self.pending[number] = piece
        return len(data)

    def flush(self) -> None:
        for number, block in self.pending.items():
            os.pwrite(self.fd, block, number * BLOCK)
        self.pending.clear()

    def cut(self, target: Path, draw: random.Random) -> None:
        clone(self.path, target)
        fd = os.open(target, os.O_WRONLY)
        try:
            for number in sorted(self.pending):
                if draw.random() < 0.5:
                    os.pwrite(fd, self.pending[number], number * BLOCK)
        finally:
            os.close(fd)


def _serve(folder: Path, mounted: Path) -> None:
    from mfusepy import FUSE, FuseOSError, Operations

    class Disks(Operations):
        use_ns = True

        def __init__(self) -> None:
            self.disks = {f"/{name}": Disk(folder / name) for name in sorted(os.listdir(folder))}

        def _disk(self, path: str) -> Disk:
            if path not in self.disks:
                raise FuseOSError(errno.ENOENT)
            return self.disks[path]

        def getattr(self, path: str, fh: int | None = None) -> dict[str, int]:
            if path == "/":
                return {"st_mode": stat.S_IFDIR | 0o755, "st_nlink": 2}
            return {
                "st_mode": stat.S_IFREG | 0o600,
                "st_nlink": 1,
                "st_size": self._disk(path).size,
            }

        def readdir(self, path: str, fh: int) -> list[str]:
            return [".", "..", *(name[1:] for name in self.disks)]

        def open(self, path: str, flags: int) -> int:
            self._disk(path)
            return 0

        def read(self, path: str, size: int, offset: int, fh: int) -> bytes:
            return self._disk(path).read(size, offset)

        def write(self, path: str, data: bytes, offset: int, fh: int) -> int:
            return self._disk(path).write(data, offset)

        def fsync(self, path: str, datasync: int, fh: int) -> int:
            self._disk(path).flush()
            return 0

        def setxattr(
            self, path: str, name: str, value: bytes, options: int, position: int = 0
        ) -> int:
            # One thread serves everything, so all disks are cut between the same two requests.
            if name != _CUT:
                raise FuseOSError(errno.ENOTSUP)
            seed, target = value.decode().split("\n", 1)
            draw = random.Random(int(seed))
            for disk in self.disks.values():
                disk.cut(Path(target, disk.path.name), draw)
            return 0

        def getxattr(self, path: str, name: str, position: int = 0) -> bytes:
            if name != _PENDING:
                raise FuseOSError(errno.ENODATA)
            return str(sum(len(disk.pending) for disk in self.disks.values())).encode()

    FUSE(
        Disks(),
        os.fspath(mounted),
        foreground=True,
        nothreads=True,
        direct_io=True,
        big_writes=True,
        fsname="volatile",
    )


if __name__ == "__main__":
    _serve(Path(sys.argv[1]), Path(sys.argv[2]))
