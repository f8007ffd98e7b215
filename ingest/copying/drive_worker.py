"""What is done on one drive: write, flush, read back past the cache, compare, journal, rename.

The order for every file, which nothing may change:

    write under an unfinished name -> set times -> flush -> read back past the cache -> compare
    -> journal line flushed -> rename without replacing -> flush the folder, and the folders
    above those newly made

What did not match never gets a final name. An error stops the drive for this run: nothing is
written to it any more, what was already written is still read back and finished, and the other
drives go on.
"""

from __future__ import annotations

import contextlib
import errno
import queue
import threading
import time
from collections.abc import Callable, Iterator, Sequence

from ingest.copying.buffers import Pool
from ingest.copying.card_read import Reads
from ingest.copying.chunks import Chunk
from ingest.copying.finishing import Checked, Finisher
from ingest.copying.read_back import ReadBack, Work
from ingest.copying.roll_folder import RollFolder
from ingest.copying.tree import OtherVolumeError
from ingest.copying.values import CopyOutcomeOf, DriveMeter, FileTask
from ingest.copying.writing import Writer

__all__ = ["DriveWorker", "told"]

_OPEN_FILES = 32
"""Large files that one drive of one card has written and not yet read back, each held open with
one or two descriptors: a process may have as few as 1024, on macOS 256."""


class DriveWorker:
    """Three threads for one drive, and what they share. One that stopped says why."""

    def __init__(
        self,
        number: int,
        folder: RollFolder,
        tasks: Sequence[FileTask],
        pool: Pool,
        reads: Reads,
        outcomes: queue.SimpleQueue[CopyOutcomeOf],
        stop: threading.Event,
        run: str,
    ) -> None:
        self.number = number
        self.name = folder.destination.name
        self._folder = folder
        self.chunks: queue.SimpleQueue[Chunk | None] = queue.SimpleQueue()
        self.stopped = ""
        self.ended = False
        self._pool = pool
        self._reads = reads
        self._stop = stop
        self._busy: dict[str, float] = {}
        self._moved = time.monotonic()
        self._to_read: queue.SimpleQueue[Work | None] = queue.SimpleQueue()
        self._to_finish: queue.SimpleQueue[Sequence[Checked] | None] = queue.SimpleQueue()
        volume = folder.destination.volume
        open_files = threading.Semaphore(_OPEN_FILES)
        self._writer = Writer(
            folder.handle,
            number,
            tasks,
            run,
            self._to_read.put,
            self._move,
            stop,
            open_files,
            fs_type=volume.fs_type,
        )
        self._read_back = ReadBack(
            folder.handle, volume, tasks, self._to_finish.put, self._move, open_files
        )
        self._finisher = Finisher(folder, number, tasks, reads, outcomes, self._writer)
        self._late = folder.destination.read_back_after

    @property
    def takes_chunks(self) -> bool:
        return not self.stopped

    def works(self) -> tuple[tuple[str, Callable[[], None]], ...]:
        """The three loops, each for a thread of its own."""
        return (
            ("writer", self._write_loop),
            ("read back", self._read_back_loop),
            ("finisher", self._finish_loop),
        )

    def meter(self) -> DriveMeter:
        return DriveMeter(self._writer.bytes_written, self._read_back.bytes_read, self.stopped)

    def give_up_if_stuck(self, patience_s: float) -> None:
        """Stop counting on a drive that has had work and made no progress for so long.

        The buffer that a stuck thread holds is never used again; those still waiting go back.
        """
        begun = [] if self.ended else list(self._busy.values())
        if begun and time.monotonic() - max(self._moved, *begun) > patience_s:
            self.stopped = self.stopped or f"gave no answer for {patience_s:.0f} seconds"
            self.ended = True
            self.abandon()
        if self.abandoned:
            # Each time, since the reader may just have been about to hand it one more.
            with contextlib.suppress(queue.Empty):
                while (chunk := self.chunks.get_nowait()) is not None:
                    self._pool.give_back(chunk.buffer, chunk.generation)
                self.chunks.put(None)  # on which the thread ends, should it wake up

    @property
    def abandoned(self) -> bool:
        return self._folder.abandoned

    def abandon(self) -> None:
        """Its folder is never touched again: a thread that is still at work there may wake up
        any time, and must find its handles its own."""
        self._folder.abandoned = True

    def _move(self) -> None:
        self._moved = time.monotonic()

    @contextlib.contextmanager
    def _working(self, thread: str) -> Iterator[None]:
        self._busy[thread] = time.monotonic()
        try:
            yield
        except OSError as error:
            self.stopped = self.stopped or told(error)
        finally:
            self._busy.pop(thread, None)

    def _write_loop(self) -> None:
        try:
            while (chunk := self.chunks.get()) is not None:
                try:
                    if not self.stopped and not self._stop.is_set():
                        chunk.buffer.check(chunk.generation)
                        with self._working("writer"):
                            self._writer.write(chunk)
                finally:
                    self._pool.give_back(chunk.buffer, chunk.generation)
            with self._working("writer"):
                self._writer.end(whole=not self.stopped and not self._stop.is_set())
        finally:
            self._to_read.put(None)

    def _read_back_loop(self) -> None:
        waiting: list[Work] = []
        try:
            while (work := self._to_read.get()) is not None:
                if self._late:
                    self._put_off(work, waiting)
                else:
                    self._read_back_one(work)
            for work in waiting:
                self._read_back_one(work)
        finally:
            self._read_back.close()
            self._to_finish.put(None)

    def _put_off(self, work: Work, waiting: list[Work]) -> None:
        with self._working("read back"):
            if self._stop.is_set():
                self._read_back.drop(work)
            elif (left := self._read_back.put_off(work)) is not None:
                waiting.append(left)

    def _read_back_one(self, work: Work) -> None:
        with self._working("read back"):
            if self._stop.is_set():
                self._read_back.drop(work)
            else:
                self._read_back.take(work)

    def _finish_loop(self) -> None:
        open_end = True
        try:
            while open_end:
                batch: list[Checked] = []
                more = self._to_finish.get()
                with contextlib.suppress(queue.Empty):
                    while more is not None:
                        batch += more
                        if len(batch) >= Finisher.BATCH:
                            break
                        more = self._to_finish.get_nowait()
                open_end = more is not None
                for checked in batch:
                    # The card's silence, and not this drive's.
                    self._reads.wait(checked.task, self._stop)
                with self._working("finisher"):
                    self._finisher.finish(batch)
        finally:
            self._finisher.close()
            self.ended = True


def told(error: OSError) -> str:
    """Why a drive stopped, in words a crew knows."""
    if isinstance(error, OtherVolumeError):
        return "another volume is mounted inside the roll's folder"
    words = {
        errno.ENOSPC: "it is full",
        errno.EDQUOT: "the quota on it is used up",
        errno.EROFS: "it has become read-only",
        errno.ENODEV: "it is gone",
        errno.ENXIO: "it is gone",
        errno.EIO: "it gives input/output errors",
        errno.ESTALE: "it is gone",
    }
    return words.get(error.errno or 0, error.strerror or str(error))
