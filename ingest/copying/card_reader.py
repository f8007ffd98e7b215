"""The card's reader: one pass over the tasks in order, always a read ahead of itself.

The layout of the chunks is known before a byte is read, so two fetchers read the next two while
the one before is handed out: the card is never idle because this program is. They are handed out
in order, and what could not be read is told in order too.
"""

from __future__ import annotations

import contextlib
import errno
import os
import queue
import threading
from collections import deque
from collections.abc import Callable, Sequence
from typing import Protocol

from ingest import platforms
from ingest.copying.buffers import Buffer, Pool, stamp
from ingest.copying.card_read import Reads
from ingest.copying.chunks import SMALL, Chunk, Piece, layout
from ingest.copying.head_start import HeadStart, identity
from ingest.copying.reading import ColdFile
from ingest.copying.tree import Tree
from ingest.copying.values import CardState, CopyOutcomeOf, FileTask
from ingest.drives import Volume

__all__ = ["CardReader"]

_WAIT = 0.5
_AHEAD = 2


class _Drive(Protocol):
    chunks: queue.SimpleQueue[Chunk | None]

    @property
    def takes_chunks(self) -> bool: ...


class _Failed(Exception):
    """The card could not give this file whole."""

    def __init__(self, state: CardState, detail: str) -> None:
        super().__init__(detail)
        self.state = state
        self.detail = detail


class _Large:
    """A large file of the card, open while pieces of it are being fetched."""

    __slots__ = ("file", "flying")

    def __init__(self, file: ColdFile) -> None:
        self.file = file
        self.flying = 0


class _Fetch:
    """A chunk's worth of reading."""

    __slots__ = ("buffer", "done", "failures", "large", "pieces")

    def __init__(self, buffer: Buffer, pieces: tuple[Piece, ...], large: _Large | None) -> None:
        self.buffer = buffer
        self.pieces = pieces
        self.large = large
        self.failures: dict[int, _Failed] = {}
        self.done = threading.Event()


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
        head_start: HeadStart | None,
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
        self._head_start = head_start
        self.bytes_read = 0
        self.all_read = False
        """All that could be read was read and handed out."""
        self._to_fetch: queue.SimpleQueue[_Fetch | None] = queue.SimpleQueue()
        self._flying: deque[_Fetch] = deque()
        self._large: dict[int, _Large] = {}
        self._failed: set[int] = set()

    def works(self) -> tuple[tuple[str, Callable[[], None]], ...]:
        """The loops, each for a thread of its own."""
        return (
            ("card", self._run),
            *(("card", self._fetch_loop) for _ in range(_AHEAD)),
        )

    def _run(self) -> None:
        try:
            with Tree(self._card) as tree:
                self.all_read = self._read(tree)
        finally:
            self._reads.end()
            for _ in range(_AHEAD):
                self._to_fetch.put(None)
            for hashes in self._hash_queues:
                hashes.put(None)
            for drive in self._drives:
                drive.chunks.put(None)
            self._let_go()

    def _read(self, tree: Tree) -> bool:
        """Read everything, or until stopped; no further when no drive takes anything any more."""
        for pieces in layout(self._tasks):
            if self._stop.is_set() or not self._wanted() or not self._order(tree, pieces):
                return False
            if len(self._flying) >= _AHEAD:
                self._deliver()
        while self._flying and not self._stop.is_set():
            self._deliver()
        return not self._stop.is_set()

    def _wanted(self) -> bool:
        return not self._drives or any(drive.takes_chunks for drive in self._drives)

    def _let_go(self) -> None:
        """Close what is still open; a file that a fetcher is stuck in stays, and so does he."""
        for fetch in self._flying:
            if fetch.large is not None and fetch.done.wait(_WAIT):
                fetch.large.flying -= 1
        for large in self._large.values():
            if not large.flying:
                large.file.close()
        self._large.clear()

    # Ordering ---------------------------------------------------------------------------------

    def _order(self, tree: Tree, pieces: tuple[Piece, ...]) -> bool:
        """Have the pieces fetched; False when stopped while waiting for a buffer."""
        large = None
        first = pieces[0]
        if self._tasks[first.task].size > SMALL:
            if first.task not in self._failed:
                large = self._opened(tree, first)
            early = self._read_early(large, first)
            if large is None:
                return True
            if early is not None:
                self._fly(_Fetch(early, pieces, large)).done.set()
                return True
        buffer = self._buffer()
        if buffer is None:
            return False
        if large is not None and first.task in self._failed:  # and closed, while it was waited
            self._pool.adopt(buffer)
            return True
        self._to_fetch.put(self._fly(_Fetch(buffer, pieces, large)))
        return True

    def _buffer(self) -> Buffer | None:
        """A free buffer, waited for; None when stopped meanwhile."""
        while (buffer := self._pool.take(_WAIT)) is None:
            if self._stop.is_set():
                return None
            if self._flying:
                self._deliver()  # it may hold the only buffer that can come free
        return buffer

    def _fly(self, fetch: _Fetch) -> _Fetch:
        if fetch.large is not None:
            fetch.large.flying += 1
        self._flying.append(fetch)
        return fetch

    def _read_early(self, large: _Large | None, piece: Piece) -> Buffer | None:
        """What the head start read of this very piece; a buffer of it that is of no use, such as
        one of a file that has failed, is the pool's from now on."""
        if self._head_start is None:
            return None
        task = self._tasks[piece.task]
        file = None
        if large is not None:
            with contextlib.suppress(OSError):  # the fetcher will tell
                file = identity(large.file.fd)
        found = self._head_start.take(task.source_path or task.path, piece, file)
        if found is None:
            return None
        buffer, good = found
        if good:
            return buffer
        self._pool.adopt(buffer)
        return None

    def _opened(self, tree: Tree, piece: Piece) -> _Large | None:
        if piece.task in self._large:
            return self._large[piece.task]
        task = self._tasks[piece.task]
        try:
            file = _open(tree, task, self._volume)
        except _Failed as failed:
            self._fail(piece.task, failed)
            return None
        large = self._large[piece.task] = _Large(file)
        return large

    # Fetching ---------------------------------------------------------------------------------

    def _fetch_loop(self) -> None:
        with Tree(self._card) as tree:
            while (fetch := self._to_fetch.get()) is not None:
                try:
                    for piece in fetch.pieces:
                        if self._stop.is_set():
                            break
                        self._fetch(tree, fetch, piece)
                except BaseException:
                    self._stop.set()  # before it is done: what wasn't read must not be handed out
                    raise
                finally:
                    fetch.done.set()

    def _fetch(self, tree: Tree, fetch: _Fetch, piece: Piece) -> None:
        task = self._tasks[piece.task]
        view = fetch.buffer.view[piece.place :]
        stamp(view[: piece.length])
        try:
            if fetch.large is not None:
                fetch.large.file.fill(view, piece.offset, piece.length)
                return
            file = _open(tree, task, self._volume)
            try:
                file.fill(view, 0, piece.length)
                _check_unchanged(file, task)
            finally:
                file.close()
        except _Failed as failed:
            fetch.failures[piece.task] = failed
        except OSError as error:
            fetch.failures[piece.task] = _unreadable(error)

    # Handing out ------------------------------------------------------------------------------

    def _deliver(self) -> None:
        """Hand out the oldest chunk that was ordered, once it is fetched."""
        fetch = self._flying[0]
        while not fetch.done.wait(_WAIT):
            if self._stop.is_set():
                return
        if self._stop.is_set():
            return
        self._flying.popleft()
        pieces: list[Piece] = []
        for piece in fetch.pieces:
            self._take(fetch, piece, pieces)
        users: list[queue.SimpleQueue[Chunk | None]] = []
        if pieces:
            users = list(self._hash_queues)
            users += [drive.chunks for drive in self._drives if drive.takes_chunks]
        generation = self._pool.hand_out(fetch.buffer, len(users))
        for user in users:
            user.put(Chunk(fetch.buffer, generation, tuple(pieces)))

    def _take(self, fetch: _Fetch, piece: Piece, pieces: list[Piece]) -> None:
        """Add a fetched piece to what is handed out, or the word that its file is broken off."""
        if piece.task not in self._failed:
            failed = fetch.failures.get(piece.task)
            if failed is None and fetch.large is not None and piece.last:
                try:
                    _check_unchanged(fetch.large.file, self._tasks[piece.task])
                except _Failed as changed:
                    failed = changed
            if failed is None:
                pieces.append(piece)
                self.bytes_read += piece.length
                if piece.last:
                    self._reads.settle(piece.task, CardState.READ)
            else:
                self._fail(piece.task, failed)
                if piece.offset:
                    pieces.append(Piece(piece.task, 0, 0, 0, last=False, broken=True))
        if fetch.large is not None:
            fetch.large.flying -= 1
            ended = piece.last or piece.task in self._failed
            if ended and not fetch.large.flying:
                fetch.large.file.close()
                self._large.pop(piece.task, None)

    def _fail(self, task: int, failed: _Failed) -> None:
        self._failed.add(task)
        self._reads.settle(task, failed.state, failed.detail)
        self._outcomes.put((task, None))


def _open(tree: Tree, task: FileTask, volume: Volume) -> ColdFile:
    try:
        file = ColdFile(tree, task.source_path or task.path, volume.fs_type)
    except OSError as error:
        raise _unreadable(error) from error
    if (file.size, file.mtime_ns) != (task.size, _time(task)):
        file.close()
        raise _Failed(CardState.CHANGED, _another(task, file.size))
    return file


def _check_unchanged(file: ColdFile, task: FileTask) -> None:
    try:
        info = os.fstat(file.fd)
        if not file.direct:
            platforms.drop_cache(file.fd)
    except OSError as error:
        raise _unreadable(error) from error
    if (info.st_size, info.st_mtime_ns) != (task.size, _time(task)):
        raise _Failed(CardState.CHANGED, _another(task, info.st_size))


def _unreadable(error: OSError) -> _Failed:
    if isinstance(error, FileNotFoundError):
        return _Failed(CardState.CHANGED, "it vanished while the card was copied")
    if error.errno == errno.ELOOP:
        return _Failed(CardState.UNREADABLE, "it has become a link, which is never followed")
    return _Failed(CardState.UNREADABLE, error.strerror or str(error))


def _time(task: FileTask) -> int:
    return task.mtime_ns if task.source_mtime_ns is None else task.source_mtime_ns


def _another(task: FileTask, size: int) -> str:
    if size == task.size:
        return "it was written to while the card was copied"
    return f"it was {task.size} bytes, now {size}: written to while the card was copied"
