"""Tracks beyond any use, as a damaged or hostile header claims them, hidden from the decoders.

MediaInfo takes minutes over 100,000 tracks, FFmpeg refuses more than 1,000 (both measured). The
headers are therefore walked here first, and the tracks past a limit are shown to the libraries as
the filling that each format has for what is to be skipped: `Void` in Matroska (RFC 8794, 11.3.2),
`free` in ISO base media (ISO/IEC 14496-12, 8.1.2), `JUNK` in AVI (RIFF, common practice), the fill
item in MXF (SMPTE ST 377-1, key from memory). The file itself is never touched. A transport stream
has no header to hide anything in: FFmpeg stops at 1,000 by itself.
"""

from __future__ import annotations

import io
from bisect import bisect_left
from collections.abc import Iterator
from dataclasses import dataclass
from typing import BinaryIO

__all__ = ["MOST_TRACKS", "Claims", "Masked", "claims"]

MOST_TRACKS = 64
"""How many tracks are looked at; a recorder of our days writes fewer (common practice, no
source)."""

_MOST_ELEMENTS = 1_000_000

_SEGMENT, _TRACKS, _TRACK_ENTRY = 0x18538067, 0x1654AE6B, 0xAE  # RFC 9559, 5.1
_VOID = b"\xec"

# SMPTE ST 377-1: keys of a partition, of the sets that describe the file's structure (the two last
# bytes but one tell them apart), of a track that runs in time, of the fill item, of its essence.
_PARTITION = bytes.fromhex("060e2b34020501010d010201")
_SET = bytes.fromhex("060e2b34025301010d0101010101")
_TRACK = _SET + b"\x3b\x00"
_FILL = bytes.fromhex("060e2b34010101020301021001000000")
_ESSENCE = bytes.fromhex("060e2b34010201")
_MOST_SETS = 4 * MOST_TRACKS
"""Of each kind: the packages of a file each list its tracks anew."""


@dataclass(frozen=True, slots=True)
class Claims:
    """What a header claims: the number of tracks, and where those past the limit begin."""

    tracks: int = 0
    looked: int = 0
    """How many of them the libraries are shown."""
    hidden: tuple[int, ...] = ()
    """Offsets in bytes of the names of the tracks that are hidden, rising."""
    filling: bytes = b""
    """The name that is shown in their place, of the same length."""


def claims(file: BinaryIO) -> Claims:
    """Walk the header of an open Matroska, ISO base media, AVI or MXF file, else claim nothing.

    Never raises for what is in the file. Leaves the position at the start. Raises OSError where
    the file can't be read.
    """
    file.seek(0)
    head = file.read(12)
    if head[:4] == b"\x1a\x45\xdf\xa3":
        places, filling = _matroska(file), _VOID
    elif head[4:8] in (b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip"):
        places, filling = _boxes(file), b"free"
    elif head[:4] == b"RIFF" and head[8:12] == b"AVI ":
        places, filling = _avi(file), b"JUNK"
    elif head.startswith(_PARTITION):
        return _mxf(file)
    else:
        places, filling = iter(()), b""
    found = list(places)
    file.seek(0)
    hidden = tuple(found[MOST_TRACKS:])
    return Claims(len(found), len(found) - len(hidden), hidden, filling)


class Masked(io.RawIOBase):
    """An open file, read-only, with the hidden tracks shown as filling."""

    def __init__(self, file: BinaryIO, claimed: Claims) -> None:
        super().__init__()
        self._file = file
        self._claimed = claimed

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def seek(self, offset: int, whence: int = 0) -> int:
        return self._file.seek(offset, whence)

    def tell(self) -> int:
        return self._file.tell()

    def read(self, size: int = -1) -> bytes:
        start = self._file.tell()
        content = self._file.read(size)
        hidden, filling = self._claimed.hidden, self._claimed.filling
        number = bisect_left(hidden, start - len(filling) + 1)
        if number == len(hidden) or hidden[number] >= start + len(content):
            return content
        shown = bytearray(content)
        while number < len(hidden) and (at := hidden[number] - start) < len(shown):
            first, last = max(at, 0), min(at + len(filling), len(shown))
            shown[first:last] = filling[first - at : last - at]
            number += 1
        return bytes(shown)


def _matroska(file: BinaryIO) -> Iterator[int]:
    """The offsets of the TrackEntry elements, in the Tracks element of the first Segment."""
    for segment, _, content, end in _elements(file, 0, None):
        if segment == _SEGMENT:
            for part, _, inner, last in _elements(file, content, end):
                if part == _TRACKS:
                    for entry, at, _, _ in _elements(file, inner, last):
                        if entry == _TRACK_ENTRY:
                            yield at
                    return
            return


def _elements(
    file: BinaryIO, at: int, end: int | None
) -> Iterator[tuple[int, int, int, int | None]]:
    """EBML (RFC 8794): id, its offset, the offset of its content, its end (None: unknown)."""
    for _ in range(_MOST_ELEMENTS):
        if end is not None and at >= end:
            return
        file.seek(at)
        head = file.read(12)
        wide = _width(head, 0, 4)
        size_wide = _width(head, wide, 8)
        if not wide or not size_wide or len(head) < wide + size_wide:
            return
        bits = 7 * size_wide
        size = int.from_bytes(head[wide : wide + size_wide], "big") & ((1 << bits) - 1)
        content = at + wide + size_wide
        last = None if size == (1 << bits) - 1 else content + size
        yield int.from_bytes(head[:wide], "big"), at, content, last
        if last is None:
            return
        at = last


def _width(head: bytes, at: int, most: int) -> int:
    """Bytes of a number that begins with as many zero bits less one; 0 where it is none."""
    wide = 9 - head[at].bit_length() if at < len(head) else 0
    return wide if wide <= most else 0


def _boxes(file: BinaryIO) -> Iterator[int]:
    """The offsets of the names of the `trak` boxes in `moov` (ISO/IEC 14496-12, 4.2)."""
    for name, at, size in _box_heads(file, 0, None):
        if name == b"moov":
            for inner, place, _ in _box_heads(file, at + 8, at + size):
                if inner == b"trak":
                    yield place + 4
            return


def _box_heads(file: BinaryIO, at: int, end: int | None) -> Iterator[tuple[bytes, int, int]]:
    for _ in range(_MOST_ELEMENTS):
        if end is not None and at + 8 > end:
            return
        file.seek(at)
        head = file.read(16)
        if len(head) < 8:
            return
        size = int.from_bytes(head[:4], "big")
        if size == 1:
            size = int.from_bytes(head[8:16], "big")
        if size < 8:
            return  # to the end of the file, or nonsense
        yield head[4:8], at, size
        at += size


def _avi(file: BinaryIO) -> Iterator[int]:
    """The offsets of the `strl` lists in the header list, which comes first."""
    file.seek(12)
    head = file.read(12)
    if head[:4] != b"LIST" or head[8:12] != b"hdrl":
        return
    at, end = 24, 20 + int.from_bytes(head[4:8], "little")
    for _ in range(_MOST_ELEMENTS):
        file.seek(at)
        head = file.read(12)
        if len(head) < 12 or at >= end:
            return
        if head[:4] == b"LIST" and head[8:12] == b"strl":
            yield at
        size = int.from_bytes(head[4:8], "little")
        at += 8 + size + size % 2


def _mxf(file: BinaryIO) -> Claims:
    """Of each kind of set in the header's structure, those past the limit are hidden."""
    hidden: list[int] = []
    met: dict[bytes, int] = {}
    for key, at in _keys(file):
        if key.startswith(_ESSENCE):
            break
        if key.startswith(_SET):
            met[key] = met.get(key, 0) + 1
            if met[key] > _MOST_SETS:
                hidden.append(at)
    file.seek(0)
    tracks = met.get(_TRACK, 0)
    return Claims(tracks, min(tracks, _MOST_SETS), tuple(hidden), _FILL)


def _keys(file: BinaryIO) -> Iterator[tuple[bytes, int]]:
    """KLV (SMPTE ST 336): each key and its offset."""
    at = 0
    for _ in range(_MOST_ELEMENTS):
        file.seek(at)
        head = file.read(25)
        if len(head) < 17:
            return
        wide = head[16] & 0x7F if head[16] & 0x80 else 0
        if wide > 8 or len(head) < 17 + wide:
            return
        yield head[:16], at
        at += 17 + wide + (int.from_bytes(head[17 : 17 + wide], "big") if wide else head[16])
