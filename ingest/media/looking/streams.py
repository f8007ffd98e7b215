"""Streams of an open file: which is the picture, whether it can be decoded, coming to a place."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

import av
import av.container
from av.audio.stream import AudioStream
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from ingest.media.opening import attached

__all__ = ["STREAMED", "error_words", "frames_on", "has_decoder", "picture_of", "seek"]

STREAMED = ("mpegts", "mpeg", "mpegvideo", "h264", "hevc", "m4v", "obu", "dv")
"""FFmpeg's names of containers without an index: seeking lands between whole frames there, so that
none comes is no damage."""

_PACKETS = 1200
"""The most packets looked at for one place."""


def picture_of(container: av.container.InputContainer) -> VideoStream | None:
    return next((each for each in container.streams.video if not attached(each)), None)


def has_decoder(stream: VideoStream | AudioStream) -> bool:
    return getattr(stream, "codec_context", None) is not None


def seek(container: av.container.InputContainer, stream: VideoStream, seconds: Fraction) -> None:
    base = stream.time_base or Fraction(1, 1000)
    container.seek(int(seconds / base) + (stream.start_time or 0), stream=stream, backward=True)


def frames_on(container: av.container.InputContainer, stream: VideoStream) -> Iterator[VideoFrame]:
    for number, packet in enumerate(container.demux(stream)):
        yield from packet.decode()
        if number >= _PACKETS:
            return


def error_words(error: BaseException) -> str:
    if isinstance(error, av.error.PermissionError):  # what FFmpeg says where it can't seek
        return "no place in it can be found"
    strerror = getattr(error, "strerror", None)
    return str(strerror or error or "it ends before the frame").rstrip(".")
