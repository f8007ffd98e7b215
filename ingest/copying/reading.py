"""Reading past the operating system's cache, and saying honestly whether that worked.

A direct read is believed only on file systems where a bit flipped on the medium, under a file
whose clean pages were still in memory, was seen by it. Elsewhere a direct open may succeed and
still answer from memory, so the route is only `cache possible`.
"""

from __future__ import annotations

import errno
import os
import queue
import stat
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial

from ingest import checksums, platforms
from ingest.copying.buffers import ALIGNMENT, CHUNK, Buffer, stamp
from ingest.copying.samples import Sampler, pieces
from ingest.copying.tree import Tree
from ingest.drives import Volume
from ingest.evidence import Route
from ingest.platforms import posix_files

__all__ = [
    "PROVEN",
    "ColdFile",
    "ColdRead",
    "EndedEarlyError",
    "open_root",
    "read_cold",
    "sample",
    "sample_in",
]

PROVEN = frozenset({"ext4", "xfs"})
"""File systems on which the bit-flip test showed that direct reads come from the medium."""

_WITNESSED = 1024 * 1024
"""Bytes from which a file is worth asking the disks about."""

_thread = threading.local()


class EndedEarlyError(OSError):
    """A file gave fewer bytes than its length says."""

    def __init__(self, got: int, size: int) -> None:
        super().__init__(errno.EIO, f"ended after {got} of {size} bytes")
        self.got = got


@dataclass(frozen=True, slots=True)
class ColdRead:
    """What one full read of a file gave."""

    size: int
    """Bytes read; equals the length the file system states, or the read failed."""
    mtime_ns: int
    digests: Mapping[str, str]
    route: Route


def open_root(root: str) -> int:
    """A handle of a folder; everything below is reached through it. The caller closes it."""
    return os.open(root, posix_files.ROOT)


class ColdFile:
    """A regular file open for reading past the cache. Close it."""

    __slots__ = ("_before", "_disks", "_proven", "direct", "fd", "mtime_ns", "size")

    def __init__(self, tree: Tree, path: str, fs_type: str, disks: Sequence[str] = ()) -> None:
        """With `disks` (whole disks below the volume), their own count of bytes read is taken
        as a witness of where a large file came from."""
        self.fd, self.direct = tree.open_cold(path)
        try:
            info = os.fstat(self.fd)
            if not stat.S_ISREG(info.st_mode):
                raise OSError(errno.EINVAL, "not a regular file", path)
            self.size = info.st_size
            self.mtime_ns = info.st_mtime_ns
            self._proven = self.direct and fs_type in PROVEN
            self._disks = disks if self._proven and self.size >= _WITNESSED else ()
            self._before = platforms.read_counter(self._disks)
            if not self._proven:
                platforms.drop_cache(self.fd)
        except BaseException:
            os.close(self.fd)
            raise

    def close(self) -> None:
        os.close(self.fd)

    def route(self) -> Route:
        """Where the bytes came from, asked when all of them have been read: from the medium only
        on a proven file system, and not against the word of the disks themselves."""
        if not self._proven:
            return Route.CACHE_POSSIBLE
        now = platforms.read_counter(self._disks)
        if now is not None and self._before is not None and now - self._before < self.size:
            return Route.CACHE_POSSIBLE
        return Route.MEDIUM

    def fill(self, view: memoryview, offset: int, length: int) -> None:
        """Read exactly `length` bytes at `offset` (aligned) into the start of `view` (aligned).

        `view` must have room for `length` rounded up to the alignment. Loops on every count. Where
        a direct read is refused after all, it goes through the cache, and the route says so.
        Raises EndedEarlyError when the file ends before, OSError when it can't be read.
        """
        got = 0
        while got < length:
            direct = self.direct
            start = got // ALIGNMENT * ALIGNMENT if direct else got
            want = length - start
            if direct:
                want = -(-want // ALIGNMENT) * ALIGNMENT
            try:
                count = posix_files.preadv(self.fd, [view[start : start + want]], offset + start)
            except OSError as error:
                if not direct or error.errno != errno.EINVAL:
                    raise
                self._go_through_cache()
                continue
            if start + count <= got:
                raise EndedEarlyError(offset + got, self.size)
            got = start + count

    def _go_through_cache(self) -> None:
        platforms.through_cache(self.fd)
        self.direct = self._proven = False
        platforms.drop_cache(self.fd)


def read_cold(
    root: int,
    path: str,
    kinds: Sequence[str],
    volume: Volume,
    progress: Callable[[int], None] | None = None,
) -> ColdRead:
    """Read every byte of `path` (relative to the handle `root`; links are never followed).

    `progress` is called with the count of bytes of each piece. Raises FileNotFoundError when it
    is gone, OSError when it can't be read (also when it ends before its stated length).
    """
    sums = {kind: checksums.new(kind) for kind in kinds}
    with Tree(root) as tree:
        file = ColdFile(tree, path, volume.fs_type, volume.disks)
        offset = 0
        try:
            for view in _chunks(file):
                for one in sums.values():
                    one.update(view)
                offset += len(view)
                if progress is not None:
                    progress(len(view))
            if not file.direct:
                platforms.drop_cache(file.fd)
            if os.fstat(file.fd).st_size != file.size:
                raise OSError(errno.EIO, "its length changed while it was read", path)
            route = file.route()
        finally:
            file.close()
    digests = {kind: one.hexdigest() for kind, one in sums.items()}
    return ColdRead(offset, file.mtime_ns, digests, route)


def sample(root: int, path: str, volume: Volume) -> str:
    """Digest of fixed samples of the file (see `samples`), read past the cache. Raises OSError."""
    with Tree(root) as tree:
        return sample_in(tree, path, volume.fs_type)


def sample_in(tree: Tree, path: str, fs_type: str) -> str:
    """The same for many files of one tree."""
    buffer = _own_buffer()
    file = ColdFile(tree, path, fs_type)
    try:
        sampler = Sampler(file.size)
        for place, length in pieces(file.size):
            sampler.skip_to(place)
            stamp(buffer.view[:length])
            file.fill(buffer.view, place, length)
            sampler.update(buffer.view[:length])
        if not file.direct:
            platforms.drop_cache(file.fd)
        return sampler.hexdigest()
    finally:
        file.close()


def _chunks(file: ColdFile) -> Iterator[memoryview]:
    """A file's bytes in order. Of a large one the next chunk is read while the caller looks at
    this one, so that the device is never idle; a view is valid until the next."""
    if file.size <= CHUNK:
        if file.size:
            yield _filled(file, _own_buffer(), 0)
        return
    buffers = (_own_buffer(), _own_buffer(1))
    ahead = _own_ahead()
    ahead.order(partial(_filled, file, buffers[0], 0))
    try:
        for number, offset in enumerate(range(0, file.size, CHUNK), start=1):
            view = ahead.take()
            if offset + CHUNK < file.size:
                ahead.order(partial(_filled, file, buffers[number % 2], offset + CHUNK))
            yield view
    finally:
        ahead.settle()  # the file must not be closed under a read


def _filled(file: ColdFile, buffer: Buffer, offset: int) -> memoryview:
    length = min(CHUNK, file.size - offset)
    stamp(buffer.view[:length])
    file.fill(buffer.view, offset, length)
    return buffer.view[:length]


class _Ahead:
    """A thread that does one read ahead of its owner's thread."""

    def __init__(self) -> None:
        self._orders: queue.SimpleQueue[Callable[[], memoryview]] = queue.SimpleQueue()
        self._answers: queue.SimpleQueue[memoryview | BaseException] = queue.SimpleQueue()
        self._owed = 0
        threading.Thread(target=self._work, name="read ahead", daemon=True).start()

    def order(self, read: Callable[[], memoryview]) -> None:
        self._owed += 1
        self._orders.put(read)

    def take(self) -> memoryview:
        """What was ordered first. Raises what reading it raised."""
        answer = self._answers.get()
        self._owed -= 1
        if isinstance(answer, BaseException):
            raise answer
        return answer

    def settle(self) -> None:
        """Wait for what is still owed, and forget it."""
        while self._owed:
            self._answers.get()
            self._owed -= 1

    def _work(self) -> None:
        while True:
            read = self._orders.get()
            try:
                self._answers.put(read())
            except BaseException as error:
                self._answers.put(error)


def _own_ahead() -> _Ahead:
    ahead: _Ahead | None = getattr(_thread, "ahead", None)
    if ahead is None:
        ahead = _thread.ahead = _Ahead()
    return ahead


def _own_buffer(number: int = 0) -> Buffer:
    buffers: dict[int, Buffer] = _thread.__dict__.setdefault("buffers", {})
    if number not in buffers:
        buffers[number] = Buffer()
    return buffers[number]
