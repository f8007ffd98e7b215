"""Where the benchmark runs: disks of known speed made in memory, or plain folders."""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import BinaryIO, Protocol

from benchmarks.measure import must
from benchmarks.throttle import Throttle
from benchmarks.values import MB, BenchError, Speed

__all__ = ["Disk", "Emulated", "Folders", "Ground", "plain_read", "plain_write"]

_ROOM = 12_000 * MB
"""Bytes of memory that all images of one case may take."""
_CACHE = 5000 * MB
"""Bytes of footage that a case leaves in the system's cache, about."""


@dataclass(frozen=True, slots=True)
class Disk:
    """An empty folder on a disk of its own (or not: plain folders)."""

    root: str
    speed: Speed
    device: str = ""


class Ground(Protocol):
    emulated: bool
    about: str

    def disk(self, name: str, size: int, speed: Speed) -> contextlib.AbstractContextManager[Disk]:
        """A disk with room for `size` bytes of files. It runs free until it is held."""

    def held(self, *disks: Disk) -> contextlib.AbstractContextManager[None]:
        """Hold the disks to their speeds."""

    def inside(self, command: Sequence[str]) -> list[str]:
        """The command, run where the speeds count."""

    def cold(self) -> None:
        """Empty the system's cache, when that is allowed."""


class Emulated:
    """ext4 on loop devices over images in memory, each held to a speed. Needs root on Linux.

    Everything is taken away at the end and on Ctrl-C. The images are unlinked as soon as they are
    mounted, the loop devices detach themselves, and the mounts live in a mount namespace of this
    program, so even kill -9 leaves no memory taken: only empty folders, and the speed limit of
    the loop device's number, which is taken off first of all when a disk is made.
    """

    emulated = True
    FOLDER = "/dev/shm"

    def __init__(self, stack: contextlib.ExitStack) -> None:
        self._throttle = Throttle()
        stack.callback(self._throttle.close)
        self._folder = stack.enter_context(
            tempfile.TemporaryDirectory(prefix="ingest-bench-", dir=self.FOLDER)
        )
        stack.enter_context(_before_others())
        self._taken = 0
        self._direct = True
        self.about = (
            "ext4 on loop devices over images in memory, held to their speeds by the block-I/O "
            f"controller (cgroup {self._throttle.version}), queue/rotational set to 0; what is "
            "timed runs before other programs (nice -20)"
        )

    @contextlib.contextmanager
    def disk(self, name: str, size: int, speed: Speed) -> Iterator[Disk]:
        # Room for the file system's own tables and journal, for lists, and some to spare.
        size = size * 21 // 20 + 256 * MB
        if self._taken + size > _ROOM:
            raise BenchError(f"more than {_ROOM // MB} MB of memory would be taken")
        root = os.path.join(self._folder, name)
        image = f"{root}.image"
        with contextlib.ExitStack() as stack:
            os.mkdir(root)
            stack.callback(os.rmdir, root)
            stack.callback(_gone, image)
            with open(image, "xb", buffering=0) as file:
                _fill(file, size)
            early = "lazy_itable_init=0,lazy_journal_init=0,nodiscard"
            _quiet("mkfs.ext4", "-q", "-L", name.upper(), "-E", early, image)
            loop = self._loop(image)
            attached = stack.enter_context(_attached(loop))
            short = os.path.basename(loop)
            with open(f"/sys/block/{short}/dev", encoding="ascii") as file:
                device = file.read().strip()
            self._throttle.hold(device, Speed())
            with (
                contextlib.suppress(OSError),
                open(f"/sys/block/{short}/queue/rotational", "w", encoding="ascii") as file,
            ):
                file.write("0")
            # discard: what is deleted gives its memory back.
            _quiet("mount", "-o", "discard", loop, root)
            stack.callback(_unmount, root)
            stack.callback(self._throttle.hold, device, Speed())
            os.unlink(image)
            attached.close()  # it is busy, so the kernel lets go of it at the unmounting
            os.rmdir(os.path.join(root, "lost+found"))
            self._taken += size
            try:
                yield Disk(root, speed, device)
            finally:
                self._taken -= size

    def _warm(self) -> None:
        """Touch as much memory as the system's cache may need, for the same reason as `_fill`."""
        if os.sysconf("SC_AVPHYS_PAGES") * os.sysconf("SC_PAGE_SIZE") < 2 * _CACHE:
            return
        place = os.path.join(self._folder, "warm")
        with open(place, "xb", buffering=0) as file:
            os.unlink(place)
            _fill(file, _CACHE)

    def _loop(self, image: str) -> str:
        if self._direct:
            with contextlib.suppress(BenchError):
                return _quiet("losetup", "--find", "--show", "--direct-io=on", image).strip()
            # Then the images are kept twice while they are used: once more as cache.
            self._direct = False
        return _quiet("losetup", "--find", "--show", image).strip()

    @contextlib.contextmanager
    def held(self, *disks: Disk) -> Iterator[None]:
        os.sync()
        self.cold()
        self._warm()
        for disk in disks:
            self._throttle.hold(disk.device, disk.speed)
        try:
            yield
        finally:
            for disk in disks:
                self._throttle.hold(disk.device, Speed())

    def inside(self, command: Sequence[str]) -> list[str]:
        # Before other programs, so that a busy machine weighs less. The same for all that is timed.
        return self._throttle.inside(["nice", "-n", "-20", *command])

    def cold(self) -> None:
        with open("/proc/sys/vm/drop_caches", "w", encoding="ascii") as file:
            file.write("3")


class Folders:
    """Plain folders below one folder: whatever that disk gives, nothing is known of it."""

    emulated = False

    def __init__(self, stack: contextlib.ExitStack, at: str | None) -> None:
        self._folder = stack.enter_context(tempfile.TemporaryDirectory(prefix="bench-", dir=at))
        self.about = (
            f"plain folders in {self._folder}, all on one disk of unknown speed, the cache not "
            "emptied: floors are measured, and the goals were not set for this"
        )

    @contextlib.contextmanager
    def disk(self, name: str, size: int, speed: Speed) -> Iterator[Disk]:
        root = os.path.join(self._folder, name)
        if shutil.disk_usage(self._folder).free < size * 2:
            raise BenchError(f"{self._folder} has not the room for this case")
        os.mkdir(root)
        try:
            yield Disk(root, Speed())
        finally:
            shutil.rmtree(root)

    @contextlib.contextmanager
    def held(self, *disks: Disk) -> Iterator[None]:
        yield

    def inside(self, command: Sequence[str]) -> list[str]:
        return list(command)

    def cold(self) -> None:
        """Not allowed."""


def plain_read(ground: Ground, disk: Disk) -> float:
    """Seconds to read every file of `disk` once, plainly, past the cache."""
    command = [sys.executable, "-m", "benchmarks.plain", "read", disk.root]
    return float(must(ground.inside(command)).stdout)


def plain_write(ground: Ground, disk: Disk, count: int) -> float:
    """Seconds to write `count` bytes to `disk`, plainly, past the cache."""
    command = [sys.executable, "-m", "benchmarks.plain", "write", disk.root, str(count)]
    return float(must(ground.inside(command)).stdout)


def _fill(file: BinaryIO, size: int) -> None:
    """Take the memory now: a virtual machine is given its own by its host only when it is first
    touched, at a third of the speed, and that would be measured for the disk's."""
    zeros = bytes(4 * MB)
    for start in range(0, size, len(zeros)):
        file.write(zeros[: size - start])


def _quiet(*command: str) -> str:
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        raise BenchError(f"{' '.join(command)}: {done.stderr.strip()}")
    return done.stdout


def _gone(path: str) -> None:
    with contextlib.suppress(FileNotFoundError):
        os.unlink(path)


@contextlib.contextmanager
def _before_others() -> Iterator[None]:
    """Give this session's processes the machine first (sched(7), "The autogroup feature": where
    it is on, nice(1) counts only within one session)."""
    path = "/proc/self/autogroup"
    try:
        with open(path, encoding="ascii") as file:
            before = file.read().split()[-1]
    except OSError:
        yield  # nice(1) alone does it
        return
    with open(path, "w", encoding="ascii") as file:
        file.write("-20")
    try:
        yield
    finally:
        with open(path, "w", encoding="ascii") as file:
            file.write(before)


@contextlib.contextmanager
def _attached(loop: str) -> Iterator[contextlib.ExitStack]:
    """Detaches once and never again: by then the number may be somebody else's."""
    with contextlib.ExitStack() as stack:
        stack.callback(_quiet, "losetup", "-d", loop)
        yield stack


def _unmount(root: str) -> None:
    for _ in range(50):
        if subprocess.run(["umount", root], capture_output=True, check=False).returncode == 0:
            return
        time.sleep(0.1)
    _quiet("umount", "--lazy", root)
