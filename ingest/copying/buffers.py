"""Page-aligned memory for direct input and output, from one fixed pool.

A buffer carries a generation: whoever was handed it checks that it is still the same filling
before and after use, so that a buffer given back too early is an error and never a wrong copy.
A poisoned pool overwrites what is returned to it, so that the same mistake can't hide.
"""

from __future__ import annotations

import mmap
import threading
from collections import deque
from collections.abc import Sequence

__all__ = [
    "ALIGNMENT",
    "CHUNK",
    "MEMORY",
    "Buffer",
    "Pool",
    "StaleBufferError",
    "poison",
    "shares",
    "stamp",
]

ALIGNMENT = 4096
"""Bytes; offsets, lengths and memory of direct transfers are multiples of it."""

CHUNK = 2 * 1024 * 1024
"""Bytes in one buffer."""

MEMORY = 80 * 1024 * 1024
"""Bytes of buffers for the cards of one command together, whatever they hold."""

_SHARE = 16 * 1024 * 1024
"""Bytes of buffers with which a card of many is read at its full speed."""

_PATTERN = memoryview(bytes(range(1, 252)) * (CHUNK // 251 + 1))[:CHUNK]

_SECTOR = 512
_WORD = 8
_STAMPS = _PATTERN[: CHUNK // _SECTOR * _WORD].cast("Q")


def shares(sizes: Sequence[int]) -> list[int]:
    """Each card's part of the memory (bytes), by how much is to be read of each. Pure.

    The largest decides when all is done: it gets what the others can do without.
    """
    share = min(_SHARE, MEMORY // max(1, len(sizes)))
    largest = max(range(len(sizes)), key=sizes.__getitem__, default=0)
    rest = MEMORY - share * (len(sizes) - 1)
    return [rest if number == largest else share for number in range(len(sizes))]


class StaleBufferError(AssertionError):
    """A buffer was used after it had been given back."""


class Buffer:
    """Page-aligned memory of `size` bytes."""

    __slots__ = ("_memory", "_users", "generation", "view")

    def __init__(self, size: int = CHUNK) -> None:
        self._memory = mmap.mmap(-1, size)
        self.view = memoryview(self._memory)
        self.generation = 0
        self._users = 0

    def check(self, generation: int) -> None:
        """Raise StaleBufferError unless this is still the filling that was handed out."""
        if generation != self.generation:
            raise StaleBufferError(f"generation {self.generation}, expected {generation}")


class Pool:
    """A fixed number of buffers; taking waits until one is free, so memory never grows."""

    def __init__(self, count: int, *, poisoned: bool = False) -> None:
        self._free = deque(Buffer() for _ in range(count))
        self._changed = threading.Condition()
        self._poisoned = poisoned

    def take(self, timeout: float) -> Buffer | None:
        """A free buffer, or None when none came free within `timeout` seconds."""
        with self._changed:
            if not self._free and not self._changed.wait_for(lambda: bool(self._free), timeout):
                return None
            return self._free.popleft()

    def hand_out(self, buffer: Buffer, users: int) -> int:
        """Give a filled buffer to `users` users; the generation that each of them checks."""
        with self._changed:
            buffer._users = users
            if users == 0:
                self._take_back(buffer)
        return buffer.generation

    def adopt(self, buffer: Buffer) -> None:
        """From now on a buffer of this pool, and a free one."""
        with self._changed:
            self._take_back(buffer)

    def give_back(self, buffer: Buffer, generation: int) -> None:
        """One user is done with it."""
        buffer.check(generation)
        with self._changed:
            buffer._users -= 1
            if buffer._users == 0:
                self._take_back(buffer)

    def let_go(self) -> None:
        """Give the memory back; only what somebody still holds stays."""
        with self._changed:
            self._free.clear()

    def _take_back(self, buffer: Buffer) -> None:
        buffer.generation += 1
        if self._poisoned:
            poison(buffer.view)
        self._free.append(buffer)
        self._changed.notify()


def poison(view: memoryview) -> None:
    """Fill memory with a pattern, so that bytes which were never read can't look like content."""
    view[:] = _PATTERN[: len(view)]


def stamp(view: memoryview) -> None:
    """The same for what a device is about to fill, at a fifth of the time: eight bytes of the
    pattern in every sector, since no device gives less than a whole one; all of the last part."""
    whole = len(view) // _SECTOR * _SECTOR
    if whole:
        view[:whole].cast("Q")[:: _SECTOR // _WORD] = _STAMPS[: whole // _SECTOR]
    poison(view[whole:])
