"""A HEIF laid out by hand (ISO/IEC 23008-12, from memory): JPEG tiles, a grid, a thumbnail."""

from __future__ import annotations

import io
import struct

import av

__all__ = ["heif", "jpeg_tile"]


def jpeg_tile(width: int, height: int, light: int) -> bytes:
    """A JPEG of one grey."""
    target = io.BytesIO()
    with av.open(target, "w", format="mjpeg") as container:
        stream = container.add_stream("mjpeg", rate=25)
        stream.width, stream.height, stream.pix_fmt = width, height, "yuvj420p"
        frame = av.VideoFrame(width, height, "yuvj420p")
        for plane, value in zip(frame.planes, (light, 128, 128), strict=True):
            plane.update(bytes([value]) * plane.buffer_size)
        container.mux(stream.encode(frame))
        container.mux(stream.encode())
    return target.getvalue()


def box(kind: bytes, content: bytes) -> bytes:
    return struct.pack(">I", 8 + len(content)) + kind + content


def full(kind: bytes, content: bytes, version: int = 0) -> bytes:
    return box(kind, bytes([version, 0, 0, 0]) + content)


def heif(
    tiles: list[bytes],
    *,
    columns: int,
    tile: tuple[int, int],
    size: tuple[int, int],
    quarters: int = 0,
    thumbnail: bytes | None = None,
) -> bytes:
    """`size` is that of the grid, before it is turned by `quarters` anti-clockwise. Items 1 and on
    are the tiles, 100 is the grid, 200 its thumbnail of half a tile's size."""
    grid = struct.pack(">BBBBHH", 0, 0, len(tiles) // columns - 1, columns - 1, *size)
    items = [*enumerate(tiles, 1), (100, grid)]
    items += [(200, thumbnail)] if thumbnail is not None else []
    kinds = {100: b"grid"}

    def ispe(width: int, height: int) -> bytes:
        return full(b"ispe", struct.pack(">II", width, height))

    properties = ispe(*tile) + ispe(*size) + box(b"irot", bytes([quarters]))
    properties += ispe(tile[0] // 2, tile[1] // 2)
    owned = {100: (2, 3), 200: (4,)}
    ipma = struct.pack(">I", len(items)) + b"".join(
        struct.pack(">HB", item, len(owned.get(item, (1,)))) + bytes(owned.get(item, (1,)))
        for item, _ in items
    )
    references = box(b"dimg", struct.pack(f">HH{len(tiles)}H", 100, len(tiles),
                                          *range(1, len(tiles) + 1)))  # fmt: skip
    if thumbnail is not None:
        references += box(b"thmb", struct.pack(">HHH", 200, 1, 100))
    infos = b"".join(
        full(b"infe", struct.pack(">HH", item, 0) + kinds.get(item, b"jpeg") + b"\0", 2)
        for item, _ in items
    )

    def meta(first: int) -> bytes:
        at, places = first, b""
        for item, data in items:
            places += struct.pack(">HHHII", item, 0, 1, at, len(data))
            at += len(data)
        return full(
            b"meta",
            full(b"hdlr", bytes(4) + b"pict" + bytes(13))
            + full(b"pitm", struct.pack(">H", 100))
            + full(b"iloc", b"\x44\x00" + struct.pack(">H", len(items)) + places)
            + full(b"iinf", struct.pack(">H", len(items)) + infos)
            + full(b"iref", references)
            + box(b"iprp", box(b"ipco", properties) + full(b"ipma", ipma)),
        )

    head = box(b"ftyp", b"mif1" + bytes(4) + b"mif1heic")
    first = len(head) + len(meta(0)) + 8
    return head + meta(first) + box(b"mdat", b"".join(data for _, data in items))
