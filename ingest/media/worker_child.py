"""The other side of `workers`: one process that probes the files it is told, one by one.

It reads a JSON line for each file and answers with the facts, then with the poster. It ends
when its input ends, even in the middle of a decoder: the parent is gone then.
"""

from __future__ import annotations

import contextlib
import json
import os
import queue
import signal
import sys
import threading
from pathlib import Path
from typing import BinaryIO

__all__ = ["main"]

# A damaged file may claim any size: the worker dies of it, not the machine.
_MOST_MEMORY = 6 << 30


def main() -> None:
    """Work until standard input ends."""
    answers = _private_output()
    _modest()
    requests: queue.SimpleQueue[bytes] = queue.SimpleQueue()
    threading.Thread(target=_listen, args=(sys.stdin.buffer, requests), daemon=True).start()

    from ingest.media.facts_json import facts_to_json
    from ingest.media.posters import poster
    from ingest.media.probe import probe

    while True:
        request = json.loads(requests.get())
        facts = probe(request["path"])
        _say(answers, facts_to_json(facts))
        if request["poster"] is None:
            continue
        try:
            made = poster(request["path"], Path(request["poster"]), facts)
            _say(answers, {"made": made, "problem": ""})
        except OSError as error:
            problem = f"The poster can't be written: {error.strerror or error}."
            _say(answers, {"made": False, "problem": problem})


def _private_output() -> BinaryIO:
    """The pipe to the parent, where no library can print into it."""
    answers = os.fdopen(os.dup(1), "wb")
    nothing = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nothing, 1)
    os.close(nothing)
    return answers


def _listen(source: BinaryIO, requests: queue.SimpleQueue[bytes]) -> None:
    for line in source:
        requests.put(line)
    os._exit(0)


def _modest() -> None:
    """Below everyone else in processor time, bounded in memory, deaf to Ctrl-C (the parent's)."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if sys.platform != "win32":  # Windows has no such limits
        import resource

        with contextlib.suppress(OSError):
            os.nice(10)
        with contextlib.suppress(ValueError, OSError):
            resource.setrlimit(resource.RLIMIT_AS, (_MOST_MEMORY, _MOST_MEMORY))
            resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def _say(answers: BinaryIO, document: dict[str, object]) -> None:
    answers.write(json.dumps(document).encode("ascii") + b"\n")
    answers.flush()
