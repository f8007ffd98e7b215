"""The picture of the slate: which of the claps that were heard is its, and the frame at it."""

from __future__ import annotations

import os
from collections.abc import Sequence
from fractions import Fraction

import av
from av.video.frame import VideoFrame

from ingest.media.looking.listening import Clap
from ingest.media.looking.streams import frames_on, picture_of, seek
from ingest.media.opening import CannotRead, open_media

__all__ = ["frame_at", "which_clap"]

_CLOSED_S = 0.01
"""After the clap has begun: the sticks stand closed."""


def which_clap(claps: Sequence[Clap | None]) -> Clap | None:
    """Of the transients at both ends the slate's: the head's, unless the tail's is far sharper."""
    head, tail = (*claps, None, None)[:2]
    if head is None or tail is None:
        return head or tail
    return tail if tail.strength > 2 * head.strength else head


def frame_at(path: str | os.PathLike[str], clap: Clap) -> VideoFrame | None:
    """The frame that stands when the slate claps; None where none can be decoded."""
    last: VideoFrame | None = None
    try:
        with open_media(path) as container:
            stream = picture_of(container)
            if stream is None:
                return None
            stream.thread_type = "SLICE"
            at = clap.at + _CLOSED_S
            seek(container, stream, Fraction(at).limit_denominator(1000))
            for frame in frames_on(container, stream):
                if frame.time is not None and frame.time > at and last is not None:
                    return last
                last = frame
    except (CannotRead, av.FFmpegError, StopIteration):
        return None  # the health of that frame is judged elsewhere
    return last
