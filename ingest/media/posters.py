"""Small JPEGs of a clip: a telling frame and the slate, the still itself, or the sound's waveform.

Right way up and of the right aspect, 480 pixels at the longer side. Drawn by FFmpeg's own
scaler and MJPEG encoder, so that no picture library is needed.
"""

from __future__ import annotations

import contextlib
import io
import os
from array import array
from collections import Counter
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import av
import av.container
from av.filter import Graph
from av.video.frame import VideoFrame
from av.video.reformatter import ColorRange, Interpolation

from ingest.media.facts import ClipFacts, ClipKind
from ingest.media.heif import read_heif
from ingest.media.looking.listening import HEARD_RATE, listen
from ingest.media.looking.still import small_still
from ingest.media.looking.viewing import View, view
from ingest.media.opening import CannotRead, open_media
from ingest.media.reading.stills import embedded_thumbnail
from ingest.media.toning import tone

__all__ = ["CannotDraw", "draw", "draw_slate", "poster", "write"]

_LONGER_SIDE = 480
_WAVE_SIZE = (480, 270)
_WHOLE_SECONDS = 300
"""Longer sound is sampled: one short piece for each column."""


class CannotDraw(Exception):
    """No poster can be made of this file; `str()` says why."""


def poster(
    path: str | os.PathLike[str], out: Path, facts: ClipFacts, seen: View | None = None
) -> bool:
    """Draw the poster of `path` into the file `out` (JPEG). False, and no file, if it can't be.

    `facts` are those of `probe`, `seen` what `view` gave where that was done already. The file
    appears whole or not at all. Raises OSError only where `out` can't be written.
    """
    try:
        picture = draw(path, facts, seen)
    except CannotDraw:
        return False
    write(picture, out)
    return True


def write(picture: bytes, out: Path) -> None:
    """The picture as a file that appears whole or not at all. Raises OSError."""
    unfinished = out.with_name(out.name + ".unfinished")
    try:
        unfinished.write_bytes(picture)
        os.replace(unfinished, out)
    except OSError:
        with contextlib.suppress(OSError):
            unfinished.unlink()
        raise


def draw(path: str | os.PathLike[str], facts: ClipFacts, seen: View | None = None) -> bytes:
    """The poster as JPEG. Raises CannotDraw."""
    try:
        if seen is not None and seen.seen.no_decoder:
            raise CannotDraw(f"{seen.seen.no_decoder} can't be decoded here")
        if facts.kind is ClipKind.SOUND:
            return _jpeg(_waveform(path))
        if facts.kind is ClipKind.STILL:
            return _still(path, facts)
        if facts.kind is ClipKind.PICTURE:
            seen = seen or view(path, facts)
            if seen.telling is None:
                raise CannotDraw(seen.seen.error or "no frame of it can be decoded")
            return _jpeg(_shaped(seen.telling, facts))
    except CannotRead as error:
        raise CannotDraw(str(error)) from error
    except (av.FFmpegError, StopIteration) as error:
        raise CannotDraw(str(error) or "it ends before the first frame") from error
    except OSError as error:
        raise CannotDraw(error.strerror or str(error)) from error
    raise CannotDraw("it is no picture or sound")


def draw_slate(facts: ClipFacts, seen: View) -> bytes | None:
    """The frame of the slate as JPEG; None where no slate was heard, or it can't be drawn."""
    if seen.slate is None:
        return None
    try:
        return _jpeg(_shaped(seen.slate, facts))
    except av.FFmpegError:
        return None


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
    small = frame.reformat(
        width=_even(width),
        height=_even(height),
        format="yuv420p",
        dst_color_range=ColorRange.MPEG,
        interpolation=Interpolation.AREA,
    )
    turn = facts.rotation or 0
    small = _turned(small, turn) if turn in (90, 180, 270) else small
    return _toned(small, facts)


def _toned(frame: VideoFrame, facts: ClipFacts) -> VideoFrame:
    """Log and HDR made readable; `frame` is yuv420p in video range."""
    planes = [bytes(plane) for plane in frame.planes]
    line = frame.planes[0].line_size
    counted: Counter[int] = Counter()
    for start in range(0, line * frame.height, line):
        counted.update(planes[0][start : start + frame.width])
    histogram = [counted[value] for value in range(256)]
    toned = tone(facts, histogram)
    if toned is None:
        return frame
    ready = VideoFrame(frame.width, frame.height, "yuv420p")
    tables = (toned.luma, toned.chroma, toned.chroma)
    for plane, source, old, table in zip(ready.planes, planes, frame.planes, tables, strict=True):
        step = old.line_size
        plane.update(
            b"".join(
                source[start : start + plane.width].translate(table).ljust(plane.line_size, b"\0")
                for start in range(0, step * plane.height, step)
            )
        )
    ready.color_range = ColorRange.MPEG
    return ready


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
    """The camera's own small picture, which costs next to nothing; else the whole one, decoded."""
    thumbnail = embedded_thumbnail(path)
    if thumbnail is not None:
        try:
            with av.open(io.BytesIO(thumbnail), "r", format="jpeg_pipe") as container:
                for frame in container.decode(video=0):
                    return _jpeg(_shaped(frame, facts))
        except (av.FFmpegError, StopIteration):
            pass  # a damaged thumbnail: the picture itself may be whole
    try:
        with open_media(path) as container:
            small = small_still(container, read_heif(path))
            if small is not None:
                return _jpeg(_shaped(small, facts))
    except CannotRead as error:
        raise CannotDraw("it can't be decoded here and carries no thumbnail") from error
    raise CannotDraw("no picture of it can be decoded")


def _waveform(path: str | os.PathLike[str]) -> VideoFrame:
    """Peaks over time, of the loudest channel, on a dark ground."""
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
            for piece in _mono(container, None, None):
                samples.extend(piece)
                if len(samples) > 2 * _WHOLE_SECONDS * HEARD_RATE:
                    break
            step = max(1, len(samples) // columns)
            return [
                max(max(part), -min(part))
                for start in range(0, len(samples), step)
                if (part := samples[start : start + step])
            ]
        peaks = []
        for column in range(columns):
            piece = next(_mono(container, seconds * column / columns, 1), array("h"))
            peaks.append(max(max(piece), -min(piece)) if piece else 0)
        return peaks


def _mono(
    container: av.container.InputContainer, start: float | None, pieces: int | None
) -> Iterator[array[int]]:
    """Pieces of the first sound track, loudest channel; what comes before damage is drawn."""
    stream = container.streams.audio[0]
    try:
        for number, piece in enumerate(listen(container, stream, start=start), 1):
            if piece.channels:
                yield _loudest(piece.channels)
            if pieces is not None and number >= pieces:
                return
    except (av.FFmpegError, StopIteration):
        return


def _loudest(channels: tuple[array[int], ...]) -> array[int]:
    return max(channels, key=lambda each: max(max(each), -min(each)) if each else 0)
