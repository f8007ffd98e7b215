"""Linux: O_DIRECT, fdatasync, fallocate, renameat2, /proc/self/mountinfo and /sys.

Sources: open(2), fallocate(2), rename(2), syncfs(2), proc_pid_mountinfo(5) of the Linux
man-pages; FS_IOC_GETFSUUID from include/uapi/linux/fs.h (Linux 6.9 and later).
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import os
import re
import sys
from functools import cache

from ingest.platforms.mount import Mount

assert sys.platform == "linux"

import fcntl  # noqa: E402  (after the assertion, so that type checks for other systems stop there)

__all__ = [
    "boot_id",
    "drop_cache",
    "flush",
    "flush_range",
    "flush_volume",
    "fs_uuid",
    "mounts",
    "open_cold",
    "open_direct",
    "preallocate",
    "rename_new",
]

_RENAME_NOREPLACE = 1
_FALLOC_FL_KEEP_SIZE = 1
_FS_IOC_GETFSUUID = 0x80111500  # _IOR(0x15, 0, struct fsuuid2), 1 + 16 bytes
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

_OCTAL = re.compile(r"\\([0-7]{3})")


def mounts() -> tuple[Mount, ...]:
    """Every file system mounted in this process's view, in the kernel's order."""
    with open("/proc/self/mountinfo", encoding="utf-8", errors="surrogateescape") as file:
        return tuple(_mount(line) for line in file)


def _mount(line: str) -> Mount:
    before, _, after = line.rstrip("\n").partition(" - ")
    mount_id, _, numbers, _, point, options = before.split(" ")[:6]
    fs_type, source, super_options = after.split(" ")[:3]
    point, source = _unescaped(point), _unescaped(source)
    major, _, minor = numbers.partition(":")
    st_dev = os.makedev(int(major), int(minor))
    disks = _disks(numbers, fs_type, source)
    first = disks[0] if disks else None
    return Mount(
        point=point,
        source=source,
        fs_type=fs_type,
        disks=disks,
        serial=_serial(first) if first else None,
        model=_text(f"/sys/block/{first}/device/model") if first else None,
        mount_id=mount_id,
        read_only="ro" in options.split(",") or "ro" in super_options.split(","),
        rotational=_rotational(disks),
        st_dev=st_dev,
    )


def fs_uuid(folder: int) -> str | None:
    """UUID of the file system that an open folder lies on, or None where it keeps none."""
    answer = bytearray(17)
    try:
        fcntl.ioctl(folder, _FS_IOC_GETFSUUID, answer)
        raw = bytes(answer[1 : 1 + answer[0]])
        if any(raw):
            return raw.hex()
    except OSError:
        pass
    number = os.fstat(folder).st_dev
    try:
        for name in os.listdir("/dev/disk/by-uuid"):
            if os.stat(f"/dev/disk/by-uuid/{name}").st_rdev == number:
                return name.replace("-", "").lower()
    except OSError:
        pass
    return None


def _unescaped(text: str) -> str:
    return _OCTAL.sub(lambda found: chr(int(found[1], 8)), text)


def _text(path: str) -> str | None:
    try:
        with open(path, encoding="utf-8", errors="replace") as file:
            return file.read().strip() or None
    except OSError:
        return None


def _disks(numbers: str, fs_type: str, source: str) -> tuple[str, ...]:
    if fs_type == "btrfs":
        for uuid in _listed("/sys/fs/btrfs"):
            members = _listed(f"/sys/fs/btrfs/{uuid}/devices")
            if os.path.basename(os.path.realpath(source)) in members:
                return tuple(
                    sorted({disk for m in members for disk in _whole(f"/sys/class/block/{m}")})
                )
        return ()
    if numbers.startswith("0:"):
        # No block device of its own: FUSE over one names it as its source.
        if source.startswith("/dev/") and os.path.exists(source):
            return _whole(f"/sys/class/block/{os.path.basename(os.path.realpath(source))}")
        return ()
    return _whole(f"/sys/dev/block/{numbers}")


def _whole(node: str) -> tuple[str, ...]:
    """Whole disks below a block device: out of partitions, down through mapper and RAID."""
    real = os.path.realpath(node)
    if not os.path.isdir(real):
        return ()
    if os.path.exists(f"{real}/partition"):
        return _whole(os.path.dirname(real))
    members = _listed(f"{real}/slaves")
    if members:
        return tuple(sorted({disk for m in members for disk in _whole(f"{real}/slaves/{m}")}))
    return (os.path.basename(real),)


def _listed(folder: str) -> list[str]:
    try:
        return sorted(os.listdir(folder))
    except OSError:
        return []


def _serial(disk: str) -> str | None:
    for path in (f"/sys/block/{disk}/device/serial", f"/sys/block/{disk}/serial"):
        if found := _text(path):
            return found
    numbers = _text(f"/sys/block/{disk}/dev")
    udev = _text(f"/run/udev/data/b{numbers}") if numbers else None
    for line in (udev or "").splitlines():
        if line.startswith("E:ID_SERIAL_SHORT="):
            return line.partition("=")[2] or None
    return None


def _rotational(disks: tuple[str, ...]) -> bool | None:
    told = [_text(f"/sys/block/{disk}/queue/rotational") for disk in disks]
    if not told or None in told:
        return None
    return "1" in told
