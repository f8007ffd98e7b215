"""The one reader of a card."""

from __future__ import annotations

import errno
import os
import queue
import threading
from collections.abc import Sequence
from typing import Protocol

from ingest import platforms
from ingest.copying.buffers import ALIGNMENT, CHUNK, Buffer, Pool, poison
from ingest.copying.card_read import Reads
from ingest.copying.chunks import Chunk, Piece
from ingest.copying.reading import ColdFile
from ingest.copying.tree import Tree
from ingest.copying.values import CardState, CopyOutcomeOf, FileTask
from ingest.drives import Volume

__all__ = ["CardReader"]

_WAIT = 0.5


class _Drive(Protocol):
    chunks: queue.SimpleQueue[Chunk | None]

    @property
    def takes_chunks(self) -> bool: ...


class CardReader:
    """Reads the tasks in order, past the cache, and hands the chunks to all who want them."""

    def __init__(
        self,
        card: int,
        volume: Volume,
        tasks: Sequence[FileTask],
        pool: Pool,
        reads: Reads,
        hash_queues: Sequence[queue.SimpleQueue[Chunk | None]],
        drives: Sequence[_Drive],
        outcomes: queue.SimpleQueue[CopyOutcomeOf],
        stop: threading.Event,
    ) -> None:
        self._card = card
        self._volume = volume
        self._tasks = tasks
        self._pool = pool
        self._reads = reads
        self._hash_queues = hash_queues
        self._drives = drives
        self._outcomes = outcomes
        self._stop = stop
        self.bytes_read = 0
        self.ended = False
        self._buffer: Buffer | None = None
        self._pieces: list[Piece] = []
        self._filled = 0

    def run(self) -> None:
        try:
            with Tree(self._card) as tree:
                for number, task in enumerate(self._tasks):
                    if self._stop.is_set():
                        break
                    self._read(tree, number, task)
                self._hand_out()
        finally:
            self.ended = True
            for hashes in self._hash_queues:
                hashes.put(None)
            for drive in self._drives:
                drive.chunks.put(None)

    def _read(self, tree: Tree, number: int, task: FileTask) -> None:
        begun = False
        try:
            file = ColdFile(tree, task.path, self._volume.fs_type)
            try:
                if (file.size, file.mtime_ns) != (task.size, task.mtime_ns):
                    raise _ChangedError(_another(task, file.size))
                offset = 0
                while True:
                    length = min(CHUNK, task.size - offset)
                    buffer = self._room(length)
                    if buffer is None or self._stop.is_set():
                        self._break_off(number, begun)
                        return
                    place = self._filled
                    poison(buffer.view[place : place + length])
                    file.fill(buffer.view[place:], offset, length)
                    self.bytes_read += length
                    last = offset + length == task.size
                    self._pieces.append(Piece(number, offset, place, length, last))
                    self._filled = place + -(-length // ALIGNMENT) * ALIGNMENT
                    begun = True
                    offset += length
                    if last:
                        break
                    self._hand_out()
                info = os.fstat(file.fd)
                if (info.st_size, info.st_mtime_ns) != (task.size, task.mtime_ns):
                    raise _ChangedError(_another(task, info.st_size))
                if not file.direct:
                    platforms.drop_cache(file.fd)
            finally:
                file.close()
        except _ChangedError as error:
            self._fail(number, begun, CardState.CHANGED, str(error))
        except FileNotFoundError:
            self._fail(number, begun, CardState.CHANGED, "it vanished while the card was copied")
        except OSError as error:
            why = error.strerror or str(error)
            if error.errno == errno.ELOOP:
                why = "it has become a link, which is never followed"
            self._fail(number, begun, CardState.UNREADABLE, why)
        else:
            self._reads.settle(number, CardState.READ)

    def _room(self, length: int) -> Buffer | None:
        """A buffer with aligned room for `length` bytes; None when stopped while waiting."""
        needed = -(-length // ALIGNMENT) * ALIGNMENT
        if self._buffer is not None and self._filled + needed > CHUNK:
            self._hand_out()
        while self._buffer is None:
            self._buffer = self._pool.take(_WAIT)
            if self._buffer is None and self._stop.is_set():
                return None
        return self._buffer

    def _fail(self, number: int, begun: bool, state: CardState, detail: str) -> None:
        self._reads.settle(number, state, detail)
        self._break_off(number, begun)
        self._outcomes.put((number, None))

    def _break_off(self, number: int, begun: bool) -> None:
        if not begun:
            return
        # The pieces of this file that are still here are of no use to anybody.
        self._pieces = [piece for piece in self._pieces if piece.task != number]
        self._pieces.append(Piece(number, 0, 0, 0, last=False, broken=True))
        if self._buffer is None and self._room(0) is None:
            self._pieces.clear()

    def _hand_out(self) -> None:
        if self._buffer is None:
            return
        buffer, pieces = self._buffer, tuple(self._pieces)
        self._buffer, self._pieces, self._filled = None, [], 0
        users: list[queue.SimpleQueue[Chunk | None]] = list(self._hash_queues)
        users += [drive.chunks for drive in self._drives if drive.takes_chunks]
        chunk = Chunk(buffer, self._pool.hand_out(buffer, len(users)), pieces)
        for user in users:
            user.put(chunk)


def _another(task: FileTask, size: int) -> str:
    if size == task.size:
        return "it was written to while the card was copied"
    return f"it was {task.size} bytes, now {size}: written to while the card was copied"


class _ChangedError(Exception):
    """The file is another one than the inventory saw."""
