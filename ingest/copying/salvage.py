"""Reading around bad spots: what a dying card still gives of one file.

A read that fails is tried again in halves, down to one block of 4 KiB; what still fails is left
as a hole. The result is kept beside the place of the whole file as NAME.damaged, so that an
editor has something if the card never reads again; it is no copy, and never listed as one.
"""

from __future__ import annotations

import errno
import os
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from ingest import platforms
from ingest.copying.buffers import ALIGNMENT, CHUNK, Buffer, poison
from ingest.copying.reading import ColdFile
from ingest.copying.roll_folder import RollFolder
from ingest.copying.tree import Tree, split
from ingest.drives import Volume
from ingest.errors import Stopped
from ingest.platforms import posix_files

__all__ = ["DAMAGED", "Salvaged", "pieces_of", "salvage"]

DAMAGED = ".damaged"
"""Ending of what was kept of a file that couldn't be read whole."""

_GONE = frozenset({errno.ENODEV, errno.ENXIO, errno.ESTALE, errno.ENOENT})

ReadAt = Callable[[int, int], bytes | memoryview]


@dataclass(frozen=True, slots=True)
class Salvaged:
    """What was kept of one file."""

    missing: tuple[tuple[int, int], ...]
    """(offset, length) of each hole in bytes, ascending."""
    kept: tuple[str, ...]
    """Where it was kept: one path in the roll for each drive that took it."""


def pieces_of(
    size: int, read: ReadAt, *, step: int = CHUNK, least: int = ALIGNMENT
) -> Iterator[tuple[int, bytes | memoryview | None, int]]:
    """(offset, bytes or None, length) of a file of `size` bytes, in order, holes as None.

    `read(offset, length)` gives exactly that or raises OSError. Pure but for what `read` does.
    Raises the OSError of a device that has gone, since then there are no bad spots to go around.
    """
    todo = [(offset, min(step, size - offset)) for offset in range(0, size, step)][::-1]
    while todo:
        offset, length = todo.pop()
        try:
            yield offset, read(offset, length), length
        except OSError as error:
            if error.errno in _GONE:
                raise
            if length <= least:
                yield offset, None, length
                continue
            half = max(least, length // 2 // least * least)
            todo.append((offset + half, length - half))
            todo.append((offset, half))


def salvage(
    card: int,
    volume: Volume,
    path: str,
    size: int,
    folders: Sequence[RollFolder],
    run: str,
    stop: threading.Event,
) -> Salvaged:
    """Keep what can be read of one file of the card on every drive that takes it.

    Raises OSError when nothing at all can be had from the card, Stopped when `stop` is set:
    nothing is kept then.
    """
    buffer = Buffer()
    holes: list[tuple[int, int]] = []
    above, name = split(path)
    unfinished = f".ingest-{run}-{abs(hash(path)) % 10**9}.unfinished"
    with Tree(card) as tree:
        file = ColdFile(tree, path, volume.fs_type)
        targets = [target for folder in folders if (target := _begin(folder, above, unfinished))]
        try:

            def read(offset: int, length: int) -> memoryview:
                if stop.is_set():
                    raise Stopped("It was stopped.")
                poison(buffer.view[:length])
                file.fill(buffer.view, offset, length)
                return buffer.view[:length]

            for offset, data, length in pieces_of(size, read):
                if data is None:
                    holes.append((offset, length))
                    continue
                for target in targets:
                    target.write(data, offset)
            # Read whole at the second try: nothing to keep, the same command copies it properly.
            kept = tuple(
                place
                for target in targets
                if holes and (place := target.finish(size, above, name, unfinished, run))
            )
        finally:
            file.close()
            for target in targets:
                target.close()
    return Salvaged(_joined(holes), kept)


class _Target:
    """One drive's unfinished file. A drive that refuses is left out; the others go on."""

    def __init__(self, folder: RollFolder, fd: int) -> None:
        self._folder = folder
        self._fd = fd
        self._failed = False

    def write(self, data: bytes | memoryview, offset: int) -> None:
        view = memoryview(data)
        try:
            while view and not self._failed:
                count = posix_files.pwrite(self._fd, view, offset)
                if count <= 0:
                    raise OSError(errno.EIO, "the drive took no bytes and gave no reason")
                view, offset = view[count:], offset + count
        except OSError:
            self._failed = True

    def finish(self, size: int, above: str, name: str, unfinished: str, run: str) -> str:
        """Give it its name; the path in the roll, or empty where the drive refused."""
        if self._failed:
            return ""
        try:
            os.ftruncate(self._fd, size)
            platforms.flush(self._fd)
            with Tree(self._folder.handle) as tree:
                handle = tree.folder(above)
                for final in (f"{name}{DAMAGED}", f"{name}{DAMAGED}-{run[:8]}"):
                    try:
                        platforms.rename_new(unfinished, final, handle)
                    except FileExistsError:
                        continue
                    platforms.flush(handle)
                    return f"{above}/{final}" if above else final
        except OSError:
            self._failed = True
        return ""

    def close(self) -> None:
        os.close(self._fd)


def _begin(folder: RollFolder, above: str, unfinished: str) -> _Target | None:
    try:
        with Tree(folder.handle) as tree:
            handle, made = tree.make_folder(above)
            fd, _ = platforms.open_direct(unfinished, handle, direct=False)
            for place in made:
                platforms.flush(tree.folder(place))
    except OSError:
        return None
    return _Target(folder, fd)


def _joined(holes: Sequence[tuple[int, int]]) -> tuple[tuple[int, int], ...]:
    joined: list[tuple[int, int]] = []
    for offset, length in holes:
        if joined and sum(joined[-1]) == offset:
            joined[-1] = (joined[-1][0], joined[-1][1] + length)
        else:
            joined.append((offset, length))
    return tuple(joined)
