"""The chunks of a Wave file, read so that a damaged file still gives what it holds.

RIFF, and its 64-bit forms RF64 and BW64 (EBU Tech 3306, ITU-R BS.2088) with sizes in `ds64`.
Only chunk headers are read; a recording of many gigabytes costs no more than a short one.
"""

from __future__ import annotations

import os
import struct
from dataclasses import dataclass, field
from typing import BinaryIO

__all__ = ["Chunk", "Wave", "wave_chunks"]

_FORMS = (b"RIFF", b"RF64", b"BW64")
_UNKNOWN = 0xFFFFFFFF
_MOST_CHUNKS = 10_000
_LARGEST_READ = 16 << 20


@dataclass(frozen=True, slots=True)
class Chunk:
    """One chunk. `length` is what its header says, `there` what the file really holds, bytes."""

    ident: bytes
    start: int
    length: int
    there: int


@dataclass(slots=True)
class Wave:
    form: str
    """RIFF, RF64 or BW64."""
    chunks: list[Chunk] = field(default_factory=list)
    doubts: list[str] = field(default_factory=list)
    unfinished: bool = False
    """A length was never filled in: the recording was cut off."""

    def find(self, ident: bytes) -> Chunk | None:
        """The first chunk of that name."""
        return next((each for each in self.chunks if each.ident == ident), None)

    def read(self, file: BinaryIO, ident: bytes) -> bytes | None:
        """The bytes of that chunk, as far as they are there (16 MiB at most)."""
        chunk = self.find(ident)
        if chunk is None:
            return None
        file.seek(chunk.start)
        return file.read(min(chunk.there, _LARGEST_READ))


def wave_chunks(file: BinaryIO) -> Wave | None:
    """The file's chunks, or None where it isn't Wave. Raises OSError where it can't be read."""
    size = file.seek(0, os.SEEK_END)
    file.seek(0)
    head = file.read(12)
    if len(head) < 12 or head[:4] not in _FORMS or head[8:12] != b"WAVE":
        return None
    wave = Wave(form=head[:4].decode("ascii"))
    large: dict[bytes, int] = {}
    place = 12
    while place + 8 <= size and len(wave.chunks) < _MOST_CHUNKS:
        file.seek(place)
        ident, length = struct.unpack("<4sI", file.read(8))
        place += 8
        if ident == b"ds64":
            large = _ds64(file.read(min(length, 1 << 16)))
            if not large:
                wave.doubts.append("Its ds64 chunk, which holds the true sizes, can't be read.")
        elif length == _UNKNOWN:
            if ident in large:
                length = large[ident]
            else:
                wave.unfinished = True
                wave.doubts.append("Its header was never finished: it doesn't say how long it is.")
                length = size - place
        elif ident == b"data" and length == 0 and place < size and not wave.find(b"data"):
            # Some recorders write the length at the end; then nothing follows but sound.
            file.seek(place)
            if not _looks_like_chunk(file.read(8)):
                wave.unfinished = True
                wave.doubts.append("Its header was never finished: it says that it holds no sound.")
                length = size - place
        there = max(0, min(length, size - place))
        if there < length:
            wave.doubts.append(
                f"Its {_name(ident)} chunk says {length} bytes, {there} are there: "
                "it was cut short."
            )
        wave.chunks.append(Chunk(ident, place, length, there))
        place += length + length % 2
    return wave


def _ds64(content: bytes) -> dict[bytes, int]:
    """Chunk name to size. Layout: RIFF size, data size, sample count (64 bit), then a table."""
    if len(content) < 28:
        return {}
    _, data, _, rows = struct.unpack_from("<QQQI", content)
    sizes = {b"data": int(data)}
    for row in range(min(rows, (len(content) - 28) // 12)):
        ident, length = struct.unpack_from("<4sQ", content, 28 + 12 * row)
        sizes[ident] = length
    return sizes


def _looks_like_chunk(head: bytes) -> bool:
    return len(head) == 8 and all(0x20 <= each < 0x7F for each in head[:4])


def _name(ident: bytes) -> str:
    text = ident.decode("ascii", "replace").strip()
    return text if text.isascii() and text.isprintable() and text else "unnamed"
