"""One small JPEG for each clip: a telling frame, the still itself, or the sound's waveform.

Right way up and of the right aspect, 480 pixels at the longer side. Drawn by FFmpeg's own
scaler and MJPEG encoder, so that no picture library is needed.
"""

from __future__ import annotations

import contextlib
import io
import os
from array import array
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import av
import av.container
from av.audio.frame import AudioFrame
from av.audio.resampler import AudioResampler
from av.filter import Graph
from av.video.frame import VideoFrame
from av.video.reformatter import ColorRange
from av.video.stream import VideoStream

from ingest.media.facts import ClipFacts, ClipKind
from ingest.media.opening import CannotRead, open_media
from ingest.media.stills import embedded_thumbnail

__all__ = ["CannotDraw", "draw", "poster"]

_LONGER_SIDE = 480
_WAVE_SIZE = (480, 270)
_PLACES = (Fraction(1, 2), Fraction(1, 5), Fraction(4, 5), Fraction(1, 20), Fraction(0))
_PROOF = (32, 18)
_BLACK = 24
"""Mean luma (of 255) below which a frame counts as black; video black is 16."""
_TELLING = 300
"""Variance of luma that is enough: the search stops at the first frame that has it."""
_PACKETS = 400
"""The most packets looked at for one place."""
_WAVE_RATE = 8000
_WHOLE_SECONDS = 300
"""Longer sound is sampled: one short piece for each column."""


class CannotDraw(Exception):
    """No poster can be made of this file; `str()` says why."""


def poster(path: str | os.PathLike[str], out: Path, facts: ClipFacts) -> bool:
    """Draw the poster of `path` into the file `out` (JPEG). False, and no file, if it can't be.

    `facts` are those of `probe`. The file appears whole or not at all. Raises OSError only
    where `out` can't be written.
    """
    try:
        picture = draw(path, facts)
    except CannotDraw:
        return False
    unfinished = out.with_name(out.name + ".unfinished")
    try:
        unfinished.write_bytes(picture)
        os.replace(unfinished, out)
    except OSError:
        with contextlib.suppress(OSError):
            unfinished.unlink()
        raise
    return True


def draw(path: str | os.PathLike[str], facts: ClipFacts) -> bytes:
    """The poster as JPEG. Raises CannotDraw."""
    try:
        if facts.kind is ClipKind.SOUND:
            return _jpeg(_waveform(path))
        if facts.kind is ClipKind.STILL:
            return _still(path, facts)
        if facts.kind is ClipKind.PICTURE:
            return _jpeg(_shaped(_telling(path), facts))
    except CannotRead as error:
        raise CannotDraw(str(error)) from error
    except (av.FFmpegError, StopIteration) as error:
        raise CannotDraw(str(error) or "it ends before the first frame") from error
    except OSError as error:
        raise CannotDraw(error.strerror or str(error)) from error
    raise CannotDraw("it is no picture or sound")


def _telling(path: str | os.PathLike[str]) -> VideoFrame:
    """The frame with the most to see among a few places; the first that has enough."""
    best: tuple[float, VideoFrame] | None = None
    with open_media(path) as container:
        stream = container.streams.video[0] if container.streams.video else None
        if stream is None:
            raise CannotDraw("it holds no picture")
        stream.thread_type = "SLICE"
        for place in _PLACES:
            frame = _frame_at(container, stream, place)
            if frame is None:
                continue
            score = _score(frame)
            if best is None or score > best[0]:
                best = (score, frame)
            if score >= _TELLING:
                break
    if best is None:
        raise CannotDraw("no frame of it can be decoded")
    return best[1]


def _frame_at(
    container: av.container.InputContainer, stream: VideoStream, place: Fraction
) -> VideoFrame | None:
    length = container.duration or 0
    try:
        container.seek(int(length * place), backward=True)
        for number, packet in enumerate(container.demux(stream)):
            for frame in packet.decode():
                if isinstance(frame, VideoFrame):
                    return frame
            if number >= _PACKETS:
                break
    except (av.FFmpegError, StopIteration):
        return None  # this place can't be decoded, another may
    return None


def _score(frame: VideoFrame) -> float:
    """Variance of luma on a tiny copy; black frames score below everything else."""
    luma = _bytes(frame.reformat(width=_PROOF[0], height=_PROOF[1], format="gray"))
    mean = sum(luma) / len(luma)
    variance = sum((each - mean) ** 2 for each in luma) / len(luma)
    return variance if mean >= _BLACK else variance - 1_000_000


def _bytes(frame: VideoFrame) -> bytes:
    """The first plane without the padding at the end of its lines."""
    plane = frame.planes[0]
    whole = bytes(plane)
    if plane.line_size == frame.width:
        return whole[: frame.width * frame.height]
    return b"".join(
        whole[start : start + frame.width]
        for start in range(0, plane.line_size * frame.height, plane.line_size)
    )


def _shaped(frame: VideoFrame, facts: ClipFacts) -> VideoFrame:
    aspect = float(facts.display_aspect or 0) or frame.width / frame.height
    width: float
    height: float
    if not 0.05 < aspect < 20:
        aspect = frame.width / frame.height
    if aspect >= 1:
        width, height = _LONGER_SIDE, _LONGER_SIDE / aspect
    else:
        width, height = _LONGER_SIDE * aspect, _LONGER_SIDE
    small = frame.reformat(width=_even(width), height=_even(height), format="yuv420p")
    turn = facts.rotation or 0
    return _turned(small, turn) if turn in (90, 180, 270) else small


def _even(length: float) -> int:
    return max(2, 2 * round(length / 2))


def _turned(frame: VideoFrame, clockwise: int) -> VideoFrame:
    graph = Graph()
    last = graph.add_buffer(
        width=frame.width, height=frame.height, format=frame.format, time_base=Fraction(1, 1)
    )
    steps = {90: ["clock"], 180: ["clock", "clock"], 270: ["cclock"]}[clockwise]
    for step in steps:
        turn = graph.add("transpose", step)
        last.link_to(turn)
        last = turn
    sink = graph.add("buffersink")
    last.link_to(sink)
    graph.configure()
    graph.push(frame)
    turned = graph.pull()
    assert isinstance(turned, VideoFrame)
    return turned


def _jpeg(frame: VideoFrame) -> bytes:
    target = io.BytesIO()
    ready = frame.reformat(format="yuvj420p", dst_color_range=ColorRange.JPEG)
    ready.pts = 0
    ready.time_base = Fraction(1, 25)
    # One picture in a container of its own: the demuxer's bytes are a plain JPEG file.
    with av.open(target, "w", format="mjpeg") as container:
        stream = container.add_stream("mjpeg", rate=25, options={"qmin": "3", "qmax": "5"})
        stream.width, stream.height, stream.pix_fmt = ready.width, ready.height, "yuvj420p"
        container.mux(stream.encode(ready))
        container.mux(stream.encode())
    return target.getvalue()


def _still(path: str | os.PathLike[str], facts: ClipFacts) -> bytes:
    try:
        with open_media(path) as container:
            for frame in container.decode(video=0):
                return _jpeg(_shaped(frame, facts))
    except CannotRead:
        pass  # camera RAW: the camera's own thumbnail, below
    thumbnail = embedded_thumbnail(path)
    if thumbnail is None:
        raise CannotDraw("it can't be decoded here and carries no thumbnail")
    with av.open(io.BytesIO(thumbnail), "r", format="jpeg_pipe") as container:
        for frame in container.decode(video=0):
            return _jpeg(_shaped(frame, facts))
    raise CannotDraw("its thumbnail can't be decoded")


def _waveform(path: str | os.PathLike[str]) -> VideoFrame:
    """Peaks over time, all channels mixed, on a dark ground."""
    width, height = _WAVE_SIZE
    peaks = _peaks(path, width)
    loudest = max(peaks, default=0)
    if not peaks:
        raise CannotDraw("no sound of it can be decoded")
    luma = bytearray(b"\x20" * (width * height))
    middle = height // 2
    for column in range(width):
        peak = peaks[min(len(peaks) - 1, column * len(peaks) // width)]
        # To the loudest moment: quiet dialogue shows too. Silence stays a line.
        reach = round(peak / loudest * (middle - 8)) if loudest else 0
        for row in range(middle - reach, middle + reach + 1):
            luma[row * width + column] = 0xC8
    frame = VideoFrame(width, height, "gray")
    line = frame.planes[0].line_size
    frame.planes[0].update(
        b"".join(
            bytes(luma[start : start + width]).ljust(line, b"\0")
            for start in range(0, width * height, width)
        )
    )
    return frame


def _peaks(path: str | os.PathLike[str], columns: int) -> list[int]:
    with open_media(path) as container:
        if not container.streams.audio:
            raise CannotDraw("it holds no sound")
        seconds = (container.duration or 0) / av.time_base
        if seconds <= _WHOLE_SECONDS:
            samples = array("h")
            for piece in _mono(container, None):
                samples.extend(piece)
                if len(samples) > 2 * _WHOLE_SECONDS * _WAVE_RATE:
                    break
            step = max(1, len(samples) // columns)
            return [
                max(max(part), -min(part))
                for start in range(0, len(samples), step)
                if (part := samples[start : start + step])
            ]
        peaks = []
        for column in range(columns):
            try:
                container.seek(int(seconds * column / columns * av.time_base))
                piece = next(_mono(container, 1), array("h"))
            except av.FFmpegError:
                piece = array("h")
            peaks.append(max(max(piece), -min(piece)) if piece else 0)
        return peaks


def _mono(container: av.container.InputContainer, frames: int | None) -> Iterator[array[int]]:
    """Pieces of the first sound track as 16 bit mono at 8 kHz; `frames` limits how many."""
    resampler = AudioResampler(format="s16", layout="mono", rate=_WAVE_RATE)
    decoded = 0
    try:
        for frame in container.decode(audio=0):
            assert isinstance(frame, AudioFrame)
            for each in resampler.resample(frame):
                yield array("h", bytes(each.planes[0])[: 2 * each.samples])
            decoded += 1
            if frames is not None and decoded >= frames:
                return
    except (av.FFmpegError, StopIteration):
        return  # what came before the damage is drawn
