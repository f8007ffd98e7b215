"""What travels from the card's reader to everybody else: a buffer, and the pieces in it."""

from __future__ import annotations

from dataclasses import dataclass

from ingest.copying.buffers import Buffer

__all__ = ["SMALL", "Chunk", "Piece"]

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
