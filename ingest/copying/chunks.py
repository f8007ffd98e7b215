"""What travels from the card's reader to everybody else: a buffer, and the pieces in it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from ingest.copying.buffers import ALIGNMENT, CHUNK, Buffer
from ingest.copying.values import FileTask

__all__ = ["SMALL", "Chunk", "Piece", "layout"]

_MOST = 1024

SMALL = 1024 * 1024
"""Bytes up to which files travel many to a chunk and are flushed in groups."""


@dataclass(frozen=True, slots=True)
class Piece:
    """A run of one file's bytes inside a chunk."""

    task: int
    offset: int
    """In the file."""
    place: int
    """In the buffer; aligned."""
    length: int
    last: bool
    broken: bool = False
    """The card gave no more of this file: drop what was begun of it."""


@dataclass(frozen=True, slots=True)
class Chunk:
    buffer: Buffer
    generation: int
    pieces: tuple[Piece, ...]


def layout(tasks: Sequence[FileTask]) -> Iterator[tuple[Piece, ...]]:
    """The pieces of each chunk, in the order of the tasks. Pure.

    A large file takes chunks of its own; small ones are packed, each at an aligned place.
    """
    packed: list[Piece] = []
    filled = 0
    for number, task in enumerate(tasks):
        large = task.size > SMALL
        room = -(-task.size // ALIGNMENT) * ALIGNMENT
        if packed and (large or filled + room > CHUNK or len(packed) == _MOST):
            yield tuple(packed)
            packed, filled = [], 0
        if large:
            for offset in range(0, task.size, CHUNK):
                length = min(CHUNK, task.size - offset)
                yield (Piece(number, offset, 0, length, offset + length == task.size),)
        else:
            packed.append(Piece(number, 0, filled, task.size, last=True))
            filled += room
    if packed:
        yield tuple(packed)
