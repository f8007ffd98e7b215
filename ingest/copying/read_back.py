"""Reading back what was written on one drive, past the cache, behind the writer."""

from __future__ import annotations

import contextlib
import os
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from ingest import checksums, platforms
from ingest.copying.buffers import Buffer, stamp
from ingest.copying.finishing import Checked
from ingest.copying.reading import ColdFile, EndedEarlyError
from ingest.copying.tree import Tree, split
from ingest.copying.values import COMPARED, FileTask
from ingest.drives import Volume

__all__ = ["Check", "Drop", "Group", "Range", "ReadBack", "Small", "Work"]

_BUFFER = 1024 * 1024
"""Bytes read at a time: enough for a device, and there is one such buffer for each drive of each
card."""


@dataclass(frozen=True, slots=True)
class Range:
    """A large file has been written up to here. `fd` is the writer's; it is closed at the last."""

    task: int
    name: str
    fd: int
    tail: int | None
    up_to: int
    last: bool


@dataclass(frozen=True, slots=True)
class Small:
    task: int
    name: str


@dataclass(frozen=True, slots=True)
class Group:
    """Small files, written and flushed."""

    files: tuple[Small, ...]


@dataclass(frozen=True, slots=True)
class Check:
    """A file that lies there under its final name already."""

    task: int


@dataclass(frozen=True, slots=True)
class Drop:
    """A large file that will not be finished: close the writer's descriptor, remove the file.

    In its turn, since ranges of it may still wait to be read back under its name.
    """

    task: int
    name: str
    fd: int
    tail: int | None


Work = Range | Group | Check | Drop


class _Reading:
    """A large file that is being read back while it grows."""

    def __init__(self, file: ColdFile) -> None:
        self.file = file
        self.checksum = checksums.new(COMPARED)
        self.offset = 0


class ReadBack:
    """One drive's reader-back, with a buffer of its own."""

    def __init__(
        self,
        folder: int,
        volume: Volume,
        tasks: Sequence[FileTask],
        hand_on: Callable[[Sequence[Checked]], None],
        moved: Callable[[], None],
        open_files: threading.Semaphore,
    ) -> None:
        """`open_files`: large files that the writer may still begin."""
        self._tree = Tree(folder)
        self._volume = volume
        self._open_files = open_files
        self._tasks = tasks
        self._hand_on = hand_on
        self._moved = moved
        self._buffer = Buffer(_BUFFER)
        self._large: dict[int, _Reading] = {}
        self._failed: set[int] = set()
        self.bytes_read = 0

    def take(self, work: Work) -> None:
        """Read back what is named. Raises OSError when a flush failed or the drive can't be read;
        the file concerned is then handed on as unreadable first."""
        match work:
            case Range():
                self._range(work)
            case Group():
                self._group(work)
            case Check():
                _, name = split(self._tasks[work.task].path)
                self._whole(work.task, name, self._hand_on_one, existing=True)
            case Drop():
                self.drop(work)

    def put_off(self, work: Work) -> Work | None:
        """Flush and close what is to be read when all is written, since there may be more files
        than a process may hold open; what is left to do then. Raises OSError as `take` does."""
        match work:
            case Range(last=True):
                if work.task in self._failed:
                    self.drop(work)
                    return None
                with self._failure_told(work):
                    self._flush(work)
                self._close(work)
                return Group((Small(work.task, work.name),))
            case Range():
                return None
            case Drop():
                self.drop(work)
                return None
        return work

    def drop(self, work: Work) -> None:
        """Let go of a piece of work without reading."""
        if isinstance(work, Drop) or (isinstance(work, Range) and work.last):
            reading = self._large.pop(work.task, None)
            with contextlib.ExitStack() as closing:
                if reading is not None:
                    closing.callback(reading.file.close)
                closing.callback(self._open_files.release)
                closing.callback(os.close, work.fd)
                if work.tail is not None:
                    closing.callback(os.close, work.tail)
        if isinstance(work, Drop):
            above, _ = split(self._tasks[work.task].path)
            # A drive that has gone keeps it; the next run removes it under the lock.
            with contextlib.suppress(OSError):
                os.unlink(work.name, dir_fd=self._tree.folder(above))

    def close(self) -> None:
        for reading in self._large.values():
            with contextlib.suppress(OSError):
                reading.file.close()
        self._large.clear()
        self._tree.close()

    def _group(self, work: Group) -> None:
        """Handed on together, so that the finisher flushes a folder once for all of them."""
        gathered: list[Checked] = []
        try:
            for small in work.files:
                self._whole(small.task, small.name, gathered.append)
        finally:
            self._hand_on(gathered)

    def _hand_on_one(self, checked: Checked) -> None:
        self._hand_on((checked,))

    def _range(self, work: Range) -> None:
        if work.task in self._failed:
            self.drop(work)
            return
        with self._failure_told(work):
            checked = self._read_range(work)
        if checked is not None:
            self._close(work)
            self._hand_on_one(checked)

    @contextlib.contextmanager
    def _failure_told(self, work: Range) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            self._large_failed(work, error)
            if work.last:
                with contextlib.suppress(OSError):
                    self.drop(work)
            raise

    def _close(self, work: Range) -> None:
        """Before it is handed on to be named: some file systems tell only now that they are
        full."""
        try:
            self.drop(work)
        except OSError as error:
            self._large_failed(work, error)
            raise

    def _flush(self, work: Range) -> None:
        if work.last:
            if work.tail is not None:
                platforms.flush(work.tail)
                platforms.drop_cache(work.tail)
            platforms.flush(work.fd)
        else:
            platforms.flush_range(work.fd)

    def _read_range(self, work: Range) -> Checked | None:
        """Flush the range and read it; at the last one, what was read of the whole file."""
        self._flush(work)
        reading = self._large.get(work.task)
        if reading is None:
            file = self._open(self._beside(work))
            reading = self._large[work.task] = _Reading(file)
        if not reading.file.direct:
            platforms.drop_cache(work.fd)
        self._read_up_to(reading, work.up_to)
        return self._checked(work.task, work.name, reading.file, reading) if work.last else None

    def _open(self, path: str) -> ColdFile:
        return ColdFile(self._tree, path, self._volume.fs_type, self._volume.disks)

    def _beside(self, work: Range) -> str:
        above, _ = split(self._tasks[work.task].path)
        return f"{above}/{work.name}" if above else work.name

    def _large_failed(self, work: Range, error: OSError) -> None:
        self._failed.add(work.task)
        reading = self._large.pop(work.task, None)
        if reading is not None:
            reading.file.close()
        self._hand_on_one(Checked(work.task, work.name, failed=error.strerror or str(error)))

    def _whole(
        self, task: int, name: str, tell: Callable[[Checked], None], *, existing: bool = False
    ) -> None:
        above, _ = split(self._tasks[task].path)
        unfinished = None if existing else name
        try:
            file = self._open(f"{above}/{name}" if above else name)
            try:
                reading = _Reading(file)
                self._read_up_to(reading, file.size)
                checked = self._checked(task, unfinished, file, reading)
            finally:
                file.close()
        except OSError as error:
            tell(Checked(task, unfinished, failed=error.strerror or str(error)))
            if not existing:
                raise
        else:
            tell(checked)

    def _read_up_to(self, reading: _Reading, end: int) -> None:
        view = self._buffer.view
        while reading.offset < end:
            length = min(_BUFFER, end - reading.offset)
            stamp(view[:length])
            try:
                reading.file.fill(view, reading.offset, length)
            except EndedEarlyError as error:
                reading.offset = error.got
                return
            reading.checksum.update(view[:length])
            reading.offset += length
            self.bytes_read += length
            self._moved()

    def _checked(self, task: int, name: str | None, file: ColdFile, reading: _Reading) -> Checked:
        if not file.direct:
            platforms.drop_cache(file.fd)
        return Checked(
            task,
            name,
            read=reading.offset,
            size=os.fstat(file.fd).st_size,
            digest=reading.checksum.hexdigest(),
            route=file.route(),
        )
