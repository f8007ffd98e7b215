"""The checksum kinds, behind one interface.

Digests are text: lower-case hexadecimal, except c4, which has an alphabet of its own
(SMPTE ST 2114:2017). xxHash digests are the canonical big-endian form with seed 0
(ASC MHL v1.0 Appendix D).
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from typing import Protocol

import xxhash

__all__ = [
    "DEFAULT_KINDS",
    "KINDS",
    "LISTED_KINDS",
    "Checksum",
    "c4_from_digest",
    "c4_to_digest",
    "new",
]

_C4_ALPHABET = "123456789ABCDEFGHJKLMNPQRSTUVWXYZabcdefghijkmnopqrstuvwxyz"
_C4_LENGTH = 88  # 58**87 < 2**512 - 1 < 58**88
_C4_VALUE = {character: value for value, character in enumerate(_C4_ALPHABET)}


class Checksum(Protocol):
    """Takes bytes piece by piece, and gives the digest as text at any time."""

    def update(self, data: bytes | bytearray | memoryview, /) -> None: ...

    def hexdigest(self) -> str: ...


class _C4:
    def __init__(self) -> None:
        self._sha512 = hashlib.sha512()
        self.update = self._sha512.update

    def hexdigest(self) -> str:
        return c4_from_digest(self._sha512.digest())


_MAKERS: dict[str, Callable[[], Checksum]] = {
    "xxh128": xxhash.xxh3_128,
    "xxh3": xxhash.xxh3_64,
    "xxh64": xxhash.xxh64,
    "md5": lambda: hashlib.md5(usedforsecurity=False),
    "sha1": lambda: hashlib.sha1(usedforsecurity=False),
    "sha256": hashlib.sha256,
    "c4": _C4,
}

KINDS = tuple(_MAKERS)
"""Every kind that can be asked for."""

LISTED_KINDS = ("c4", "md5", "sha1", "xxh128", "xxh3", "xxh64")
"""The kinds that an ASC MHL v1.0 hash list can hold, in the order its schema wants."""

DEFAULT_KINDS = ("xxh128", "md5")


def new(kind: str) -> Checksum:
    """A fresh checksum of this kind. Raises KeyError for a kind not in `KINDS`."""
    return _MAKERS[kind]()


def c4_from_digest(digest: bytes) -> str:
    """The 90-character C4 ID of a 64-byte SHA-512 digest."""
    number = int.from_bytes(digest, "big")
    characters = []
    for _ in range(_C4_LENGTH):
        number, remainder = divmod(number, 58)
        characters.append(_C4_ALPHABET[remainder])
    return "c4" + "".join(reversed(characters))


def c4_to_digest(identifier: str) -> bytes:
    """The 64 bytes behind a C4 ID. Raises ValueError when it is not one."""
    if len(identifier) != _C4_LENGTH + 2 or not identifier.startswith("c4"):
        raise ValueError("a C4 ID is c4 and 88 characters")
    number = 0
    for character in identifier[2:]:
        if character not in _C4_VALUE:
            raise ValueError(f"{character!r} is not in the C4 alphabet")
        number = number * 58 + _C4_VALUE[character]
    if number >= 1 << 512:
        raise ValueError("the C4 ID stands for more than 512 bits")
    return number.to_bytes(64, "big")
