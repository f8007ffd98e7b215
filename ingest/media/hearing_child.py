"""The other side of `hearing`: one process that decodes the sound of one file.

The first `MOST_SECONDS` of the first sound track, all its channels mixed to one. Needs numpy.
"""

from __future__ import annotations

import json
import sys

import av.container
import numpy as np

from ingest.media.looking.listening import HEARD_RATE, listen
from ingest.media.opening import CannotRead, attached, open_media
from ingest.media.worker_child import modest, private_output

__all__ = ["MOST_SECONDS", "main"]

MOST_SECONDS = 1200
"""Seconds of a file that are decoded: 19 MB of samples. Takes are shorter."""


def main() -> None:
    """Decode the one path (JSON) that standard input holds; out come a line, empty text in JSON or
    what went wrong, and the samples."""
    answers = private_output()
    modest()
    problem, samples = "", b""
    try:
        samples = _decoded(json.loads(sys.stdin.buffer.read()))
    except CannotRead as error:
        problem = str(error) or "it can't be decoded"
    answers.write(json.dumps(problem).encode("ascii") + b"\n" + samples)
    answers.flush()


def _decoded(path: str) -> bytes:
    mixed = bytearray()
    most = 2 * MOST_SECONDS * HEARD_RATE
    with open_media(path) as container:
        if not container.streams.audio:
            raise CannotRead("it has no sound")
        begin = _begin(container)
        for piece in listen(container, container.streams.audio[0]):
            if not piece.channels:
                continue
            if not mixed and piece.start > begin:  # the sound begins after the picture
                mixed += bytes(2 * min(round((piece.start - begin) * HEARD_RATE), most // 2))
            channels = np.array(piece.channels, dtype=np.int32)
            mixed += (channels.sum(axis=0) // len(channels)).astype(np.int16).tobytes()
            if len(mixed) >= most:
                break
    return bytes(mixed[:most])


def _begin(container: av.container.InputContainer) -> float:
    """When the picture starts, in seconds: a transport stream may count from anywhere. Without
    a picture, when the file does."""
    for stream in container.streams.video:
        if not attached(stream) and stream.start_time is not None and stream.time_base:
            return float(stream.start_time * stream.time_base)
    return (container.start_time or 0) / 1_000_000  # libav's own unit, AV_TIME_BASE
