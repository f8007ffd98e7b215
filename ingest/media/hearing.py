"""The sound of a file as one channel, decoded in a process of its own with a time limit.

A decoder that hangs or crashes takes nobody with it. It is bounded and mixed to one
channel by `ingest.media.hearing_child`, which is that process.
"""

from __future__ import annotations

import json
import subprocess
import sys
from array import array
from pathlib import Path

__all__ = ["CannotHear", "hear"]

_CHILD = (
    "import sys; sys.path.insert(0, sys.argv[1]); "
    "from ingest.media.hearing_child import main; main()"
)
_HOME = str(Path(__file__).resolve().parents[2])


class CannotHear(Exception):
    """The sound could not be decoded; `str()` says why in a few words."""


def hear(path: str, *, timeout_s: float) -> array[int]:
    """16-bit samples at `ingest.media.looking.listening.HEARD_RATE`, from where the picture starts.

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
