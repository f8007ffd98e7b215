"""The sound of a file as one channel, decoded in a process of its own with a time limit.

A decoder that hangs or crashes takes nobody with it. What is given is bounded: the first
`MOST_SECONDS` of the first sound track, all its channels mixed to one. Needs numpy.
"""

from __future__ import annotations

import json
import subprocess
import sys
from array import array
from pathlib import Path

__all__ = ["MOST_SECONDS", "CannotHear", "hear", "main"]

MOST_SECONDS = 1200
"""Seconds of a file that are decoded: 19 MB of samples. Takes are shorter."""

_CHILD = (
    "import sys; sys.path.insert(0, sys.argv[1]); from ingest.media.hearing import main; main()"
)
_HOME = str(Path(__file__).resolve().parents[2])


class CannotHear(Exception):
    """The sound could not be decoded; `str()` says why in a few words."""


def hear(path: str, *, timeout_s: float) -> array[int]:
    """16-bit samples at `ingest.media.listening.HEARD_RATE`, from where the picture starts.

    `timeout_s`: the limit for the whole file, in seconds. Raises CannotHear.
    """
    try:
        done = subprocess.run(
            # -P: nothing is imported from the folder that happens to be current
            [sys.executable, "-P", "-c", _CHILD, _HOME],
            input=json.dumps(path).encode("ascii"),
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            timeout=timeout_s,
            check=False,
        )
    except subprocess.TimeoutExpired:
        raise CannotHear(f"the decoder gave no answer within {timeout_s:g} s") from None
    if done.returncode < 0:
        raise CannotHear(f"the decoder crashed (signal {-done.returncode})")
    head, _, body = done.stdout.partition(b"\n")
    if done.returncode or not head:
        raise CannotHear("the decoder ended")
    problem = json.loads(head)
    if problem:
        raise CannotHear(problem)
    return array("h", body)


def main() -> None:
    """The other side: one path (JSON) from standard input; out come a line, empty text in JSON or
    what went wrong, and the samples."""
    from ingest.media.opening import CannotRead
    from ingest.media.worker_child import modest, private_output

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
    import numpy as np

    from ingest.media.listening import HEARD_RATE, listen
    from ingest.media.opening import CannotRead, open_media

    mixed = bytearray()
    most = 2 * MOST_SECONDS * HEARD_RATE
    with open_media(path) as container:
        if not container.streams.audio:
            raise CannotRead("it has no sound")
        for piece in listen(container, container.streams.audio[0], seconds=MOST_SECONDS):
            if not piece.channels:
                continue
            if not mixed and piece.start > 0:  # the sound begins after the picture
                late = min(round(piece.start * HEARD_RATE), most // 2)
                mixed += bytes(2 * late)
            channels = np.array(piece.channels, dtype=np.int32)
            mixed += (channels.sum(axis=0) // len(channels)).astype(np.int16).tobytes()
    return bytes(mixed[:most])
