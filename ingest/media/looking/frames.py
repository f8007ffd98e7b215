"""What a decoded frame shows, in a few numbers: on small copies, without a numeric library."""

from __future__ import annotations

from collections import Counter
from operator import sub

from av.video.frame import VideoFrame

from ingest.media.looking.seen import BLACK, Glimpse

__all__ = ["glimpse", "luma", "tells"]

_PROOF = (128, 72)
_CROP = 96


def luma(frame: VideoFrame, width: int, height: int) -> bytes:
    """Its luma at that size, a byte a pixel, line after line."""
    small = frame.reformat(width=width, height=height, format="gray")
    plane = small.planes[0]
    whole = bytes(plane)
    if plane.line_size == width:
        return whole[: width * height]
    return b"".join(
        whole[start : start + width]
        for start in range(0, plane.line_size * height, plane.line_size)
    )


def glimpse(frame: VideoFrame, place: str) -> Glimpse:
    """The frame's numbers; see `seen.Glimpse`."""
    width, height = _PROOF
    proof = luma(frame, width, height)
    counts = Counter(proof)
    mean = sum(level * many for level, many in counts.items()) / len(proof)
    squares = sum(level * level * many for level, many in counts.items()) / len(proof)
    spread = (squares - mean * mean) ** 0.5
    edges = 0
    for start in range(0, len(proof), 2 * width):  # every second line is enough
        line = proof[start : start + width]
        edges += sum(map(abs, map(sub, line, line[1:])))
    sharp = edges / (height // 2 * (width - 1))
    return Glimpse(
        place, mean=mean, spread=spread, sharp=sharp, middle=_middle(frame), number=frame.pts
    )


def _middle(frame: VideoFrame) -> bytes:
    """Luma of a square in its middle, at its own size: what a scaler would smooth away stays."""
    gray = frame.reformat(format="gray")
    plane = gray.planes[0]
    width, height = min(_CROP, gray.width), min(_CROP, gray.height)
    left, top = (gray.width - width) // 2, (gray.height - height) // 2
    whole = memoryview(plane)
    return b"".join(
        bytes(whole[start : start + width])
        for start in range(
            top * plane.line_size + left, (top + height) * plane.line_size, plane.line_size
        )
    )


def tells(one: Glimpse) -> float:
    """How much there is to see: contrast times sharpness; black is worse than anything."""
    if one.error:
        return -2.0
    return (one.spread + 1) * (one.sharp + 0.1) if one.mean > BLACK else -1.0
