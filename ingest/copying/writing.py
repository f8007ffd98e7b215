"""Writing the card's bytes on one drive, under unfinished names."""

from __future__ import annotations

import errno
import os
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from ingest import platforms
from ingest.copying.buffers import ALIGNMENT
from ingest.copying.chunks import SMALL, Chunk, Piece
from ingest.copying.read_back import Check, Drop, Group, Range, Small, Work
from ingest.copying.tree import Tree, split
from ingest.copying.values import Action, FileTask
from ingest.platforms import posix_files

__all__ = ["Writer"]

_WAIT = 0.5
_GROUP_FILES = 2000
_GROUP_BYTES = 32 * 1024 * 1024
_GROUP_SECONDS = 3.0
_RANGE = 16 * 1024 * 1024
"""Bytes written before they are handed on to be flushed and read back."""

_NO_SYNCFS = frozenset({"cifs", "smb3", "9p"})
"""File systems that, like those in user space (names beginning with fuse), are not told of a
syncfs(2): it only hands them what was written. Each file needs a flush of its own there.
For FUSE by test and fs/fuse/inode.c of Linux 6.18 (only virtiofs is told); these from memory of
their super_operations, which have no sync_fs."""


@dataclass(slots=True)
class _Large:
    task: int
    name: str
    fd: int
    direct: bool
    tail: int | None = None
    written: int = 0
    handed_on: int = 0


class Writer:
    """Writes one drive's pieces and hands on what is to be read back."""

    def __init__(
        self,
        folder: int,
        number: int,
        tasks: Sequence[FileTask],
        run: str,
        hand_on: Callable[[Work], None],
        moved: Callable[[], None],
        stop: threading.Event,
        open_files: threading.Semaphore,
        *,
        fs_type: str = "",
    ) -> None:
        """`open_files`: large files that may still be begun; the reader-back closes them."""
        self._folder = folder
        self._flush_each = fs_type.startswith("fuse") or fs_type in _NO_SYNCFS
        self._tree = Tree(folder)
        self._number = number
        self._tasks = tasks
        self._run = run
        self._hand_on = hand_on
        self._moved = moved
        self._stop = stop
        self._open_files = open_files
        self._large: _Large | None = None
        self._group: list[Small] = []
        self._group_bytes = 0
        self._group_since = 0.0
        self.new_folders: set[str] = set()
        """Folders in which a folder was newly made; the finisher flushes and empties it."""
        self.bytes_written = 0

    def write(self, chunk: Chunk) -> None:
        """Write what this chunk holds for this drive. Raises OSError: the drive stops."""
        for piece in chunk.pieces:
            action = self._tasks[piece.task].actions[self._number]
            if action in (Action.WRITE, Action.REPLACE):
                self._write_piece(chunk, piece)
            elif action is Action.CHECK and piece.last:
                self._hand_on(Check(piece.task))
        if self._group and (
            len(self._group) >= _GROUP_FILES
            or self._group_bytes >= _GROUP_BYTES
            or time.monotonic() - self._group_since > _GROUP_SECONDS
        ):
            self._flush_group()

    def end(self, *, whole: bool) -> None:
        """Nothing more comes. Flush the last group, or let go of what can't be finished."""
        try:
            if self._large is not None:
                self._drop_large()
            if whole:
                self._flush_group()
        finally:
            self._group = []
            self._tree.close()

    def _write_piece(self, chunk: Chunk, piece: Piece) -> None:
        task = self._tasks[piece.task]
        if piece.broken:
            if self._large is not None and self._large.task == piece.task:
                self._drop_large()
            return
        view = chunk.buffer.view[piece.place :]
        if task.size <= SMALL:
            self._write_small(piece, task, view)
        else:
            self._write_large(piece, task, view)
        self.bytes_written += piece.length
        self._moved()

    def _open(self, task: int, *, direct: bool) -> tuple[str, int, bool]:
        above, _ = split(self._tasks[task].path)
        folder, made = self._tree.make_folder(above)
        self.new_folders.update(made)
        name = f".ingest-{self._run}-{task}.unfinished"
        fd, direct = platforms.open_direct(name, folder, direct=direct)
        return name, fd, direct

    def _write_small(self, piece: Piece, task: FileTask, view: memoryview) -> None:
        name, fd, _ = self._open(piece.task, direct=False)
        try:
            _write_at(fd, view[: piece.length], 0)
            os.utime(fd, ns=(task.mtime_ns, task.mtime_ns))
        finally:
            os.close(fd)
        if not self._group:
            self._group_since = time.monotonic()
        self._group.append(Small(piece.task, name))
        self._group_bytes += piece.length

    def _flush_group(self) -> None:
        if not self._group:
            return
        group, self._group, self._group_bytes = self._group, [], 0
        platforms.flush_volume(self._folder)
        self._moved()
        if self._flush_each:
            for small in group:
                self._flush_small(small)
        self._hand_on(Group(tuple(group)))

    def _flush_small(self, small: Small) -> None:
        above, _ = split(self._tasks[small.task].path)
        flags = os.O_RDONLY | posix_files.O_NOFOLLOW | posix_files.O_CLOEXEC
        fd = os.open(small.name, flags, dir_fd=self._tree.folder(above))
        try:
            platforms.flush(fd)
        finally:
            os.close(fd)
        self._moved()

    def _write_large(self, piece: Piece, task: FileTask, view: memoryview) -> None:
        large = self._large
        if large is None:
            large = self._large = self._begin_large(piece.task)
            platforms.preallocate(large.fd, task.size)
        whole = piece.length // ALIGNMENT * ALIGNMENT if large.direct else piece.length
        self._write_whole(large, view[:whole], piece.offset)
        if whole < piece.length:
            # A direct write takes whole blocks only; the rest goes by a second descriptor.
            above, _ = split(task.path)
            flags = os.O_WRONLY | posix_files.O_NOFOLLOW | posix_files.O_CLOEXEC
            large.tail = os.open(large.name, flags, dir_fd=self._tree.folder(above))
            _write_at(large.tail, view[whole : piece.length], piece.offset + whole)
        large.written = piece.offset + piece.length
        if piece.last:
            os.utime(large.fd, ns=(task.mtime_ns, task.mtime_ns))
            self._large = None
            self._hand_on(Range(large.task, large.name, large.fd, large.tail, task.size, True))
        elif large.written - large.handed_on >= _RANGE:
            large.handed_on = large.written
            self._hand_on(Range(large.task, large.name, large.fd, None, large.written, False))

    def _write_whole(self, large: _Large, view: memoryview, offset: int) -> None:
        """Write; where that is refused directly after all, through the cache."""
        try:
            _write_at(large.fd, view, offset, direct=large.direct)
        except OSError as error:
            if not large.direct or error.errno != errno.EINVAL:
                raise
            platforms.through_cache(large.fd)
            large.direct = False
            _write_at(large.fd, view, offset)

    def _begin_large(self, task: int) -> _Large:
        """Open it, once the reader-back has closed enough of those before."""
        while not self._open_files.acquire(timeout=_WAIT):
            if self._stop.is_set():
                break
        try:
            return _Large(task, *self._open(task, direct=True))
        except BaseException:
            self._open_files.release()
            raise

    def _drop_large(self) -> None:
        large = self._large
        assert large is not None
        self._large = None
        # The reader-back may be flushing this very descriptor, or about to open the file by its
        # name: it lets go of both in its own turn.
        self._hand_on(Drop(large.task, large.name, large.fd, large.tail))


def _write_at(fd: int, view: memoryview, offset: int, *, direct: bool = False) -> None:
    """Write all of `view`, looping on the counts; a count of nothing is an error."""
    while view:
        count = posix_files.pwrite(fd, view, offset)
        if count <= 0:
            raise OSError(errno.EIO, "the drive took no bytes and gave no reason")
        if direct and count < len(view):
            # A direct write goes on at a whole block; less than one only happens at the brim.
            count = count // ALIGNMENT * ALIGNMENT
            if count == 0:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        view, offset = view[count:], offset + count
