"""A few frames of a picture: the first, the middle, the last, and some between."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import av
import av.container
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from ingest.media.looking.frames import glimpse, tells
from ingest.media.looking.seen import Glimpse
from ingest.media.looking.streams import STREAMED, error_words, frames_on, seek

__all__ = ["Sample", "sampled_frames", "stated_length"]

_PLACES = (
    ("first", Fraction(0)),
    ("1/5", Fraction(1, 5)),
    ("middle", Fraction(1, 2)),
    ("4/5", Fraction(4, 5)),
)
_FORWARD = 50_000_000
"""Pixels decoded, at most, to come from the place that can be sought to nearer to the one meant."""
_BACK = (Fraction(0), Fraction(2), Fraction(6), Fraction(15))
"""Seconds before a place from which its frame is tried for, in a container without index."""
_BEFORE = Fraction(-1)
"""A transport stream sought to the time of its first frame begins after it (measured)."""


@dataclass(frozen=True, slots=True)
class Sample:
    """A frame that was decoded."""

    at: float
    """Seconds, in the file's own count."""
    tells: float
    """How much there is to see (`frames.tells`)."""
    frame: VideoFrame


def sampled_frames(
    container: av.container.InputContainer, stream: VideoStream, length: Fraction | None
) -> tuple[tuple[Glimpse, ...], list[Sample]]:
    """What was seen at each place, and the frames that were decoded there, each once.

    `length`: seconds (`stated_length`); where it isn't known only the first frame is tried.
    Raises nothing for what can't be decoded: its glimpse says so.
    """
    looks = [
        _at(container, stream, place, share, length)
        for place, share in (_PLACES if length else _PLACES[:1])
    ]
    if length:
        looks.append(_last(container, stream, length))
    if container.format.name in STREAMED:
        looks = [each for each in looks if each[1] is not None or each[0].place == "first"]
    # Short clips give one frame for several places: it stands for the one that has a name.
    named = [each for each in looks if each[0].place in ("first", "middle", "last")]
    taken = {id(each) for each in named}
    shown = {frame.pts for _, frame in named if frame is not None}
    glimpses: list[Glimpse] = []
    samples: list[Sample] = []
    for each in looks:
        one, frame = each
        if id(each) not in taken and frame is not None and frame.pts in shown:
            continue
        glimpses.append(one)
        if frame is not None:
            shown.add(frame.pts)
            samples.append(Sample(frame.time or 0.0, tells(one), frame))
    return tuple(glimpses), samples


def stated_length(container: av.container.InputContainer, stream: VideoStream) -> Fraction | None:
    """Seconds, by the stream, else by the container; None where neither says."""
    if stream.duration and stream.time_base:
        return stream.duration * stream.time_base
    return Fraction(container.duration, av.time_base) if container.duration else None


def _at(
    container: av.container.InputContainer,
    stream: VideoStream,
    place: str,
    share: Fraction,
    length: Fraction | None,
) -> tuple[Glimpse, VideoFrame | None]:
    there = (length or 0) * share
    most = max(1, _FORWARD // max(1, stream.width * stream.height))
    # Where a frame stands on the screen at the place meant, the next need not be decoded.
    shown = 1 / stream.average_rate if stream.average_rate else Fraction(0)
    start = float((stream.start_time or 0) * (stream.time_base or 0) - shown)
    frame: VideoFrame | None = None
    for back in _backs(container) if there else (Fraction(0),):
        try:
            if there:
                seek(container, stream, max(_BEFORE, there - back))
            for number, each in enumerate(frames_on(container, stream), 1):
                frame = each
                if number >= most or each.time is None or each.time - start >= there:
                    break
        except (av.FFmpegError, StopIteration) as error:
            return Glimpse(place, error=error_words(error)), None
        if frame is not None or back > there:
            break
    if frame is None:
        return Glimpse(place, error="no frame comes"), None
    return glimpse(frame, place), frame


def _backs(container: av.container.InputContainer) -> tuple[Fraction, ...]:
    return _BACK if container.format.name in STREAMED else _BACK[:1]


def _last(
    container: av.container.InputContainer,
    stream: VideoStream,
    length: Fraction,
) -> tuple[Glimpse, VideoFrame | None]:
    """The last frame: decoded on from the last place that can be sought to."""
    last: VideoFrame | None = None
    backs = _backs(container)
    for back in backs:
        try:
            seek(container, stream, max(_BEFORE, length - back))
            for frame in frames_on(container, stream):
                last = frame
        except (av.FFmpegError, StopIteration) as error:
            if len(backs) == 1:
                return Glimpse("last", error=error_words(error)), last
        if last is not None or back > length:
            break
    if last is None:
        return Glimpse("last", error="no frame comes"), None
    if last.is_corrupt:
        return Glimpse("last", error="the decoder calls it corrupt"), last
    start = (stream.start_time or 0) * (stream.time_base or 0)
    at = Fraction(last.pts or 0) * (last.time_base or 0) - start
    missing = length - at
    if last.pts is not None and missing > max(Fraction(1), length / 50):
        words = f"the last that can be is at {float(at):.2f} of {float(length):.2f} s"
        return Glimpse("last", error=words), last
    return glimpse(last, "last"), last
