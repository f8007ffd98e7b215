"""Looking at a clip: the first, middle and last frame and some between, pieces of its sound; deep,
all of it. What was seen goes to `health.judge`, the frames to `posters`.

The file is opened once for its picture and once for its sound. Long clips cost no more than short
ones, unless deep.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction

import av
import av.container
from av.audio.stream import AudioStream
from av.stream import Discard
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from ingest.media.facts import ClipFacts, ClipKind
from ingest.media.frames import glimpse, luma, tells
from ingest.media.health import BLACK, Depth, Glimpse, Heard, Seen
from ingest.media.listening import HEARD_RATE, Clap, Piece, find_clap, listen, peaks
from ingest.media.opening import CannotRead, attached, open_media

__all__ = ["View", "view"]

_PLACES = (
    ("first", Fraction(0)),
    ("1/5", Fraction(1, 5)),
    ("middle", Fraction(1, 2)),
    ("4/5", Fraction(4, 5)),
)
_FORWARD = 50_000_000
"""Pixels decoded, at most, to come from the place that can be sought to nearer to the one meant."""
_PACKETS = 1200
"""The most packets looked at for one place."""
_TRACKS = 32
"""The most sound tracks that are listened to."""
_HEAD, _TAIL = 15.0, 12.0
_PIECE = 0.5
_CLOSED_S = 0.01
"""After the clap has begun: the sticks stand closed."""
_SLATE_S = 1.5
"""A slate is held in the picture about so long before and after it claps."""
_STREAMED = ("mpegts", "mpeg", "mpegvideo", "h264", "hevc", "m4v", "obu", "dv")
"""Without an index: seeking lands between whole frames, so that none comes is no damage there."""
_BACK = (Fraction(0), Fraction(2), Fraction(6), Fraction(15))
"""Seconds before the end from which its last frame is tried for, in such a container."""
_CHEAP = ("mov", "wav", "flac", "aiff", "caf", "w64")
"""Containers in which sound is read without the picture between."""


@dataclass(slots=True)
class View:
    """What a look gave, with the frames for its pictures."""

    seen: Seen
    frames: list[tuple[float, float, VideoFrame]] = field(default_factory=list)
    """What was decoded: seconds, how much there is to see, and the frame."""
    telling: VideoFrame | None = None
    """The frame with the most to see, neither black nor blurred where there is another."""
    slate: VideoFrame | None = None
    """The frame in which the slate claps; None where none was heard."""
    clap: Clap | None = None


def view(
    path: str | os.PathLike[str],
    facts: ClipFacts,
    *,
    deep: bool = False,
    alive: Callable[[], None] = lambda: None,
) -> View:
    """Look at the clip. Never raises for what is in the file; it may hang or crash in a decoder.

    `alive` is called now and then while a deep look goes on.
    """
    found = View(Seen())
    try:
        if facts.kind is ClipKind.PICTURE:
            _picture(path, facts, found)
        elif facts.kind is ClipKind.STILL and deep:
            _still(path, found)
        elif facts.kind is not ClipKind.SOUND:
            return View(Seen(depth=Depth.NONE))
        if found.seen.no_decoder or found.seen.error or facts.kind is ClipKind.STILL:
            return found
        if found.frames:
            found.telling = _most_telling(found)
        if facts.audio:
            _sound(path, facts, found)
            if found.frames:
                found.telling = _most_telling(found)
        if found.clap is not None and facts.kind is ClipKind.PICTURE:
            found.slate = _slate(path, found.clap)
        if deep:
            _deep(path, found, alive)
    except CannotRead as error:
        found.seen = replace(found.seen, error=str(error))
    return found


def _most_telling(found: View) -> VideoFrame:
    """Of the frames that aren't black one away from the slate, then the one with most to see."""
    at = found.clap.at if found.clap is not None else None

    def rank(each: tuple[float, float, VideoFrame]) -> tuple[bool, float, float]:
        away = _SLATE_S if at is None else min(abs(each[0] - at), _SLATE_S)
        return each[1] > 0, away, each[1]

    return max(found.frames, key=rank)[2]


def _still(path: str | os.PathLike[str], found: View) -> None:
    with open_media(path) as container:
        frame = next(container.decode(video=0))
        wrong = "the decoder calls it corrupt" if frame.is_corrupt else ""
        one = Glimpse("first", error=wrong) if wrong else glimpse(frame, "first")
        found.seen = Seen(glimpses=(one,), depth=Depth.DEEP, frames=1)
        found.telling = frame


# Picture ------------------------------------------------------------------------------------------


def _picture(path: str | os.PathLike[str], facts: ClipFacts, found: View) -> None:
    with open_media(path) as container:
        stream = _video(container)
        if stream is None:
            found.seen = Seen(error="it holds no picture")
            return
        if not _has_decoder(stream):
            found.seen = Seen(no_decoder=facts.codec or "Its codec")
            return
        stream.thread_type = "SLICE"
        length = _length(container, stream)
        glimpses: list[Glimpse] = []
        looks = [
            _at(container, stream, place, share, length)
            for place, share in (_PLACES if length else _PLACES[:1])
        ]
        if length:
            looks.append(_last(container, stream, length))
        if container.format.name in _STREAMED:
            looks = [each for each in looks if each[1] is not None or each[0].place == "first"]
        # Short clips give one frame for several places: it stands for the one that has a name.
        named = [each for each in looks if each[0].place in ("first", "middle", "last")]
        taken = {id(each) for each in named}
        shown = {frame.pts for _, frame in named if frame is not None}
        for each in looks:
            one, frame = each
            if id(each) not in taken and frame is not None and frame.pts in shown:
                continue
            glimpses.append(one)
            if frame is not None:
                shown.add(frame.pts)
                found.frames.append((frame.time or 0.0, tells(one), frame))
        seconds = facts.duration_seconds or length
        found.seen = Seen(
            glimpses=tuple(glimpses),
            picture_seconds=seconds,
            sound_seconds=tuple(
                each.duration * each.time_base if each.duration and each.time_base else None
                for each in container.streams.audio[:_TRACKS]
            ),
            frames=len(found.frames),
        )


def _video(container: av.container.InputContainer) -> VideoStream | None:
    return next((each for each in container.streams.video if not attached(each)), None)


def _has_decoder(stream: VideoStream | AudioStream) -> bool:
    return getattr(stream, "codec_context", None) is not None


def _length(container: av.container.InputContainer, stream: VideoStream) -> Fraction | None:
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
    try:
        if length and share:
            _seek(container, stream, length * share)
        frame = None
        most = max(1, _FORWARD // max(1, stream.width * stream.height))
        start = float((stream.start_time or 0) * (stream.time_base or 0))
        for number, each in enumerate(_frames(container, stream), 1):
            frame = each
            there = float(length * share) if length else 0.0
            if number >= most or each.time is None or each.time - start >= there:
                break
    except (av.FFmpegError, StopIteration) as error:
        return Glimpse(place, error=_words(error)), None
    if frame is None:
        return Glimpse(place, error="no frame comes"), None
    return glimpse(frame, place), frame


def _last(
    container: av.container.InputContainer,
    stream: VideoStream,
    length: Fraction,
) -> tuple[Glimpse, VideoFrame | None]:
    """The last frame: decoded on from the last place that can be sought to."""
    last: VideoFrame | None = None
    backs = _BACK if container.format.name in _STREAMED else _BACK[:1]
    for back in backs:
        try:
            _seek(container, stream, max(Fraction(-1), length - back))
            for frame in _frames(container, stream):
                last = frame
        except (av.FFmpegError, StopIteration) as error:
            if len(backs) == 1:
                return Glimpse("last", error=_words(error)), last
        if last is not None or back >= length:
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


def _seek(container: av.container.InputContainer, stream: VideoStream, seconds: Fraction) -> None:
    base = stream.time_base or Fraction(1, 1000)
    container.seek(int(seconds / base) + (stream.start_time or 0), stream=stream, backward=True)


def _frames(container: av.container.InputContainer, stream: VideoStream) -> Iterator[VideoFrame]:
    for number, packet in enumerate(container.demux(stream)):
        yield from packet.decode()
        if number >= _PACKETS:
            return


def _words(error: BaseException) -> str:
    strerror = getattr(error, "strerror", None)
    return str(strerror or error or "it ends before the frame").rstrip(".")


# Sound --------------------------------------------------------------------------------------------


def _sound(path: str | os.PathLike[str], facts: ClipFacts, found: View) -> None:
    with open_media(path) as container:
        for each in container.streams.video:
            each.discard = Discard.all
        tracks = list(container.streams.audio[:_TRACKS])
        cheap = any(each in container.format.name for each in _CHEAP)
        heard = []
        for number, track in enumerate(tracks):
            if not _has_decoder(track):
                continue
            windows = _windows(container, track, long=number == 0, cheap=cheap)
            one, claps = _heard(container, track, windows)
            heard.append(one)
            if number == 0:
                found.clap = _which(claps)
        found.seen = replace(found.seen, sounds=tuple(heard))
        if not heard and facts.kind is ClipKind.SOUND:
            found.seen = replace(found.seen, no_decoder=facts.codec or "Its codec")


def _windows(
    container: av.container.InputContainer, track: AudioStream, *, long: bool, cheap: bool
) -> list[tuple[float, float]]:
    """Where to listen: start and length, in seconds. Head and tail first, for the slate."""
    seconds = float(track.duration * track.time_base) if track.duration and track.time_base else 0.0
    seconds = seconds or float(container.duration or 0) / av.time_base
    head, tail = (_HEAD, _TAIL) if cheap else (_HEAD / 3, _TAIL / 3)
    if not long:
        head = tail = _PIECE
    if seconds <= head + tail:
        return [(0.0, seconds or head)]
    return [(0.0, head), (seconds - tail, tail), (seconds / 2, _PIECE)]


def _heard(
    container: av.container.InputContainer,
    track: AudioStream,
    windows: Sequence[tuple[float, float]],
) -> tuple[Heard, list[Clap | None]]:
    every: list[Piece] = []
    claps: list[Clap | None] = []
    error = ""
    places = 0
    for start, seconds in windows:
        pieces: list[Piece] = []
        try:
            pieces.extend(listen(container, track, start=start, seconds=seconds))
        except (av.FFmpegError, StopIteration) as failed:
            error = error or _words(failed)
        places += bool(pieces)
        every += pieces
        claps.append(find_clap(pieces) if seconds > _PIECE else None)
    if not places and not error:
        error = "no sound comes"
    return Heard(peaks(every), places, error), claps


def _which(claps: Sequence[Clap | None]) -> Clap | None:
    """Of the transients at both ends the slate's: the head's, unless the tail's is far sharper."""
    head, tail = (*claps, None, None)[:2]
    if head is None or tail is None:
        return head or tail
    return tail if tail.strength > 2 * head.strength else head


def _slate(path: str | os.PathLike[str], clap: Clap) -> VideoFrame | None:
    """The frame that stands when the slate claps."""
    last: VideoFrame | None = None
    try:
        with open_media(path) as container:
            stream = _video(container)
            if stream is None:
                return None
            stream.thread_type = "SLICE"
            at = clap.at + _CLOSED_S
            _seek(container, stream, Fraction(at).limit_denominator(1000))
            for frame in _frames(container, stream):
                if frame.time is not None and frame.time > at and last is not None:
                    return last
                last = frame
    except (CannotRead, av.FFmpegError, StopIteration):
        return None  # the health of that frame is judged elsewhere
    return last


# Deep ---------------------------------------------------------------------------------------------


def _deep(path: str | os.PathLike[str], found: View, alive: Callable[[], None]) -> None:
    """Every packet decoded: picture, then each sound track."""
    seen = replace(found.seen, depth=Depth.DEEP, frames=0)
    with open_media(path) as container:
        stream = _video(container)
        if stream is not None and _has_decoder(stream):
            seen = _every_frame(container, stream, seen, alive)
        heard = []
        lengths = []
        tracks = [each for each in container.streams.audio[:_TRACKS] if _has_decoder(each)]
        for track in tracks:
            one, seconds = _every_sample(path, track.index, alive)
            heard.append(one)
            lengths.append(seconds)
    found.seen = replace(seen, sounds=tuple(heard), sound_seconds=tuple(lengths))


def _every_frame(
    container: av.container.InputContainer,
    stream: VideoStream,
    seen: Seen,
    alive: Callable[[], None],
) -> Seen:
    frames = bad = same = black = 0
    first_bad: Fraction | None = None
    before: bytes | None = None
    tried: set[str] = set()
    for packet in container.demux(stream):
        alive()
        at = packet.pts * packet.time_base if packet.pts is not None and packet.time_base else None
        try:
            decoded = packet.decode()
        except (av.FFmpegError, StopIteration):
            bad += 1
            first_bad = at if first_bad is None else first_bad
            continue
        for frame in decoded:
            frames += 1
            if frame.is_corrupt:
                bad += 1
                first_bad = at if first_bad is None else first_bad
            if "moves" in tried and "lit" in tried:
                continue
            small = luma(frame, 64, 36)
            if before is not None and small == before:
                same += 1
            elif before is not None:
                tried.add("moves")
            if sum(small) <= BLACK * len(small):
                black += 1
            else:
                tried.add("lit")
            before = small
    return replace(
        seen,
        frames=frames,
        bad_frames=bad,
        first_bad=first_bad,
        same_frames=same,
        black_frames=black,
    )


def _every_sample(
    path: str | os.PathLike[str], index: int, alive: Callable[[], None]
) -> tuple[Heard, Fraction | None]:
    loudest: list[float] = []
    heard = False
    error = ""
    samples = 0
    with open_media(path) as container:
        for each in container.streams.video:
            each.discard = Discard.all
        track = next(each for each in container.streams.audio if each.index == index)
        try:
            for piece in listen(container, track):
                alive()
                heard = True
                if not piece.channels:
                    continue
                now = peaks([piece])
                loudest += [0.0] * (len(now) - len(loudest))
                loudest = [max(a, b) for a, b in zip(loudest, now, strict=True)]
                samples += len(piece.channels[0])
        except (av.FFmpegError, StopIteration) as failed:
            error = _words(failed)
    if not heard and not error:
        error = "no sound comes"
    return Heard(tuple(loudest), int(heard), error), Fraction(samples, HEARD_RATE)
