"""Where a file's bytes lie on its device, and ways to spoil them there, under the file system."""

from __future__ import annotations

import os
import re
from pathlib import Path

from laboratory.loops import Drive, need_tool, run

__all__ = ["drop_pages", "extents", "find_on_image", "flip_bit", "plain_read"]

_EXTENT = re.compile(r"^\s*\d+:\s*(\d+)\.\.\s*(\d+):\s*(\d+)\.\.\s*(\d+):")


def extents(path: Path, block: int = 1024) -> list[tuple[int, int, int]]:
    """(offset in the file, offset on the device, length), in bytes."""
    need_tool("filefrag")
    told = run("filefrag", "-e", f"-b{block}", path)
    found = []
    for line in told.splitlines():
        if match := _EXTENT.match(line):
            first, last, place, _ = map(int, match.groups())
            found.append((first * block, place * block, (last - first + 1) * block))
    return found


def find_on_image(image: Path, marker: bytes) -> int:
    """Offset of bytes that stand once on an image."""
    data = image.read_bytes()
    place = data.find(marker)
    assert place >= 0, "the bytes are not on the medium"
    assert data.find(marker, place + 1) < 0, "the bytes stand there more than once"
    return place


def flip_bit(drive: Drive, offset: int) -> None:
    """Flip one bit of the image, behind the file system's back."""
    fd = os.open(drive.image, os.O_RDWR)
    try:
        (value,) = os.pread(fd, 1, offset)
        os.pwrite(fd, bytes([value ^ 0x10]), offset)
        os.fsync(fd)
    finally:
        os.close(fd)


def plain_read(path: Path) -> bytes:
    """What any program gets: pages in memory first."""
    return path.read_bytes()


def drop_pages(device: str) -> None:
    """The block device's own pages leave memory; those of its files stay."""
    fd = os.open(device, os.O_RDONLY)
    try:
        os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)
    finally:
        os.close(fd)
