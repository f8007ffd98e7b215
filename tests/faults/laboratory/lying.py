"""A drive that lies: a file system that passes everything on to a folder, or pretends to.

    python lying.py FOLDER MOUNT DEVICE through-cache|direct

What it does wrong is told to it by `lie`, and what it did it says to `told`. Only footage being
written (unfinished names) is touched. A lie hits the one write that covers a given byte of a
given file, however the writes are cut; so that a case is the same whenever it is run.
"""

from __future__ import annotations

import errno
import json
import os
import re
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from laboratory.loops import Drive

__all__ = ["HONEST", "LOUD", "SILENT", "lie", "lying_drive", "told"]

SILENT = ("drop", "shorten", "zero", "alter", "rot")
"""The drive says that all is well, and it is not. `rot`: a bit turns when the flush comes."""

HONEST = ("short reads", "short writes", "EINTR at read")
"""Allowed by POSIX: a count that is less than was asked for, and being interrupted."""

LOUD = (
    "EIO at read",
    "EIO at write",
    "EAGAIN at read",
    "EAGAIN at write",
    "ENOSPC at write",
    "ENOSPC at close",
    "EIO at close",
    "EIO at flush",
    "ENOSPC at flush",
    "EIO at rename",
)
"""The drive says that something went wrong."""

_LIE = "user.lie"
_TOLD = "user.told"
_UNFINISHED = re.compile(r"\.ingest-[0-9a-f]{16}-(\d+)\.unfinished")
_LEAST = 8192
"""Honest short counts leave at least two blocks: a drive that gives less gives nothing."""


def lie(mounted: Path, kind: str, places: Mapping[int, int]) -> None:
    """From now on: `kind` (empty for none), at these byte positions by the file's number in its
    run. For files without a position, and for no kind at all, the drive is sound."""
    told = {"kind": kind, "places": {str(task): place for task, place in places.items()}}
    os.setxattr(mounted, _LIE, json.dumps(told).encode())


def told(mounted: Path) -> dict[str, Any]:
    """What was done wrong since (`done`, by file number), which files got their final name with
    bytes that were never flushed (`unflushed`) or before they were closed (`unclosed`), and how
    many got one at all (`named`)."""
    done = json.loads(os.getxattr(mounted, _TOLD))
    assert isinstance(done, dict)
    return done


@contextmanager
def lying_drive(drive: Drive, mounted: Path, *, direct: bool) -> Iterator[None]:
    """Offer a sound drive at `mounted`, as one that lies; with `direct` the kernel keeps no pages
    of it. Like file systems in user space that stand on a device, it names the device."""
    from laboratory.serving import served

    mode = "direct" if direct else "through-cache"
    with served(__file__, mounted, os.fspath(drive), os.fspath(mounted), drive.device, mode):
        yield


def _serve(folder: str, mounted: str, device: str, *, direct: bool) -> None:
    from mfusepy import FUSE, FuseOSError, Operations

    class Lying(Operations):
        use_ns = True

        def __init__(self) -> None:
            self.kind = ""
            self.places: dict[int, int] = {}
            self.done: dict[int, str] = {}
            self.writers: set[int] = set()
            self.unflushed: dict[str, bool] = {}
            self.named: list[str] = []
            self.named_unflushed: list[str] = []
            self.unclosed: dict[int, str] = {}
            self.named_unclosed: list[str] = []

        def _real(self, path: str) -> str:
            return folder + path

        # What goes wrong --------------------------------------------------------------------

        def _place(self, path: str, kinds: tuple[str, ...]) -> tuple[int, int] | None:
            """Number and place of the file when something is to go wrong with it here, once."""
            found = _UNFINISHED.fullmatch(os.path.basename(path))
            if found is None or self.kind not in kinds:
                return None
            task = int(found[1])
            if task in self.done or task not in self.places:
                return None
            return task, self.places[task]

        def _fail(self, path: str, at: str, offset: int = 0, length: int = sys.maxsize) -> None:
            """Fail here once, if it is the turn of this file and these bytes."""
            name, _, where = self.kind.partition(" at ")
            if where != at:
                return
            found = self._place(path, (self.kind,))
            if found is None or not offset <= found[1] < offset + length:
                return
            self.done[found[0]] = self.kind
            raise FuseOSError(getattr(errno, name))

        def _changed(self, path: str, fh: int, data: bytes, offset: int) -> bytes | None:
            """What really goes to the medium in place of `data`, when this write is lied about."""
            found = self._place(path, ("drop", "shorten", "zero", "alter"))
            if found is None or not offset <= found[1] < offset + len(data):
                return None
            task, place = found
            self.done[task] = f"{self.kind} at {place}"
            inside = place - offset
            if self.kind == "drop":
                return b""
            if self.kind == "shorten":
                return data[:inside]
            if self.kind == "zero":
                return bytes(len(data))
            return data[:inside] + bytes([data[inside] ^ 1 << place % 8]) + data[inside + 1 :]

        def _rot(self, path: str, fh: int) -> None:
            found = self._place(path, ("rot",))
            if found is None or os.fstat(fh).st_size <= found[1]:
                return
            task, place = found
            self.done[task] = f"rot at {place}"
            # A descriptor of its own: the writer's can't read.
            fd = os.open(self._real(path), os.O_RDWR)
            try:
                byte = os.pread(fd, 1, place)[0]
                os.pwrite(fd, bytes([byte ^ 1 << place % 8]), place)
            finally:
                os.close(fd)

        # Bytes ------------------------------------------------------------------------------

        def read(self, path: str, size: int, offset: int, fh: int) -> bytes:
            self._fail(path, "read", offset, size)
            footage = _UNFINISHED.fullmatch(os.path.basename(path))
            if self.kind == "short reads" and footage and size > _LEAST:
                self.done[-1] = self.kind
                size = _LEAST + (size - _LEAST) // 3
            return os.pread(fh, size, offset)

        def write(self, path: str, data: bytes, offset: int, fh: int) -> int:
            self._fail(path, "write", offset, len(data))
            self.unflushed[path] = True
            footage = _UNFINISHED.fullmatch(os.path.basename(path))
            if self.kind == "short writes" and footage and len(data) > _LEAST:
                self.done[-1] = self.kind
                return os.pwrite(fh, data[: _LEAST + (len(data) - _LEAST) // 3], offset)
            changed = self._changed(path, fh, data, offset)
            whole = data if changed is None else changed
            while whole:
                count = os.pwrite(fh, whole, offset)
                whole, offset = whole[count:], offset + count
            return len(data)

        def fsync(self, path: str, datasync: int, fh: int) -> int:
            self._fail(path, "flush")
            self._rot(path, fh)
            self.unflushed[path] = False
            return 0

        def fsyncdir(self, path: str, datasync: int, fh: int) -> int:
            return 0

        def flush(self, path: str, fh: int) -> int:
            self.unclosed.pop(fh, None)
            if fh in self.writers:
                self._fail(path, "close")
            return 0

        def release(self, path: str, fh: int) -> int:
            self.writers.discard(fh)
            os.close(fh)
            return 0

        def open(self, path: str, flags: int) -> int:
            fh = os.open(self._real(path), flags & ~os.O_DIRECT & ~os.O_NOFOLLOW)
            if flags & (os.O_WRONLY | os.O_RDWR):
                self.writers.add(fh)
            return fh

        def create(self, path: str, mode: int, fi: Any = None) -> int:
            fh = os.open(self._real(path), os.O_RDWR | os.O_CREAT | os.O_EXCL, mode)
            self.writers.add(fh)
            self.unflushed[path] = True
            self.unclosed[fh] = path
            return fh

        def truncate(self, path: str, length: int, fh: int | None = None) -> int:
            os.truncate(self._real(path), length)
            return 0

        # Names ------------------------------------------------------------------------------

        def _named(self, old: str, new: str) -> None:
            self._fail(old, "rename")
            if _UNFINISHED.fullmatch(os.path.basename(old)):
                self.named.append(new)
                if self.unflushed.get(old):
                    self.named_unflushed.append(new)
                if old in self.unclosed.values():
                    self.named_unclosed.append(new)

        def rename(self, old: str, new: str) -> int:
            self._named(old, new)
            os.rename(self._real(old), self._real(new))
            return 0

        def link(self, target: str, source: str) -> int:
            self._named(source, target)
            os.link(self._real(source), self._real(target))
            return 0

        def unlink(self, path: str) -> int:
            os.unlink(self._real(path))
            return 0

        def mkdir(self, path: str, mode: int) -> int:
            os.mkdir(self._real(path), mode)
            return 0

        def rmdir(self, path: str) -> int:
            os.rmdir(self._real(path))
            return 0

        def utimens(self, path: str, times: tuple[int, int] | None = None) -> int:
            os.utime(self._real(path), ns=times)
            return 0

        def chmod(self, path: str, mode: int) -> int:
            os.chmod(self._real(path), mode)
            return 0

        def getattr(self, path: str, fh: int | None = None) -> dict[str, Any]:
            info = os.lstat(self._real(path)) if fh is None else os.fstat(fh)
            kept = ("st_mode", "st_nlink", "st_size", "st_uid", "st_gid", "st_ino", "st_blocks")
            found: dict[str, Any] = {name: getattr(info, name) for name in kept}
            for name in ("st_atime", "st_mtime", "st_ctime"):
                found[name] = getattr(info, f"{name}_ns")
            return found

        def readdir(self, path: str, fh: int) -> list[str]:
            return [".", "..", *os.listdir(self._real(path))]

        def statfs(self, path: str) -> dict[str, int]:
            info = os.statvfs(self._real(path))
            names = ("f_bavail", "f_bfree", "f_blocks", "f_bsize", "f_frsize", "f_namemax")
            return {name: getattr(info, name) for name in names}

        # Talking with the test --------------------------------------------------------------

        def setxattr(
            self, path: str, name: str, value: bytes, options: int, position: int = 0
        ) -> int:
            if name != _LIE:
                raise FuseOSError(errno.ENOTSUP)
            wanted = json.loads(value)
            self.kind = wanted["kind"]
            self.places = {int(task): place for task, place in wanted["places"].items()}
            self.done = {}
            self.named, self.named_unflushed, self.named_unclosed = [], [], []
            return 0

        def getxattr(self, path: str, name: str, position: int = 0) -> bytes:
            if name != _TOLD:
                raise FuseOSError(errno.ENODATA)
            return json.dumps(
                {
                    "done": self.done,
                    "named": len(self.named),
                    "unflushed": self.named_unflushed[:100],
                    "unclosed": self.named_unclosed[:100],
                }
            ).encode()

    FUSE(
        Lying(),
        mounted,
        foreground=True,
        nothreads=True,
        big_writes=True,
        hard_remove=True,
        use_ino=False,
        fsname=device,
        **({"direct_io": True} if direct else {}),
    )


if __name__ == "__main__":
    _serve(sys.argv[1], sys.argv[2], sys.argv[3], direct=sys.argv[4] == "direct")
