"""A still decoded: the one picture of most files, or all tiles of a HEIF put together."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from fractions import Fraction

import av
import av.container
from av.filter import Graph
from av.video.frame import VideoFrame

from ingest.media.heif import HeifPicture
from ingest.media.looking.streams import error_words

__all__ = ["small_still", "whole_still"]

_TILE = 128
"""Pixels that the longer side of a tile is drawn with: all of them make a proof of the picture."""


def whole_still(
    container: av.container.InputContainer, heif: HeifPicture | None
) -> tuple[VideoFrame | None, str]:
    """The picture, and why it isn't whole, or empty. Of tiles a small copy of the whole is given.

    Raises av.FFmpegError or StopIteration where a picture that is none of HEIF's can't be decoded.
    """
    if heif is None:
        only = next(container.decode(video=0))
        return only, "the decoder calls it corrupt" if only.is_corrupt else ""
    parts = _decoded(container, heif.parts)
    if not heif.tiles:
        frame, wrong = parts[0]
        return frame, wrong
    bad = [(number, wrong) for number, (_, wrong) in enumerate(parts, 1) if wrong]
    told = ""
    if bad:
        more = f", and {len(bad) - 1} more" if len(bad) > 1 else ""
        told = f"tile {bad[0][0]} of {len(parts)}{more}: {bad[0][1]}"
    return _laid_out([frame for frame, _ in parts], heif), told


def small_still(
    container: av.container.InputContainer, heif: HeifPicture | None
) -> VideoFrame | None:
    """A picture for a poster: the largest thumbnail that a HEIF carries, else what there is."""
    if heif is not None and heif.thumbnails:
        frames = [frame for frame, _ in _decoded(container, heif.thumbnails) if frame is not None]
        if frames:
            return max(frames, key=lambda each: each.width)
    return whole_still(container, heif)[0]


def _decoded(
    container: av.container.InputContainer, items: Sequence[int]
) -> list[tuple[VideoFrame | None, str]]:
    """Each item's picture, in their order, and why there is none, or empty."""
    streams = {stream.id: stream for stream in container.streams.video if stream.id in items}
    found: dict[int, tuple[VideoFrame | None, str]] = {}
    known = [stream for stream in streams.values() if getattr(stream, "codec_context", None)]
    with contextlib.suppress(av.FFmpegError):  # an item past the end of the file ends the reading
        for packet in container.demux(known):
            item = packet.stream.id
            try:
                for frame in packet.decode():
                    if isinstance(frame, VideoFrame):
                        wrong = "the decoder calls it corrupt" if frame.is_corrupt else ""
                        found.setdefault(item, (frame, wrong))
            except (av.FFmpegError, StopIteration) as error:
                found.setdefault(item, (None, error_words(error)))
    return [found.get(item, (None, "no picture comes")) for item in items]


def _laid_out(frames: Sequence[VideoFrame | None], heif: HeifPicture) -> VideoFrame | None:
    """The tiles side by side, small, cut to the picture's size; a lost one is grey."""
    first = next((frame for frame in frames if frame is not None), None)
    if first is None or not heif.width or not heif.height:
        return first
    scale = Fraction(_TILE, max(first.width, first.height))
    width, height = (max(2, 2 * round(each * scale / 2)) for each in (first.width, first.height))
    rows = -(-len(frames) // heif.columns)
    graph = Graph()
    source = graph.add_buffer(
        width=width, height=height, format=first.format, time_base=Fraction(1)
    )
    tile = graph.add("tile", f"{heif.columns}x{rows}")
    crop = graph.add(
        "crop",
        f"{round(heif.width * scale)}:{round(heif.height * scale)}:0:0",
    )
    sink = graph.add("buffersink")
    source.link_to(tile)
    tile.link_to(crop)
    crop.link_to(sink)
    graph.configure()
    for number, frame in enumerate(frames):
        ready = (
            VideoFrame(width, height, first.format.name)
            if frame is None
            else frame.reformat(width=width, height=height, format=first.format.name)
        )
        ready.pts, ready.time_base = number, Fraction(1)
        graph.push(ready)
    graph.push(None)
    laid = graph.pull()
    assert isinstance(laid, VideoFrame)
    return laid
