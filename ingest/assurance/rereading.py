"""Reading copies again, drive by drive: one reader a physical device, several devices at once.

Every worker puts what it found into one queue, and goes on whatever happens to one file; the
caller's thread takes the findings in the order they come and waits with limits only. Nothing is
ever written to a drive.
"""

from __future__ import annotations

import errno
import os
import queue
import stat
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from ingest import drives
from ingest.assurance.audit import Expected, Found, Judged, judge, kind_to_compare
from ingest.assurance.schedule import fits
from ingest.card.litter import is_litter
from ingest.copying.reading import open_root, read_cold
from ingest.copying.roll_folder import is_ours
from ingest.copying.tree import Tree
from ingest.drives import MARKER, Volume, same_device
from ingest.errors import BadDestination
from ingest.evidence import State
from ingest.manifest.model import HISTORY_FOLDER
from ingest.platforms import posix_files

__all__ = [
    "Checked",
    "DriveGone",
    "DriveTask",
    "Finding",
    "Item",
    "Progress",
    "Speed",
    "TimeUp",
    "UnknownFile",
    "device_groups",
    "find",
    "gone",
    "reread",
]

_TICK = 0.2
_LEAVE = 1.5
_FAILURES = 5
"""Files in a row that can't be read, after which the drive itself is taken to have failed."""

# Refusals that say something about this process, and nothing about the copy.
_NOT_THE_COPY = frozenset({errno.EACCES, errno.EPERM, errno.EMFILE, errno.ENFILE, errno.ENOMEM})
_ABSENT = frozenset({errno.ENOENT, errno.ENOTDIR, errno.ELOOP})
_FOLDER = posix_files.FOLDER


@dataclass(frozen=True, slots=True)
class Item:
    """One copy to look at. `path` is POSIX, relative to the volume's root."""

    key: int
    """The caller's own number for it."""
    path: str
    expected: Expected


@dataclass(frozen=True, slots=True)
class DriveTask:
    name: str
    volume: Volume
    items: tuple[Item, ...]
    folders: tuple[str, ...] = ()
    """Roll folders, relative to the volume's root, to be searched for what nobody knows."""
    known: frozenset[str] = frozenset()
    """Every path that is known there, whether in `items` or not."""
    also: tuple[str, ...] = ()
    """Checksum kinds to compute in the same read, besides the one that is compared."""


@dataclass(frozen=True, slots=True)
class Checked:
    drive: int
    """Index of the task."""
    item: Item
    judged: Judged
    about_the_copy: bool = True
    """False: the system refused us (permission and the like); no evidence about the copy."""
    mtime_ns: int | None = None
    """As found."""
    digests: Mapping[str, str] = field(default_factory=dict)
    """Every digest that the read gave."""


@dataclass(frozen=True, slots=True)
class UnknownFile:
    """In a roll's folder, and nobody knows of it."""

    drive: int
    folder: str
    path: str
    """Relative to the volume's root."""


@dataclass(frozen=True, slots=True)
class DriveGone:
    """The drive left, or stopped answering; the rest of it was not read."""

    drive: int
    why: str


@dataclass(frozen=True, slots=True)
class TimeUp:
    """The time given is used up; the rest of the drive was not read."""

    drive: int


@dataclass(frozen=True, slots=True)
class Speed:
    """Told when a drive was read, as far as it was: what came of it for the next estimate."""

    drive: int
    bytes: int
    seconds: float


Finding = Checked | UnknownFile | DriveGone | TimeUp | Speed


@dataclass(frozen=True, slots=True)
class Progress:
    """Told a few times a second: bytes (copies, when only looking) done of each task."""

    names: tuple[str, ...]
    done: tuple[int, ...]
    total: tuple[int, ...]


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
                for path in _unknown(root, folder, task.known):
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
            found, refused = find(
                root,
                item,
                task.volume,
                quick=self.quick,
                also=task.also,
                progress=self._counter(number),
            )
            if (found.missing or found.detail) and (why := gone(task.volume, root)):
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


def find(
    root: int,
    item: Item,
    volume: Volume,
    *,
    quick: bool,
    also: Sequence[str] = (),
    progress: Callable[[int], None] | None = None,
) -> tuple[Found, bool]:
    """Look at one copy, and read it whole unless `quick` or its length says enough. `also`: kinds
    to compute besides the one that is compared.

    True with it: the system refused us, which is no evidence about the copy.
    """
    size = mtime_ns = None
    try:
        with Tree(root) as tree:
            info = tree.stat(item.path)
        if not stat.S_ISREG(info.st_mode):
            return Found(missing=True, detail=f"{_kind(info.st_mode)} is in its place"), False
        size, mtime_ns = info.st_size, info.st_mtime_ns
        other_length = item.expected.size is not None and size != item.expected.size
        if quick or other_length:
            return Found(size, mtime_ns), False
        kind = kind_to_compare(item.expected.digests)
        if kind is None:
            return Found(size, mtime_ns, {}), False
        read = read_cold(root, item.path, list(dict.fromkeys((kind, *also))), volume, progress)
    except OSError as error:
        detail = error.strerror or str(error)
        if error.errno in _ABSENT:
            return Found(missing=True, detail="" if error.errno == errno.ENOENT else detail), False
        return Found(size, mtime_ns, detail=detail), error.errno in _NOT_THE_COPY
    return Found(read.size, read.mtime_ns, read.digests, read.route), False


def gone(volume: Volume, root: int) -> str:
    """Why this volume is not what it was when it was looked at first, or empty."""
    try:
        now = drives.look_at(volume.root)
    except BadDestination:
        return "it is not there any more"
    if (now.st_dev, now.mount, now.disks) != (volume.st_dev, volume.mount, volume.disks):
        return "it was unplugged, or something else is mounted there now"
    try:
        os.listdir(root)
    except OSError as error:
        return f"it can't be listed any more: {error.strerror}"
    return ""


def _kind(mode: int) -> str:
    if stat.S_ISDIR(mode):
        return "a folder"
    return "a link" if stat.S_ISLNK(mode) else "something that is no file"


def _unknown(root: int, folder: str, known: frozenset[str]) -> Iterator[str]:
    try:
        with Tree(root) as tree:
            handle = os.dup(tree.folder(folder))
    except OSError:
        return  # its copies were found missing already
    try:
        yield from _unknown_below(handle, f"{folder}/" if folder else "", known, top=True)
    finally:
        os.close(handle)


def _unknown_below(folder: int, prefix: str, known: frozenset[str], *, top: bool) -> Iterator[str]:
    try:
        names = sorted(os.listdir(folder))
    except OSError:
        yield prefix
        return
    for name in names:
        path = prefix + name
        if is_ours(name) or (top and name in (HISTORY_FOLDER, MARKER)) or path in known:
            continue
        try:
            below = os.open(name, _FOLDER, dir_fd=folder)
        except OSError:
            if not is_litter(name, folder=False):
                yield path
            continue
        try:
            other_volume = os.fstat(below).st_dev != os.fstat(folder).st_dev
            if other_volume or is_litter(name, folder=True):
                continue
            yield from _unknown_below(below, path + "/", known, top=False)
        finally:
            os.close(below)
