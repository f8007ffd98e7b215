"""Footage that is noise: real containers and pictures of random dots, so that reading what a clip
is costs what it costs. Invented; there is nothing to see."""

from __future__ import annotations

import os
import shutil
import struct
from fractions import Fraction

__all__ = ["clips", "many", "remove", "stills"]

_POOL = 32 * 1024 * 1024
_WIDTH, _HEIGHT = 1920, 1080
_STILL = (2400, 1600)
_THUMBNAIL = (160, 120)
_RATE = 24


def clips(root: str, sizes: list[int], camera: str = "A") -> int:
    """One clip (QuickTime, intra-frame) of about each size (bytes). How many bytes in all."""
    folder = _folder(root, "CLIPS")
    paths = []
    for number, size in enumerate(sizes, 1):
        paths.append(os.path.join(folder, f"{camera}001C{number:03}.mov"))
        _clip(paths[-1], size)
    return sum(os.stat(path).st_size for path in paths)


def stills(root: str, count: int, size: int) -> int:
    """`count` pictures (JPEG) of exactly `size` bytes, each with the thumbnail that the DCF
    rule asks of every camera (CIPA DC-009: 160 by 120 pixels, in EXIF; from memory)."""
    source, folder = _Bytes(), _folder(root, "STILLS")
    whole = _picture(*_STILL)
    picture = whole[:2] + _exif(_picture(*_THUMBNAIL)) + whole[2:]
    if len(picture) > size:
        raise ValueError(f"a picture of {len(picture)} bytes is larger than {size}")
    for number in range(1, count + 1):
        with open(os.path.join(folder, f"IMG_{number:04}.jpg"), "xb") as file:
            file.write(picture)
            # Whatever follows the end of a JPEG's image is not looked at.
            source.write(file, size - len(picture))
    return count * size


def many(root: str, count: int, size: int, suffix: str) -> int:
    """`count` small files of `size` random bytes in folders of 1,000."""
    source = _Bytes()
    for number in range(count):
        if number % 1000 == 0:
            folder = _folder(root, "DATA", f"{number // 1000:03}")
        with open(os.path.join(folder, f"M{number:06}{suffix}"), "xb") as file:
            source.write(file, size)
    return count * size


def remove(path: str) -> None:
    """Take away a file or a whole folder that the benchmark made."""
    if os.path.isdir(path) and not os.path.islink(path):
        shutil.rmtree(path)
    else:
        os.unlink(path)


class _Bytes:
    """Random bytes by the megabyte: one pool, taken up at a new place for every file."""

    def __init__(self) -> None:
        self._pool = os.urandom(_POOL) * 2
        self._at = 0

    def write(self, file: object, size: int) -> None:
        self._at = (self._at + 1_048_583) % _POOL  # a prime: no two places alike
        for start in range(0, size, _POOL):
            end = min(_POOL, size - start)
            file.write(memoryview(self._pool)[self._at : self._at + end])  # type: ignore[attr-defined]


def _folder(root: str, *names: str) -> str:
    folder = os.path.join(root, *names)
    os.makedirs(folder)
    return folder


def _picture(width: int, height: int) -> bytes:
    """One picture of random dots as JPEG."""
    import av

    codec = av.CodecContext.create("mjpeg", "w")
    codec.width, codec.height, codec.pix_fmt = width, height, "yuvj420p"
    codec.time_base = Fraction(1, _RATE)
    frame = av.VideoFrame(width, height, "yuvj420p")
    for plane in frame.planes:
        plane.update(os.urandom(plane.buffer_size))
    frame.pts = 0
    return b"".join(bytes(packet) for packet in (*codec.encode(frame), *codec.encode(None)))


def _exif(thumbnail: bytes) -> bytes:
    """An EXIF segment (CIPA DC-008) with nothing in it but a thumbnail: an empty first
    directory, and a second one that says where in the segment the JPEG lies."""
    first = struct.pack("<HI", 0, 14)
    entries = ((0x0103, 3, 6), (0x0201, 4, 14 + 2 + 3 * 12 + 4), (0x0202, 4, len(thumbnail)))
    second = struct.pack("<H", len(entries))
    for tag, kind, value in entries:
        second += struct.pack("<HHII", tag, kind, 1, value)
    tiff = b"II*\0" + struct.pack("<I", 8) + first + second + struct.pack("<I", 0) + thumbnail
    body = b"Exif\0\0" + tiff
    return b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body


def _clip(path: str, size: int) -> None:
    import av

    picture = _picture(_WIDTH, _HEIGHT)
    with av.open(path, "w", format="mov") as container:
        stream = container.add_stream("mjpeg", rate=_RATE)
        stream.width, stream.height, stream.pix_fmt = _WIDTH, _HEIGHT, "yuvj420p"
        stream.time_base = Fraction(1, _RATE)
        for number in range(max(1, size // len(picture))):
            packet = av.Packet(picture)
            packet.stream, packet.time_base = stream, stream.time_base
            packet.pts = packet.dts = number
            packet.duration, packet.is_keyframe = 1, True
            container.mux(packet)
