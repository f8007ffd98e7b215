"""Reading what clips are: what it costs an offload, and how it scales over processors."""

from __future__ import annotations

import os
import tempfile
import time
from collections.abc import Sequence

from benchmarks import footage
from benchmarks.values import MB, BenchError, Row
from ingest.media.workers import ProbeItem, probe_many

__all__ = ["UNREAD", "probed"]

_CLIPS = 1000
_OF_A_CORE = 0.8
"""What each further processor must bring, of one."""

_WITHOUT = """
from ingest.jobs.offloading.clips import ClipReader
ClipReader._to_pool = lambda self, item: None
from ingest.cli.main import entry
entry()
"""
UNREAD: Sequence[str] = ("-c", _WITHOUT)
"""Arguments of Python for the program without the reading of clips, which no option turns off."""


def probed(scale: float) -> list[Row]:
    """A thousand clips by one worker, and by as many as there are processors.

    They are one clip under a thousand names, in the system's cache: what is measured is the
    reading itself, not the drive.
    """
    count = max(20, int(_CLIPS * scale))
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    if cores is None or cores < 2:
        raise BenchError("there is one processor only")
    with tempfile.TemporaryDirectory(prefix="ingest-bench-") as folder:
        footage.clips(folder, [8 * MB])
        first = os.path.join(folder, "CLIPS", "A001C001.mov")
        paths = [first]
        for number in range(2, count + 1):
            paths.append(os.path.join(folder, "CLIPS", f"A001C{number:04}.mov"))
            os.link(first, paths[-1])
        one = _seconds(paths, folder, 1)
        every = _seconds(paths, folder, cores)
    return [
        Row(
            case="probe",
            what=f"{count:,} clips read by 1 worker / by {cores}, facts and poster",
            ratio=one / every,
            goal=_OF_A_CORE * cores,
            sense="at least",
            seconds=every,
            floor_seconds=one,
            floor="one worker",
            details={"clips a second": round(count / every, 1)},
        )
    ]


def _seconds(paths: Sequence[str], folder: str, workers: int) -> float:
    items = [
        ProbeItem(path, path, os.path.join(folder, f"{workers}-{number}.jpg"))
        for number, path in enumerate(paths)
    ]
    begun = time.monotonic()
    results = list(probe_many(items, workers=workers, timeout_s=60))
    seconds = time.monotonic() - begun
    if any(result.facts.frame_rate is None or not result.poster_made for result in results):
        raise BenchError("a clip was not read")
    return seconds
