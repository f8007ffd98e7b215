"""A digest of fixed samples: tells files of one name, size and time apart, proves nothing else.

Eight pieces of 64 KiB: the first, the last (up to the very end), and six evenly between, all at
aligned places. A file
of up to 512 KiB is taken whole. The digest is XXH128 over the size (8 bytes, little-endian) and
the pieces in order, so it can be taken while the file streams by.
"""

from __future__ import annotations

import xxhash

from ingest.copying.buffers import ALIGNMENT

__all__ = ["PIECE", "WHOLE", "Sampler", "pieces"]

PIECE = 64 * 1024
"""Bytes in one sample."""

_COUNT = 8
WHOLE = PIECE * _COUNT
"""Bytes up to which a file is taken whole."""


def pieces(size: int) -> tuple[tuple[int, int], ...]:
    """(offset, length) of each sample of a file of `size` bytes, ascending, never overlapping."""
    if size <= WHOLE:
        return ((0, size),)
    last = (size - PIECE) // ALIGNMENT * ALIGNMENT
    between = (
        last * number // (_COUNT - 1) // ALIGNMENT * ALIGNMENT for number in range(_COUNT - 1)
    )
    return (*((place, PIECE) for place in between), (last, size - last))


class Sampler:
    """Takes a file's bytes in order, in any pieces, and keeps those that are samples."""

    __slots__ = ("_digest", "_next", "_offset", "_wanted")

    def __init__(self, size: int) -> None:
        self._wanted = pieces(size)
        self._next = 0
        self._offset = 0
        self._digest = xxhash.xxh3_128(size.to_bytes(8, "little"))

    def update(self, view: memoryview) -> None:
        """The next bytes of the file."""
        start, end = self._offset, self._offset + len(view)
        self._offset = end
        while self._next < len(self._wanted):
            place, length = self._wanted[self._next]
            if place >= end:
                return
            self._digest.update(view[max(place, start) - start : min(place + length, end) - start])
            if place + length > end:
                return
            self._next += 1

    def skip_to(self, offset: int) -> None:
        """Jump over bytes between samples, which don't count."""
        self._offset = offset

    def hexdigest(self) -> str:
        return self._digest.hexdigest()
