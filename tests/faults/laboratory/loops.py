"""Real file systems on loop devices, made for one test and always taken away after it.

On a machine where they can't be had a test is skipped with the reason; in CI, run as root,
their absence is a failure, so that the laboratory can't go missing unseen.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import NoReturn

import pytest

__all__ = [
    "Drive",
    "attach",
    "attached",
    "detach",
    "loop_drive",
    "make_fs",
    "mount",
    "need",
    "need_loops",
    "need_tool",
    "run",
    "unmount",
]

MIB = 1024 * 1024

_MAKE = {
    "ext4": ("mkfs.ext4", "-q", "-F", "-m", "0", "-E", "lazy_itable_init=0,lazy_journal_init=0"),
    "xfs": ("mkfs.xfs", "-q", "-f"),
    "btrfs": ("mkfs.btrfs", "-q", "-f"),
    "exfat": ("mkfs.exfat",),
}
_LEAST_MB = {"xfs": 320, "btrfs": 128}


@dataclass(frozen=True, slots=True)
class Drive:
    """A mounted file system. Without a device of its own (tmpfs) `image` and `device` are empty."""

    mount: Path
    image: Path
    device: str
    fs: str

    def __fspath__(self) -> str:
        return str(self.mount)

    def __str__(self) -> str:
        return str(self.mount)


def run(*command: str | os.PathLike[str]) -> str:
    """Run a tool and give what it said; it must end well."""
    done = subprocess.run(
        [os.fspath(part) for part in command], capture_output=True, text=True, timeout=120
    )
    if done.returncode != 0:
        raise RuntimeError(f"{command}: {done.returncode}: {done.stderr or done.stdout}")
    return done.stdout


def need(reason: str) -> NoReturn:
    """Skip for want of something; in CI as root that is a failure."""
    if os.environ.get("CI") == "true" and os.geteuid() == 0:
        pytest.fail(f"the laboratory is not whole: {reason}")
    pytest.skip(reason)


def need_tool(*names: str) -> None:
    """Each of these programs must be there."""
    for name in names:
        if shutil.which(name) is None:
            need(f"no {name} on this machine")


def need_loops() -> None:
    """Root and loop devices must be there."""
    if os.geteuid() != 0:
        need("only root can mount")
    if not os.path.exists("/dev/loop-control"):
        need("no loop devices on this machine")
    need_tool("losetup", "mount", "umount")


def attach(image: Path, *, direct: bool = False) -> str:
    """Put a loop device over an image and give its path.

    With `direct`, the device bypasses the cache of the file system that holds the image.
    """
    extra = ("--direct-io=on",) if direct else ()
    for attempt in range(20):
        try:
            return run("losetup", *extra, "--find", "--show", image).strip()
        except RuntimeError:
            # Another test may have taken the same free device between finding and binding.
            if attempt == 19:
                raise
            time.sleep(0.05)
    raise AssertionError


def attached(device: str) -> bool:
    """Is a file still bound to this loop device?"""
    return os.path.exists(f"/sys/block/{os.path.basename(device)}/loop/backing_file")


def detach(device: str) -> None:
    """Let the loop device go; a device that is still in use goes when its last user does."""
    for _ in range(50):
        subprocess.run(["losetup", "--detach", device], capture_output=True, timeout=60)
        if not attached(device):
            return
        time.sleep(0.05)


def make_fs(device: str | Path, fs: str) -> None:
    """Put a new file system on a device."""
    need_tool(_MAKE[fs][0])
    run(*_MAKE[fs], device)


def mount(device: str, point: Path, fs: str, *, options: str = "") -> None:
    """Mount a device."""
    point.mkdir(parents=True, exist_ok=True)
    if fs == "exfat":
        need_tool("mount.exfat-fuse")
        run("mount.exfat-fuse", *(("-o", options) if options else ()), device, point)
        return
    run("mount", "-t", fs, *(("-o", options) if options else ()), device, point)


def unmount(point: Path) -> None:
    """Take a file system off, whatever state it is in."""
    for _ in range(40):
        if not os.path.ismount(point):
            return
        # A device that answers nothing can't even be asked for its state.
        subprocess.run(["fsfreeze", "--unfreeze", point], capture_output=True, timeout=60)
        done = subprocess.run(["umount", point], capture_output=True, timeout=60)
        if done.returncode != 0:
            time.sleep(0.05)
    subprocess.run(["umount", "--lazy", point], capture_output=True, timeout=60)


@contextmanager
def loop_drive(
    size_mb: int = 64,
    fs: str = "ext4",
    folder: Path | None = None,
    *,
    options: str = "",
    direct: bool = False,
    name: str = "drive",
) -> Iterator[Drive]:
    """A drive: an image, a loop device over it, a file system on it, mounted.

    `folder` holds image and mount point (in memory unless given); the mount point's last part
    is `name`. "tmpfs" has no device.
    """
    need_loops()
    above = folder or (Path("/dev/shm") if os.path.isdir("/dev/shm") else None)
    place = Path(tempfile.mkdtemp(prefix="laboratory-", dir=above))
    point, image, device = place / name, place / "image", ""
    try:
        point.mkdir()
        if fs == "tmpfs":
            run("mount", "-t", "tmpfs", "-o", f"size={size_mb}m", "tmpfs", point)
            yield Drive(point, Path(), "", fs)
            return
        with open(image, "wb") as file:
            file.truncate(max(size_mb, _LEAST_MB.get(fs, 0)) * MIB)
        device = attach(image, direct=direct)
        make_fs(device, fs)
        mount(device, point, fs, options=options)
        yield Drive(point, image, device, fs)
    finally:
        unmount(point)
        if device:
            detach(device)
        with contextlib.suppress(OSError):
            # rmdir, not a deep removal: if something is still mounted there it must survive.
            image.unlink(missing_ok=True)
            point.rmdir()
            place.rmdir()
