"""Drives read again: one reader a physical device, several devices at once.

Every worker puts what it found into one queue, and goes on whatever happens to one file; the
caller's thread takes the findings in the order they come and waits with limits only.
"""

from __future__ import annotations

import os
import queue
import threading
import time
from collections.abc import Callable, Iterator, Sequence

from ingest.assurance.audit import judge
from ingest.assurance.rereading import one_copy
from ingest.assurance.rereading.unlisted import unknown_files
from ingest.assurance.rereading.values import (
    Checked,
    DriveGone,
    DriveTask,
    Finding,
    Item,
    Progress,
    Speed,
    TimeUp,
    UnknownFile,
)
from ingest.assurance.schedule import fits
from ingest.copying.reading import open_root
from ingest.drives import Volume, same_device
from ingest.evidence import State

__all__ = ["device_groups", "reread"]

_TICK = 0.2
_LEAVE = 1.5
_FAILURES = 5
"""Files in a row that can't be read, after which the drive itself is taken to have failed."""


def device_groups(volumes: Sequence[Volume]) -> tuple[tuple[int, ...], ...]:
    """Indexes of the volumes, those not shown to be on different devices together."""
    groups: list[list[int]] = []
    for number, volume in enumerate(volumes):
        touching = [
            group for group in groups if any(same_device(volume, volumes[one]) for one in group)
        ]
        merged = sorted(one for group in touching for one in group)
        groups = [group for group in groups if group not in touching]
        groups.append([*merged, number])
    return tuple(tuple(group) for group in sorted(groups))


def reread(
    tasks: Sequence[DriveTask],
    *,
    quick: bool,
    stop: threading.Event,
    tell: Callable[[Progress], None],
    budget: float | None = None,
    clock: Callable[[], float] = time.monotonic,
) -> Iterator[Finding]:
    """Look at every item of every task, in their order, and yield what is found as it is found.

    `quick`: presence, size and time only. When `stop` is set, the iterator ends within two
    seconds; what was not reached is simply not among the findings. `budget`: seconds for all of
    it; a file that would not be through in them, at the speed measured on its drive, is not begun.
    """
    work = _Work(tasks, quick, stop, budget, clock)
    threads = [
        # Daemons: a thread stuck in a dead device must never keep the program from leaving.
        threading.Thread(target=work.run, args=(group,), daemon=True)
        for group in device_groups([task.volume for task in tasks])
    ]
    for thread in threads:
        thread.start()
    ended = 0
    try:
        while ended < len(threads) and not stop.is_set():
            try:
                finding = work.findings.get(timeout=_TICK)
            except queue.Empty:
                tell(work.progress())
                continue
            if finding is None:
                ended += 1
            elif isinstance(finding, Exception):
                raise finding
            else:
                yield finding
                if work.findings.empty() or isinstance(finding, Checked):
                    tell(work.progress())
    finally:
        work.leave.set()
        for thread in threads:
            thread.join(_LEAVE)
    tell(work.progress())


class _Work:
    def __init__(
        self,
        tasks: Sequence[DriveTask],
        quick: bool,
        stop: threading.Event,
        budget: float | None,
        clock: Callable[[], float],
    ) -> None:
        self.tasks = tasks
        self.quick = quick
        self.stop = stop
        self.leave = threading.Event()
        """Set when nobody takes findings any more."""
        self.clock = clock
        self.end = None if budget is None else clock() + budget
        self.findings: queue.SimpleQueue[Finding | Exception | None] = queue.SimpleQueue()
        self.names = tuple(task.name for task in tasks)
        self.done = [0] * len(tasks)
        self.total = tuple(
            len(task.items) if quick else sum(item.expected.size or 0 for item in task.items)
            for task in tasks
        )

    def progress(self) -> Progress:
        return Progress(self.names, tuple(self.done), self.total)

    def run(self, group: Sequence[int]) -> None:
        try:
            for number in group:
                self._drive(number)
        except Exception as error:  # a fault of ours: raised again where it can be told
            self.findings.put(error)
        finally:
            self.findings.put(None)

    def _drive(self, number: int) -> None:
        task = self.tasks[number]
        try:
            root = open_root(task.volume.root)
        except OSError as error:
            self.findings.put(DriveGone(number, error.strerror or str(error)))
            return
        try:
            if os.fstat(root).st_dev != task.volume.st_dev:
                self.findings.put(DriveGone(number, "another volume is mounted there now"))
                return
            begun = self.clock()
            why = self._items(number, task, root, begun)
            self.findings.put(Speed(number, self.done[number], self.clock() - begun))
            if why:
                self.findings.put(DriveGone(number, why))
                return
            for folder in task.folders:
                if self._stopped():
                    return
                for path in unknown_files(root, folder, task.known):
                    self.findings.put(UnknownFile(number, folder, path))
        finally:
            os.close(root)

    def _items(self, number: int, task: DriveTask, root: int, begun: float) -> str:
        """Why the drive is given up, or empty."""
        failures = 0
        for item in task.items:
            if self._stopped():
                return ""
            if not self._in_time(number, item, begun):
                self.findings.put(TimeUp(number))
                return ""
            before = self.done[number]
            found, refused = one_copy.find(
                root,
                item,
                task.volume,
                quick=self.quick,
                also=task.also,
                progress=self._counter(number),
            )
            if (found.missing or found.detail) and (why := one_copy.gone(task.volume, root)):
                return why
            judged = judge(item.expected, found)
            self.findings.put(
                Checked(number, item, judged, not refused, found.mtime_ns, found.digests or {})
            )
            self.done[number] = before + (1 if self.quick else item.expected.size or 0)
            failed = judged.state is State.UNREADABLE and not refused
            failures = failures + 1 if failed else 0
            if failures >= _FAILURES:
                return f"it gave errors for {failures} files in a row"
        return ""

    def _stopped(self) -> bool:
        return self.stop.is_set() or self.leave.is_set()

    def _in_time(self, number: int, item: Item, begun: float) -> bool:
        if self.end is None:
            return True
        now = self.clock()
        done, spent = self.done[number], now - begun
        if item is self.tasks[number].items[0]:
            return self.end > now  # begun in any case: too large for one night is not for ever
        return fits(item.expected.size or 0, done, spent, self.end - now)

    def _counter(self, number: int) -> Callable[[int], None]:
        def count(size: int) -> None:
            self.done[number] += size

        return count
