"""Sound, heard in pieces: peaks by channel, the waveform's columns, and the clap of a slate.

All at 8 kHz and 16 bit, which is enough for both and quick without a numeric library.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from operator import sub

import av
import av.container
from av.audio.frame import AudioFrame
from av.audio.resampler import AudioResampler
from av.audio.stream import AudioStream

__all__ = ["HEARD_RATE", "Clap", "Piece", "find_clap", "listen", "peaks"]

HEARD_RATE = 8000
_HOP = HEARD_RATE // 200
"""5 ms: a clap rises within one."""
_LOUD = 0.04
_RISE = 5.0
_FADE = 0.4


@dataclass(frozen=True, slots=True)
class Piece:
    """A stretch of sound: `start` in seconds, samples of each channel."""

    start: float
    channels: tuple[array[int], ...]


@dataclass(frozen=True, slots=True)
class Clap:
    """The sharp transient of a slate: when, in seconds, and how far it stands out."""

    at: float
    strength: float


def listen(
    container: av.container.InputContainer,
    stream: AudioStream,
    *,
    start: float | None = None,
    seconds: float | None = None,
) -> Iterator[Piece]:
    """The sound of one track from `start` (None: where the container stands) for `seconds`
    (None: to its end). Raises av.FFmpegError where it can't be decoded."""
    if start is not None and stream.time_base:
        _seek(container, stream, start)
    resampler = AudioResampler(format="s16p", rate=HEARD_RATE)
    end = None if seconds is None else (start or 0.0) + seconds
    at: float | None = None
    for packet in container.demux(stream):
        for frame in packet.decode():
            at = frame.time or 0.0
            if end is not None and at >= end:
                return
            for each in resampler.resample(frame):
                yield _piece(at, each)
    if at is not None:
        for each in resampler.resample(None):  # what its filter still holds
            yield _piece(at, each)
        yield Piece(at, ())  # a few samples come to none at this rate, and were decoded


def _seek(container: av.container.InputContainer, stream: AudioStream, start: float) -> None:
    """To `start` by the track, or by the picture where the sound has no keys in the file's index
    (some AVIs)."""
    try:
        container.seek(int(start / (stream.time_base or 1)), stream=stream, backward=True)
    except av.FFmpegError:
        picture = next(iter(container.streams.video), None)
        if picture is None or not picture.time_base:
            raise
        container.seek(int(start / picture.time_base), stream=picture, backward=True)


def _piece(at: float, frame: AudioFrame) -> Piece:
    length = 2 * frame.samples
    return Piece(at, tuple(array("h", bytes(plane)[:length]) for plane in frame.planes))


def peaks(pieces: Sequence[Piece]) -> tuple[float, ...]:
    """The loudest sample of each channel, full scale being 1."""
    found: list[int] = []
    for piece in pieces:
        for number, samples in enumerate(piece.channels):
            if number == len(found):
                found.append(0)
            if samples:
                found[number] = max(found[number], max(samples), -min(samples))
    return tuple(each / 32768 for each in found)


def find_clap(pieces: Sequence[Piece]) -> Clap | None:
    """The sharpest transient: out of the quiet within 5 ms, loud, and gone soon after. Pure.

    Common practice, no source: two sticks ring shorter than a word or a door.
    """
    if not pieces:
        return None
    samples = array("h")
    for piece in pieces:
        if piece.channels:
            samples.extend(piece.channels[0])
    # Steps from sample to sample: a clap is bright, a voice is not.
    samples = array("i", map(sub, samples[1:], samples))
    hops = [
        max(max(part), -min(part)) / 32768
        for start in range(0, len(samples) - _HOP + 1, _HOP)
        if (part := samples[start : start + _HOP])
    ]
    best: tuple[float, int] | None = None
    for number in range(8, len(hops) - 3):
        peak = max(hops[number : number + 3])
        before = max(hops[number - 8 : number])
        if peak < _LOUD or peak < _RISE * before or hops[number] < peak / 3:
            continue
        after = hops[number + 30 : number + 40]
        if after and max(after) > _FADE * peak:
            continue
        strength = peak / (before + 0.002)
        if best is None or strength > best[0]:
            best = (strength, number)
    if best is None:
        return None
    return Clap(pieces[0].start + best[1] * _HOP / HEARD_RATE, best[0])
