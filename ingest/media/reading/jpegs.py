"""The markers of a JPEG (ITU-T T.81, Annex B): size, depth, sampling, and whether it has an end.

A few reads of its head and one of its tail, whatever its size.
"""

from __future__ import annotations

import os
import struct
from dataclasses import dataclass
from typing import Any, BinaryIO

__all__ = ["JpegFrame", "read_jpeg"]

_TAIL = 1 << 20
_START_OF_FRAME = frozenset({*range(0xC0, 0xD0)} - {0xC4, 0xC8, 0xCC})
_CHROMA = {(2, 2): "4:2:0", (2, 1): "4:2:2", (1, 1): "4:4:4", (4, 1): "4:1:1", (1, 2): "4:4:0"}


@dataclass(frozen=True, slots=True)
class JpegFrame:
    width: int | None = None
    height: int | None = None
    bits: int | None = None
    chroma: str | None = None
    ended: bool = False
    """An end marker stands after the scan."""

    def as_track(self) -> dict[str, Any]:
        """As a track of MediaInfo's would tell it."""
        return {
            "format": "JPEG",
            "width": self.width,
            "height": self.height,
            "bit_depth": self.bits,
            "chroma_subsampling": self.chroma,
        }


def read_jpeg(file: BinaryIO) -> JpegFrame | None:
    """The picture's frame header; None where it is no JPEG. Raises OSError."""
    size = file.seek(0, os.SEEK_END)
    file.seek(0)
    if file.read(3) != b"\xff\xd8\xff":
        return None
    found = JpegFrame()
    place = 2
    while place + 4 <= size:
        file.seek(place)
        marker, length = struct.unpack(">HH", file.read(4))
        if marker == 0xFFDA:  # start of scan: what follows is the picture, then its end
            file.seek(max(place, size - _TAIL))
            return JpegFrame(
                found.width, found.height, found.bits, found.chroma, b"\xff\xd9" in file.read()
            )
        if marker >> 8 != 0xFF or length < 2:
            break
        if marker & 0xFF in _START_OF_FRAME:
            found = _frame(file.read(min(length - 2, 15)))
        place += 2 + length
    return found


def _frame(head: bytes) -> JpegFrame:
    if len(head) < 6:
        return JpegFrame()
    bits, height, width, parts = struct.unpack_from(">BHHB", head)
    chroma = None
    if parts == 3 and len(head) >= 15:
        luma, first, second = head[7], head[10], head[13]
        if first == second == 0x11:
            chroma = _CHROMA.get((luma >> 4, luma & 15))
    return JpegFrame(width or None, height or None, bits or None, chroma)
