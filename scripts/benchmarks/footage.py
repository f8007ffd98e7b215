"""Random bytes in files named like footage. Invented; nothing in them can be played."""

from __future__ import annotations

import os

__all__ = ["clips", "many", "stills"]

_POOL = 32 * 1024 * 1024


class _Bytes:
    """Random bytes by the megabyte: one pool, taken up at a new place for every file."""

    def __init__(self) -> None:
        self._pool = os.urandom(_POOL) * 2
        self._at = 0

    def write(self, path: str, size: int) -> None:
        with open(path, "xb") as file:
            left = size
            while left:
                self._at = (self._at + 1_048_583) % _POOL  # a prime: no two places alike
                piece = min(left, _POOL)
                file.write(memoryview(self._pool)[self._at : self._at + piece])
                left -= piece


def _folder(root: str, *names: str) -> str:
    folder = os.path.join(root, *names)
    os.makedirs(folder)
    return folder


def clips(root: str, sizes: list[int], camera: str = "A") -> int:
    """One clip of each size (bytes). How many bytes in all."""
    source, folder = _Bytes(), _folder(root, "CLIPS")
    for number, size in enumerate(sizes, 1):
        source.write(os.path.join(folder, f"{camera}001C{number:03}.mov"), size)
    return sum(sizes)


def stills(root: str, count: int, size: int) -> int:
    """`count` pictures of `size` bytes."""
    source, folder = _Bytes(), _folder(root, "STILLS")
    for number in range(1, count + 1):
        source.write(os.path.join(folder, f"IMG_{number:04}.jpg"), size)
    return count * size


def many(root: str, count: int, size: int, suffix: str) -> int:
    """`count` small files of `size` bytes in folders of 1,000."""
    source = _Bytes()
    for number in range(count):
        if number % 1000 == 0:
            folder = _folder(root, "DATA", f"{number // 1000:03}")
        source.write(os.path.join(folder, f"M{number:06}{suffix}"), size)
    return count * size
