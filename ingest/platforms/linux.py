"""Linux: O_DIRECT, fdatasync, fallocate, renameat2, /proc/self/mountinfo and /sys.

Sources: open(2), fallocate(2), rename(2), syncfs(2), statx(2), proc_pid_mountinfo(5) of the Linux
man-pages; FS_IOC_GETFSUUID from include/uapi/linux/fs.h (Linux 6.9 and later).
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import os
import struct
import sys
from collections.abc import Sequence
from dataclasses import replace
from functools import cache

from ingest.platforms.mount import Mount

assert sys.platform == "linux"

# After the assertion, so that type checks for other systems stop there.
import fcntl  # noqa: E402

from ingest.platforms.linux_mounts import parse_mounts, read_bytes  # noqa: E402

__all__ = [
    "boot_id",
    "drop_cache",
    "flush",
    "flush_range",
    "flush_volume",
    "fs_uuid",
    "mount_of",
    "mounts",
    "open_cold",
    "open_direct",
    "preallocate",
    "read_counter",
    "rename_new",
    "through_cache",
    "waited_s",
]

_RENAME_NOREPLACE = 1
_FALLOC_FL_KEEP_SIZE = 1
_FS_IOC_GETFSUUID = 0x80111500  # _IOR(0x15, 0, struct fsuuid2), 1 + 16 bytes
_BTRFS_IOC_FS_INFO = 0x8400941F  # _IOR(0x94, 31, 1024 bytes), include/uapi/linux/btrfs.h
_AT_EMPTY_PATH = 0x1000
_STATX_MNT_ID_UNIQUE = 0x4000  # include/uapi/linux/stat.h
_STX_MNT_ID = 0x90  # offset of stx_mnt_id in struct statx, the same file
_BY_UUID = "/dev/disk/by-uuid"
_NO_DIRECT = (errno.EINVAL, errno.EOPNOTSUPP, errno.ENOTSUP)


@cache
def _libc() -> ctypes.CDLL:
    return ctypes.CDLL(None, use_errno=True)


def boot_id() -> str:
    """The kernel's random id of this boot."""
    try:
        with open("/proc/sys/kernel/random/boot_id", encoding="ascii") as file:
            return file.read().strip()
    except OSError:
        return "unknown"


def waited_s(pid: int) -> float:
    """Seconds that a process's first thread was ready to work and got no processor, since it
    began; 0 where that isn't told (second field of /proc/PID/schedstat, in nanoseconds:
    Documentation/scheduler/sched-stats.rst of Linux)."""
    try:
        with open(f"/proc/{pid}/schedstat", encoding="ascii") as file:
            return int(file.read().split()[1]) / 1e9
    except (OSError, ValueError, IndexError):
        return 0.0


def open_cold(name: str, folder: int, *, direct: bool = True) -> tuple[int, bool]:
    """Open `name` in `folder` for reading; True when its aligned reads bypass the page cache.

    Never follows a link, never waits on a pipe, leaves the access time alone where it may.
    """
    flags = os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC | os.O_NONBLOCK | os.O_NOATIME
    if direct:
        flags |= os.O_DIRECT
    try:
        return os.open(name, flags, dir_fd=folder), direct
    except PermissionError:
        # O_NOATIME is for the owner of a file alone.
        flags &= ~os.O_NOATIME
    except OSError as error:
        if not direct or error.errno not in _NO_DIRECT:
            raise
        return open_cold(name, folder, direct=False)
    try:
        return os.open(name, flags, dir_fd=folder), direct
    except OSError as error:
        if not direct or error.errno not in _NO_DIRECT:
            raise
        return open_cold(name, folder, direct=False)


def open_direct(name: str, folder: int, *, direct: bool = True) -> tuple[int, bool]:
    """Make a new file for writing; True when its aligned writes bypass the page cache."""
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
    if direct:
        try:
            return os.open(name, flags | os.O_DIRECT, 0o644, dir_fd=folder), True
        except OSError as error:
            if error.errno not in _NO_DIRECT:
                raise
            # Some file systems make the file before they refuse the flag.
            with contextlib.suppress(FileNotFoundError):
                os.unlink(name, dir_fd=folder)
    return os.open(name, flags, 0o644, dir_fd=folder), False


def through_cache(fd: int) -> None:
    """Take O_DIRECT off a descriptor: some file systems open with it and refuse the transfer
    (open(2), "O_DIRECT": EINVAL)."""
    fcntl.fcntl(fd, fcntl.F_SETFL, fcntl.fcntl(fd, fcntl.F_GETFL) & ~os.O_DIRECT)


def flush(fd: int) -> None:
    """Data, length and times of a file, or the entries of a folder, onto the medium."""
    os.fsync(fd)


def flush_range(fd: int) -> None:
    """Data of a file onto the medium."""
    os.fdatasync(fd)


def flush_volume(fd: int) -> None:
    """Everything written to the file system that `fd` lies on. Raises OSError."""
    if _libc().syncfs(fd) != 0:
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number))


def drop_cache(fd: int) -> None:
    """Ask that clean pages of this file leave memory."""
    os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)


def preallocate(fd: int, size: int) -> None:
    """Reserve room without changing the length; a file system that can't is left alone.

    Raises OSError(ENOSPC) when the room is not there. posix_fallocate is never used: where
    the file system can't reserve, it writes zeros instead.
    """
    result = _libc().fallocate(
        fd, _FALLOC_FL_KEEP_SIZE, ctypes.c_longlong(0), ctypes.c_longlong(size)
    )
    if result != 0 and ctypes.get_errno() in (errno.ENOSPC, errno.EDQUOT):
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number))


def rename_new(old: str, new: str, folder: int) -> bool:
    """Rename within `folder`, never replacing: FileExistsError when `new` is there.

    True when the kernel promised it in one step. File systems without that step link and unlink;
    those without links look first and then rename, which is not atomic: False.
    """
    old_raw, new_raw = os.fsencode(old), os.fsencode(new)
    if _libc().renameat2(folder, old_raw, folder, new_raw, _RENAME_NOREPLACE) == 0:
        return True
    number = ctypes.get_errno()
    if number == errno.EEXIST:
        raise FileExistsError(number, os.strerror(number), new)
    if number not in (errno.EINVAL, errno.ENOSYS, errno.EPERM, errno.ENOTSUP):
        raise OSError(number, os.strerror(number), new)
    try:
        os.link(old, new, src_dir_fd=folder, dst_dir_fd=folder, follow_symlinks=False)
    except FileExistsError:
        raise
    except OSError as error:
        if error.errno not in (errno.EPERM, errno.ENOSYS, errno.ENOTSUP, errno.EINVAL):
            raise
    else:
        os.unlink(old, dir_fd=folder)
        return True
    wanted = new.casefold()
    if any(entry.casefold() == wanted for entry in os.listdir(folder)):
        raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), new)
    os.rename(old, new, src_dir_fd=folder, dst_dir_fd=folder)
    return False


# Mounts -----------------------------------------------------------------------------------------


def mounts() -> tuple[Mount, ...]:
    """Every file system mounted in this process's view, in the kernel's order."""
    return parse_mounts(_mount_table())


def mount_of(folder: int, root: str) -> Mount | None:
    """The mount that the open folder `folder` (at `root`) lies on, or None when it can't be told.

    The kernel says which one by number, so that neither a bind mount nor one drive mounted over
    another is taken for what lies beneath. Its own id is never given twice in one boot where
    the kernel keeps such ids (6.8 and later).
    """
    number = _mount_number(folder)
    for line in _mount_table().split("\n"):
        if line.split(" ", 1)[0] != number:
            continue
        for mount in parse_mounts(line):
            unique = _unique_mount(folder)
            return mount if unique is None else replace(mount, mount_id=unique)
    return None


def read_counter(disks: Sequence[str]) -> int | None:
    """Bytes read from these whole disks since they appeared; None when one doesn't tell.

    The witness of whether a read came from the medium: it rises by what the device delivered,
    to whomever, and stays still when memory answered.
    """
    total = 0
    for disk in disks:
        try:
            with open(f"/sys/block/{disk}/stat", encoding="ascii") as file:
                count = read_bytes(file.read())
        except (OSError, ValueError):
            return None
        if count is None:
            return None
        total += count
    return total if disks else None


def _mount_table() -> str:
    with open(
        "/proc/self/mountinfo", encoding="utf-8", errors="surrogateescape", newline="\n"
    ) as file:
        return file.read()


def _mount_number(folder: int) -> str | None:
    try:
        with open(f"/proc/self/fdinfo/{folder}", encoding="ascii") as file:
            for line in file:
                if line.startswith("mnt_id:"):
                    return line.split()[1]
    except OSError:
        pass
    return None


def _unique_mount(folder: int) -> str | None:
    """The mount's id that is never given again in this boot, or None on an older kernel."""
    answer = ctypes.create_string_buffer(256)  # struct statx
    try:
        failed = _libc().statx(folder, b"", _AT_EMPTY_PATH, _STATX_MNT_ID_UNIQUE, answer)
    except AttributeError:
        return None
    (mask,) = struct.unpack_from("=I", answer, 0)
    if failed or not mask & _STATX_MNT_ID_UNIQUE:
        return None
    return str(struct.unpack_from("=Q", answer, _STX_MNT_ID)[0])


def fs_uuid(folder: int) -> str | None:
    """UUID of the file system that an open folder lies on, or None where it keeps none."""
    # Each call: its number, the size of its answer, where the 16 bytes of the UUID begin in it.
    for number, size, place in ((_FS_IOC_GETFSUUID, 17, 1), (_BTRFS_IOC_FS_INFO, 1024, 16)):
        answer = bytearray(size)
        try:
            fcntl.ioctl(folder, number, answer)
        except OSError:
            continue
        if any(answer[place : place + 16]):
            return answer[place : place + 16].hex()
    try:
        numbers = {os.fstat(folder).st_dev}
        mount = mount_of(folder, "")
        if mount is not None and mount.source.startswith("/dev/"):
            # FUSE over a device has a number of its own; the device is its source.
            numbers.add(os.stat(mount.source).st_rdev)
        for name in os.listdir(_BY_UUID):
            if os.stat(f"{_BY_UUID}/{name}").st_rdev in numbers:
                return name.replace("-", "").lower()
    except OSError:
        pass
    return None
