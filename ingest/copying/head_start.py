"""Reading the beginning of a card while the rest of the program is still being loaded.

A command needs some tenths of a second before it knows what is to be copied; the card need not
be idle meanwhile. What was read early is used only where the engine would read the very same
bytes of the very same file; all else is forgotten.
"""

from __future__ import annotations

import os
import shutil
import threading
from collections.abc import Sequence
from dataclasses import dataclass

from ingest.card.inventory import CardFile, inventory
from ingest.copying.buffers import CHUNK, Buffer, shares, stamp
from ingest.copying.chunks import SMALL, Piece, layout
from ingest.copying.reading import ColdFile, open_root
from ingest.copying.tree import Tree
from ingest.copying.values import FileTask
from ingest.errors import IngestError

__all__ = ["HeadStart", "Identity", "identity", "start_reading"]

_WAIT = 2.0

Identity = tuple[int, int, int, int, int]
"""Device, inode, length, times of the last change to content and to the entry."""


def identity(fd: int) -> Identity:
    """Which file, and in which state. Raises OSError."""
    info = os.fstat(fd)
    return info.st_dev, info.st_ino, info.st_size, info.st_mtime_ns, info.st_ctime_ns


@dataclass(frozen=True, slots=True)
class _Kept:
    file: Identity
    length: int
    buffer: Buffer


class HeadStart:
    """Reads the first chunks of a card's large files, on a thread of its own, past the cache.

    Whatever goes wrong here ends it in silence: the engine reads the same place again and tells
    what it meets. No handle of the card stays open when it has ended.
    """

    def __init__(self, root: str, memory: int) -> None:
        """Start at once. `memory`: bytes of buffers to fill at most."""
        self._root = root
        self._most = memory // CHUNK
        self._stop = threading.Event()
        self._kept: dict[tuple[str, int], _Kept] = {}
        self._lock = threading.Lock()
        self._thread = threading.Thread(target=self._read, name="card", daemon=True)
        self._thread.start()

    def end(self) -> None:
        """Stop after the chunk that is being read; what was read stays to be taken."""
        self._stop.set()
        self._thread.join(_WAIT)

    def wait(self) -> None:
        """Until all is read that may be."""
        self._thread.join()

    def forget_others(self, tasks: Sequence[FileTask], most: int) -> tuple[Buffer, ...]:
        """Keep only what belongs to these tasks, and the first `most` buffers of that; the
        buffers of all else."""
        wanted = {task.source_path or task.path for task in tasks}
        with self._lock:
            places = [place for place in self._kept if place[0] in wanted][:most]
            others = self._kept.keys() - set(places)
            return tuple(self._kept.pop(place).buffer for place in others)

    @property
    def held(self) -> int:
        """Buffers that are still to be taken."""
        return len(self._kept)

    def take(self, path: str, piece: Piece, file: Identity | None) -> tuple[Buffer, bool] | None:
        """The buffer read early at a piece's place, if any, and whether it holds just that piece
        of just that file as it stands now (None: it can't be read now); otherwise its content is
        worth nothing."""
        with self._lock:
            kept = self._kept.pop((path, piece.offset), None)
        if kept is None:
            return None
        return kept.buffer, (kept.file, kept.length) == (file, piece.length)

    def _read(self) -> None:
        try:
            files = inventory(self._root).files
            root = open_root(self._root)
        except (OSError, IngestError):
            return
        try:
            with Tree(root) as tree:
                self._read_files(tree, files)
        except OSError:
            return
        finally:
            os.close(root)

    def _read_files(self, tree: Tree, files: Sequence[CardFile]) -> None:
        for large in (file for file in files if file.size > SMALL):
            file = ColdFile(tree, large.path, "")
            try:
                for (piece,) in layout([FileTask(large.path, large.size, large.mtime_ns, ())]):
                    if self._stop.is_set() or len(self._kept) >= self._most:
                        return
                    self._fill(file, large.path, piece)
            finally:
                file.close()

    def _fill(self, file: ColdFile, path: str, piece: Piece) -> None:
        before = identity(file.fd)
        buffer = Buffer()
        stamp(buffer.view[: piece.length])
        file.fill(buffer.view, piece.offset, piece.length)
        if identity(file.fd) == before:
            with self._lock:
                self._kept[path, piece.offset] = _Kept(before, piece.length, buffer)


def start_reading(cards: Sequence[str]) -> list[HeadStart]:
    """A head start of every card. What is on each isn't known yet: the fuller its volume, the
    more there is to read."""
    return [
        HeadStart(card, memory)
        for card, memory in zip(cards, shares(list(map(_used, cards))), strict=True)
    ]


def _used(card: str) -> int:
    try:
        return shutil.disk_usage(card).used
    except OSError:
        return 0  # the plan will tell
