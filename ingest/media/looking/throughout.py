"""All of a clip: every frame and every sample decoded."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction

import av
import av.container
from av.stream import Discard
from av.video.stream import VideoStream

from ingest.media.health import Depth
from ingest.media.looking.frames import luma
from ingest.media.looking.listening import HEARD_RATE, listen, peaks
from ingest.media.looking.sampled_sound import MOST_TRACKS
from ingest.media.looking.seen import BLACK, Heard, Seen
from ingest.media.looking.streams import error_words, has_decoder, picture_of
from ingest.media.opening import open_media

__all__ = ["all_of_it"]

_MOVES = 100
"""Frames that differ from the one before after which a picture is known to move: comparing all of
a long clip would cost as much as decoding it."""


def all_of_it(path: str | os.PathLike[str], seen: Seen, alive: Callable[[], None]) -> Seen:
    """`seen` with every packet decoded: picture, then each sound track.

    `alive` is called now and then. Raises CannotRead.
    """
    seen = replace(seen, depth=Depth.DEEP, frames=0)
    with open_media(path) as container:
        stream = picture_of(container)
        if stream is not None and has_decoder(stream):
            seen = _every_frame(container, stream, seen, alive)
        heard = []
        lengths = []
        tracks = [each for each in container.streams.audio[:MOST_TRACKS] if has_decoder(each)]
        for track in tracks:
            one, seconds = _every_sample(path, track.index, alive)
            heard.append(one)
            lengths.append(seconds)
    return replace(seen, sounds=tuple(heard), sound_seconds=tuple(lengths))


def _every_frame(
    container: av.container.InputContainer,
    stream: VideoStream,
    seen: Seen,
    alive: Callable[[], None],
) -> Seen:
    frames = bad = same = moves = black = 0
    lit = False
    first_bad: Fraction | None = None
    before: bytes | None = None
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
            if moves > _MOVES and lit:
                continue
            small = luma(frame, 64, 36)
            if small == before:
                same += 1
            else:
                moves += before is not None
            if sum(small) <= BLACK * len(small):
                black += 1
            else:
                lit = True
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
            error = error_words(failed)
    if not heard and not error:
        error = "no sound comes"
    return Heard(tuple(loudest), int(heard), error), Fraction(samples, HEARD_RATE)
