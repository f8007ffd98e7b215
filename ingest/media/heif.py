"""The picture that a HEIF or AVIF file means, among its items: size, turn, tiles, thumbnails.

ISO/IEC 23008-12 (HEIF) in the boxes of ISO/IEC 14496-12; both from memory, held against files of
cameras and telephones. A picture of many megapixels is cut into tiles, each an item and, to FFmpeg,
a stream of its own: one tile is neither the picture's size nor proof that the picture is whole.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import BinaryIO

__all__ = ["HeifPicture", "read_heif"]

_LARGEST_META = 8 << 20
_MOST_BOXES = 20_000


@dataclass(frozen=True, slots=True)
class HeifPicture:
    """The primary item. Items go by their numbers, which FFmpeg gives its streams as `id`."""

    item: int
    width: int | None = None
    """Pixels, before it is turned."""
    height: int | None = None
    turned: int = 0
    """Degrees clockwise that turn it upright. EXIF's orientation counts for nothing in a HEIF."""
    tiles: tuple[int, ...] = ()
    """Items that it is put together from, row by row; empty where it is one picture."""
    columns: int = 1
    thumbnails: tuple[int, ...] = ()

    @property
    def parts(self) -> tuple[int, ...]:
        """Every item that must be decoded to have all of it."""
        return self.tiles or (self.item,)


def read_heif(path: str | os.PathLike[str]) -> HeifPicture | None:
    """The primary picture; None where there is no such file or its boxes can't be followed.

    Raises OSError.
    """
    with open(path, "rb") as file:
        meta = _meta(file)
    try:
        return _primary(meta) if meta is not None else None
    except (struct.error, IndexError):
        return None  # a box that ends too soon


def _meta(file: BinaryIO) -> bytes | None:
    """What stands in the file's own `meta` box."""
    head = file.read(8)
    if head[4:8] != b"ftyp":
        return None
    at = 0
    for _ in range(_MOST_BOXES):
        file.seek(at)
        head = file.read(8)
        if len(head) < 8:
            return None
        size = int.from_bytes(head[:4], "big")
        if head[4:8] == b"meta":
            return file.read(min(size, _LARGEST_META) - 8) if size > 12 else None
        if size < 8:  # to the end, or longer than 4 GiB: no picture stands behind that
            return None
        at += size
    return None


def _boxes(content: bytes) -> Iterator[tuple[bytes, bytes]]:
    at = 0
    while at + 8 <= len(content):
        size = int.from_bytes(content[at : at + 4], "big")
        if size < 8:
            return
        yield content[at + 4 : at + 8], content[at + 8 : at + size]
        at += size


def _primary(meta: bytes) -> HeifPicture | None:
    boxes = dict(_boxes(meta[4:]))
    first = boxes.get(b"pitm")
    if first is None:
        return None
    (item,) = struct.unpack_from(">I" if first[0] else ">H", first, 4)
    parts = dict(_boxes(boxes.get(b"iprp", b"")))
    properties = list(_boxes(parts.get(b"ipco", b"")))
    owned = _owned(parts.get(b"ipma", bytes(8)))
    made_of, shrunk = _references(boxes.get(b"iref", bytes(4)), item)
    width, height, turned = _shown(owned.get(item, ()), properties)
    columns = 1
    if made_of and width:
        tile, _, _ = _shown(owned.get(made_of[0], ()), properties)
        columns = -(-width // tile) if tile else 1
    return HeifPicture(item, width, height, turned, made_of, columns, shrunk)


def _owned(content: bytes) -> Mapping[int, tuple[int, ...]]:
    """`ipma`: item to the numbers of its properties, from 1."""
    version, wide = content[0], content[3] & 1
    (count,) = struct.unpack_from(">I", content, 4)
    found: dict[int, tuple[int, ...]] = {}
    at = 8
    for _ in range(min(count, _MOST_BOXES)):
        (item,) = struct.unpack_from(">I" if version else ">H", content, at)
        at += 4 if version else 2
        number, at = content[at], at + 1
        form = f">{number}{'H' if wide else 'B'}"
        # The first bit only says that whoever shows the item must heed the property.
        mask = 0x7FFF if wide else 0x7F
        found[item] = tuple(each & mask for each in struct.unpack_from(form, content, at))
        at += struct.calcsize(form)
    return found


def _references(content: bytes, item: int) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """`iref`: what the item is derived from (`dimg`), and its thumbnails (`thmb`)."""
    letter = "I" if content[0] else "H"
    wide = struct.calcsize(letter)
    made_of: tuple[int, ...] = ()
    shrunk: list[int] = []
    for kind, inner in _boxes(content[4:]):
        (source,) = struct.unpack_from(f">{letter}", inner)
        (count,) = struct.unpack_from(">H", inner, wide)
        targets = struct.unpack_from(f">{count}{letter}", inner, wide + 2)
        if kind == b"dimg" and source == item:
            made_of = targets
        elif kind == b"thmb" and item in targets:
            shrunk.append(source)
    return made_of, tuple(shrunk)


def _shown(
    numbers: tuple[int, ...], properties: list[tuple[bytes, bytes]]
) -> tuple[int | None, int | None, int]:
    """Width and height (`ispe`, less what `clap` cuts off) and degrees clockwise (`irot` counts
    quarters the other way). Properties apply in the order in which they stand."""
    width = height = None
    turned = 0
    for number in numbers:
        kind, content = properties[number - 1] if 0 < number <= len(properties) else (b"", b"")
        if kind == b"ispe":
            width, height = struct.unpack_from(">II", content, 4)
        elif kind == b"clap":  # what is shown of it: two fractions, then where
            across, over, down, under = struct.unpack_from(">4I", content)
            if over and under:
                width, height = across // over, down // under
        elif kind == b"irot":
            turned = -90 * (content[0] & 3) % 360
    return width, height, turned
