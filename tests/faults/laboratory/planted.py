"""The real program with a bug planted in it, and a stop after each commit of evidence. A program.

    python planted.py BUG ASK ANSWER WORD...

After each commit of evidence to the catalog one byte is written to the descriptor ASK and one
is awaited from ANSWER, so that the power can be cut at just that instant. The WORDs are the
program's own. BUG is one of `BUGS`, or "none" for the program as it is.
"""

from __future__ import annotations

import os
import signal
import stat
import sys
import threading
from collections.abc import Callable, Sequence
from typing import Any

__all__ = ["BUGS", "FOOTAGE_BUG", "KILLED"]

BUGS = ("flush left out", "folder flush left out", "evidence before flush")

FOOTAGE_BUG = "flush of footage left out"
"""Hidden by a journalling file system: the flush of our own journal takes all else with it."""

KILLED = "killed between rename and folder flush"
"""No bug of the program: when the stills of the card have their final names on a drive."""

_cut = threading.Event()
"""Set once the power was cut for the first time."""


def _without(wanted: Callable[[int], bool], flush: Callable[[int], None]) -> Callable[[int], None]:
    """A flush that does nothing for the descriptors that are wanted."""

    def flushed(fd: int) -> None:
        if not wanted(fd):
            flush(fd)

    return flushed


def _is_folder(fd: int) -> bool:
    return stat.S_ISDIR(os.fstat(fd).st_mode)


def _is_footage(fd: int) -> bool:
    return os.readlink(f"/proc/self/fd/{fd}").endswith(".unfinished")


def _plant(bug: str) -> None:
    from ingest import platforms
    from ingest.copying.finishing import Checked, Finisher, compare
    from ingest.evidence import State
    from ingest.jobs.offloading import ledger

    if bug == "flush left out":
        for name in ("flush", "flush_range", "flush_volume"):
            setattr(platforms, name, _without(lambda fd: True, getattr(platforms, name)))
    elif bug == FOOTAGE_BUG:
        platforms.flush_range = _without(lambda fd: True, platforms.flush_range)
        platforms.flush_volume = _without(lambda fd: True, platforms.flush_volume)
        platforms.flush = _without(_is_footage, platforms.flush)
    elif bug == "folder flush left out":
        platforms.flush = _without(_is_folder, platforms.flush)
    elif bug == KILLED:
        flush = platforms.flush

        def kill_or_flush(fd: int) -> None:
            if _is_folder(fd) and any(name.startswith("S0") for name in os.listdir(fd)):
                os.kill(os.getpid(), signal.SIGKILL)
            flush(fd)

        platforms.flush = kill_or_flush
    elif bug == "evidence before flush":
        ledger._BATCH_SECONDS = 0.0
        finish = Finisher.finish

        def told_first(self: Finisher, batch: Sequence[Checked]) -> None:
            for checked in batch:
                card = self._reads.of(checked.task)
                state, detail = compare(self._tasks[checked.task], card, checked)
                if state is State.MATCHED and checked.name is not None:
                    self._tell(checked, state, detail, written=True)
            _cut.wait(10)
            finish(self, batch)

        Finisher.finish = told_first  # type: ignore[method-assign]
    elif bug != "none":
        raise ValueError(bug)


def _stop_after_evidence(ask: int, answer: int) -> None:
    from ingest.catalog.catalog import Catalog

    record = Catalog.record_copied

    def recorded(self: Catalog, *words: Any, **named: Any) -> Any:
        result = record(self, *words, **named)
        os.write(ask, b"?")
        os.read(answer, 1)
        _cut.set()
        return result

    Catalog.record_copied = recorded  # type: ignore[method-assign]


if __name__ == "__main__":
    _plant(sys.argv[1])
    _stop_after_evidence(int(sys.argv[2]), int(sys.argv[3]))
    from ingest.cli.main import run

    sys.exit(run(sys.argv[4:]))
