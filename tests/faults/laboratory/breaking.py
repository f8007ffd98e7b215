"""Ways to break a drive that is being written to, each with a check that it really is broken."""

from __future__ import annotations

import errno
import os
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from laboratory.intake import HANG_S, OTHERS_FILE, final_files
from laboratory.loops import MIB, Drive, attach, attached, mount, run

__all__ = [
    "fill_up",
    "freeze",
    "kill_device",
    "make_read_only",
    "plug_in_again",
    "some_files",
    "when",
    "written",
]


def written(drive: Drive) -> int:
    """Bytes in use on it."""
    room = os.statvfs(drive.mount)
    return (room.f_blocks - room.f_bfree) * room.f_frsize


def when(process: subprocess.Popen[str], true: Callable[[], bool]) -> None:
    """Wait until something is so; the run must not have ended before."""
    end = time.monotonic() + HANG_S
    while not true():
        assert process.poll() is None, f"it ended too early: {process.communicate()}"
        assert time.monotonic() < end, "it never came to that"
        time.sleep(0.001)


def some_files(drive: Drive, count: int) -> Callable[[], bool]:
    """So many files have their final names on the drive."""
    return lambda: len(final_files(drive.mount)) >= count


def fill_up(drive: Drive, left: int = 0) -> str:
    """Another program takes all room but `left` bytes; the path of its file."""
    other = drive.mount / OTHERS_FILE
    with open(other, "wb", buffering=0) as file:
        block = b"\xff" * MIB
        while True:
            room = os.statvfs(drive.mount)
            free = room.f_bavail * room.f_frsize - left
            if free <= 0:
                break
            try:
                if not file.write(block[: min(MIB, free)]):
                    break
            except OSError as error:
                if error.errno != errno.ENOSPC:
                    raise
                break
    return str(other)


def kill_device(drive: Drive) -> int:
    """The device gives up: neither reads nor writes go through any more. The image's size before.

    Truncating the image alone is not enough: writes would still succeed, by growing it again.
    """
    size = drive.image.stat().st_size
    told = Path(f"/sys/block/{os.path.basename(drive.device)}/size")
    for _ in range(200):
        # A write on its way between the two steps makes the image grow again.
        with open(drive.image, "r+b") as file:
            file.truncate(0)
        run("losetup", "--set-capacity", drive.device)
        if told.read_text().strip() == "0":
            break
    fd = os.open(drive.device, os.O_RDWR)
    try:
        assert os.pread(fd, 4096, MIB) == b"", "a dead device gives no bytes"
        with pytest.raises(OSError):
            os.pwrite(fd, bytes(4096), MIB)
    finally:
        os.close(fd)
    return size


def make_read_only(drive: Drive) -> None:
    """The kernel turns the file system read-only, as it does after errors of the device.

    A remount is refused while files are open for writing, so ext4 is told to by its own
    emergency: the same that it does when its journal fails.
    """
    run("mount", "-o", "remount,errors=remount-ro", drive.mount)
    trigger = Path("/sys/fs/ext4") / os.path.basename(drive.device) / "trigger_fs_error"
    trigger.write_text("1")


@contextmanager
def freeze(drive: Drive) -> Iterator[None]:
    """The drive answers no write until the block ends."""
    run("fsfreeze", "--freeze", drive.mount)
    try:
        yield
    finally:
        run("fsfreeze", "--unfreeze", drive.mount)


def plug_in_again(drive: Drive) -> str:
    """Mount the image anew, on a new device, at the same place; the device."""
    assert not os.path.ismount(drive.mount)
    device = drive.device if attached(drive.device) else attach(drive.image)
    mount(device, drive.mount, drive.fs)
    return device
