"""The other side of `workers`: one process that probes the files it is told, one by one.

It reads a JSON line for each file and answers with the facts, then with its health, then
with whether pictures of it were drawn. It ends
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
import time
from collections.abc import Callable
from pathlib import Path
from typing import BinaryIO

__all__ = ["main", "modest", "private_output"]

# A damaged file may claim any size: the worker dies of it, not the machine.
_MOST_MEMORY = 6 << 30
_BEAT_S = 1.0


def main() -> None:
    """Work until standard input ends."""
    answers = private_output()
    modest()
    requests: queue.SimpleQueue[bytes] = queue.SimpleQueue()
    threading.Thread(target=_listen, args=(sys.stdin.buffer, requests), daemon=True).start()

    from ingest.media.facts_json import facts_to_json
    from ingest.media.health_json import health_to_json
    from ingest.media.judging import judge
    from ingest.media.looking.viewing import view
    from ingest.media.posters import draw_slate, poster, write
    from ingest.media.reading.probe import probe

    while True:
        request = json.loads(requests.get())
        path, out, slate_out = request["path"], request["poster"], request["slate"]
        facts = probe(path)
        _say(answers, facts_to_json(facts))
        seen = view(path, facts, deep=request["deep"], alive=_heartbeat(answers))
        _say(answers, health_to_json(judge(facts, seen.seen, name=path)))
        made, drawn, problem = False, False, ""
        try:
            made = out is not None and poster(path, Path(out), facts, seen)
            slate = draw_slate(facts, seen) if slate_out is not None else None
            if slate is not None:
                write(slate, Path(slate_out))
                drawn = True
        except OSError as error:
            problem = f"The poster can't be written: {error.strerror or error}."
        _say(answers, {"made": made, "slate": drawn, "problem": problem})


def _heartbeat(answers: BinaryIO) -> Callable[[], None]:
    """Says now and then that a long look goes on; a decoder that hangs says nothing."""
    last = time.monotonic()

    def alive() -> None:
        nonlocal last
        if time.monotonic() - last >= _BEAT_S:
            last = time.monotonic()
            _say(answers, {"alive": True})

    return alive


def private_output() -> BinaryIO:
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


def modest() -> None:
    """Below everyone else in processor time, bounded in memory, deaf to Ctrl-C (the parent's)."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if sys.platform != "win32":  # Windows has no such limits
        import resource

        with contextlib.suppress(OSError):
            os.nice(19)
        with contextlib.suppress(ValueError, OSError):
            resource.setrlimit(resource.RLIMIT_AS, (_MOST_MEMORY, _MOST_MEMORY))
            resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def _say(answers: BinaryIO, document: dict[str, object]) -> None:
    answers.write(json.dumps(document).encode("ascii") + b"\n")
    answers.flush()
