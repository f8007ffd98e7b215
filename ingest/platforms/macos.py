"""macOS: F_NOCACHE, F_FULLFSYNC, F_PREALLOCATE, renameatx_np, getfsstat and diskutil.

Written from Apple's published headers and manual pages and tested against fakes of the calls
it makes, on Linux; it has not yet run on a Mac.

Sources (numbers from memory of them): fcntl(2), rename(2), getfsstat(2), fsync(2), msync(2),
diskutil(8), ioreg(8), pmset(1) of macOS; <sys/fcntl.h>, <sys/mount.h>, <sys/stdio.h>,
<sys/unistd.h>, <sys/mman.h> of Darwin.

What is weaker here than on Linux: F_NOCACHE keeps pages from staying in memory, but pages that
are already there are still read from it. So a read is never told to be of the medium on the
strength of the flag alone; only the device's own counter (`read_counter`) can show it.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import os
import struct
import sys
from collections.abc import Sequence
from dataclasses import dataclass

from ingest.platforms import macos_disks
from ingest.platforms.macos_disks import Disk
from ingest.platforms.mount import Mount

assert sys.platform != "win32"  # what follows is POSIX; on Linux only tests call it

import fcntl  # noqa: E402

__all__ = [
    "Calls",
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

F_PREALLOCATE = 42
F_NOCACHE = 48
F_FULLFSYNC = 51
_F_ALLOCATEALL = 0x4
_F_PEOFPOSMODE = 3
_FSTORE = struct.Struct("=Iiqqq")  # fst_flags, fst_posmode, fst_offset, fst_length, allocated
RENAME_EXCL = 0x4
_SYNC_VOLUME_WAIT = 0x2
_PROT_READ, _MAP_SHARED, _MS_INVALIDATE = 0x1, 0x1, 0x2
_MAP_FAILED = ctypes.c_void_p(-1).value
_MNT_RDONLY = 0x1
_MNT_NOWAIT = 2
_MNT_LOCAL = 0x1000
_STATFS = struct.Struct("=IiQQQQQiiIIII16s1024s1024sI7I")
"""struct statfs with 64-bit inode numbers."""

_CANT = (errno.EINVAL, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOTTY, errno.ENOSYS)


class Calls:
    """The system calls that Python doesn't offer. Each raises OSError."""

    def __init__(self) -> None:
        self._libc = ctypes.CDLL(None, use_errno=True)
        self._libc.mmap.restype = ctypes.c_void_p

    def fcntl(self, fd: int, command: int, argument: int | bytes = 0) -> int | bytes:
        return fcntl.fcntl(fd, command, argument)

    def renameatx(self, folder: int, old: bytes, new: bytes, flags: int) -> None:
        self._check(self._libc.renameatx_np(folder, old, folder, new, ctypes.c_uint(flags)))

    def fsync_volume(self, fd: int, flags: int) -> None:
        self._check(self._libc.fsync_volume_np(fd, flags))

    def invalidate(self, fd: int, size: int) -> None:
        """Map a file and ask that its clean pages be let go."""
        length = ctypes.c_size_t(size)
        place = self._libc.mmap(None, length, _PROT_READ, _MAP_SHARED, fd, ctypes.c_longlong(0))
        if place == _MAP_FAILED:
            self._check(-1)
        address = ctypes.c_void_p(place)
        try:
            self._check(self._libc.msync(address, length, _MS_INVALIDATE))
        finally:
            self._libc.munmap(address, length)

    def sysctl(self, name: str) -> str:
        answer = ctypes.create_string_buffer(256)
        size = ctypes.c_size_t(len(answer))
        self._check(
            self._libc.sysctlbyname(name.encode("ascii"), answer, ctypes.byref(size), None, 0)
        )
        return answer.value.decode("ascii", "replace")

    def statfs(self, fd: int) -> bytes:
        """struct statfs of the file system that `fd` lies on."""
        answer = ctypes.create_string_buffer(_STATFS.size)
        self._check(self._symbol("fstatfs")(fd, answer))
        return answer.raw

    def all_statfs(self) -> bytes:
        """The same for every mounted file system, one after the other."""
        call = self._symbol("getfsstat")
        count = call(None, 0, _MNT_NOWAIT)
        self._check(count)
        room = ctypes.create_string_buffer((count + 8) * _STATFS.size)
        count = call(room, ctypes.c_int(len(room)), _MNT_NOWAIT)
        self._check(count)
        return room.raw[: count * _STATFS.size]

    def _symbol(self, name: str) -> ctypes._NamedFuncPointer:
        # On Intel the plain name is the older structure with 32-bit inode numbers.
        try:
            return self._libc[f"{name}$INODE64"]
        except AttributeError:
            return self._libc[name]

    @staticmethod
    def _check(result: int) -> None:
        if result < 0:
            number = ctypes.get_errno()
            raise OSError(number, os.strerror(number))


_made: Calls | None = None


def _calls() -> Calls:
    global _made
    if _made is None:
        _made = Calls()
    return _made


def boot_id() -> str:
    """The kernel's random id of this boot."""
    try:
        return _calls().sysctl("kern.bootsessionuuid").lower() or "unknown"
    except (OSError, AttributeError):
        return "unknown"


def through_cache(fd: int) -> None:
    """Nothing: no transfer is refused here after an open that was not."""


def waited_s(pid: int) -> float:
    """0: this system doesn't tell how long a process waited for a processor."""
    return 0.0


def open_cold(name: str, folder: int, *, direct: bool = True) -> tuple[int, bool]:
    """Open `name` in `folder` for reading; True when its reads leave nothing in memory.

    Never follows a link, never waits on a pipe. Pages already in memory are asked away first.
    """
    fd = os.open(name, os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC | os.O_NONBLOCK, dir_fd=folder)
    if not direct:
        return fd, False
    drop_cache(fd)
    return fd, _uncached(fd)


def open_direct(name: str, folder: int, *, direct: bool = True) -> tuple[int, bool]:
    """Make a new file for writing; True when its writes leave nothing in memory."""
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
    fd = os.open(name, flags, 0o644, dir_fd=folder)
    return fd, direct and _uncached(fd)


def _uncached(fd: int) -> bool:
    try:
        _calls().fcntl(fd, F_NOCACHE, 1)
    except OSError as error:
        if error.errno not in _CANT:
            os.close(fd)
            raise
        return False
    return True


def flush(fd: int) -> None:
    """Data, length and times of a file, or the entries of a folder, onto the medium.

    Where a file system has no F_FULLFSYNC (shares, some drivers) fsync is all there is: the
    device has the data then, perhaps in its own cache. Raises OSError.
    """
    try:
        _calls().fcntl(fd, F_FULLFSYNC)
    except OSError as error:
        if error.errno not in _CANT:
            raise
        os.fsync(fd)


def flush_range(fd: int) -> None:
    """Data of a file onto the medium. F_BARRIERFSYNC would only keep the order."""
    flush(fd)


def flush_volume(fd: int) -> None:
    """Everything written to the file system that `fd` lies on. Raises OSError.

    First all that memory holds goes to the device, then the device empties its cache.
    """
    _calls().fsync_volume(fd, _SYNC_VOLUME_WAIT)
    flush(fd)


def drop_cache(fd: int) -> None:
    """Ask that clean pages of this file leave memory; a refusal is no error."""
    with contextlib.suppress(OSError):
        size = os.fstat(fd).st_size
        if size:
            _calls().invalidate(fd, size)


def preallocate(fd: int, size: int) -> None:
    """Reserve room without changing the length; a file system that can't is left alone.

    Raises OSError(ENOSPC) when the room is not there.
    """
    if size <= 0:
        return
    request = _FSTORE.pack(_F_ALLOCATEALL, _F_PEOFPOSMODE, 0, size, 0)
    try:
        _calls().fcntl(fd, F_PREALLOCATE, request)
    except OSError as error:
        if error.errno in (errno.ENOSPC, errno.EDQUOT):
            raise


def rename_new(old: str, new: str, folder: int) -> bool:
    """Rename within `folder`, never replacing: FileExistsError when `new` is there.

    True when the kernel promised it in one step. A file system without RENAME_EXCL (exFAT, a
    share) is looked at first and then renamed on, which is not atomic: False.
    """
    try:
        _calls().renameatx(folder, os.fsencode(old), os.fsencode(new), RENAME_EXCL)
    except FileExistsError:
        raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), new) from None
    except OSError as error:
        if error.errno not in _CANT:
            raise OSError(error.errno, os.strerror(error.errno or 0), new) from None
    else:
        return True
    wanted = new.casefold()
    if any(entry.casefold() == wanted for entry in os.listdir(folder)):
        raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), new)
    os.rename(old, new, src_dir_fd=folder, dst_dir_fd=folder)
    return False


# Mounts -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Statfs:
    fs_type: str
    point: str
    source: str
    flags: int
    fs_id: tuple[int, int]

    @classmethod
    def unpack(cls, raw: bytes) -> _Statfs:
        fields = _STATFS.unpack(raw)
        name, point, source = (os.fsdecode(text.split(b"\0", 1)[0]) for text in fields[13:16])
        return cls(name, point, source, fields[11], (fields[7], fields[8]))


def mounts() -> tuple[Mount, ...]:
    """Every mounted file system, in the kernel's order."""
    raw = _calls().all_statfs()
    disks = macos_disks.Disks()
    return tuple(
        _mount(_Statfs.unpack(raw[place : place + _STATFS.size]), disks)
        for place in range(0, len(raw), _STATFS.size)
    )


def mount_of(folder: int, root: str) -> Mount | None:
    """The mount that the open folder `folder` (at `root`) lies on."""
    return _mount(_Statfs.unpack(_calls().statfs(folder)), macos_disks.Disks())


def fs_uuid(folder: int) -> str | None:
    """UUID of the file system that an open folder lies on, or None where it keeps none."""
    try:
        told = _Statfs.unpack(_calls().statfs(folder))
    except OSError:
        return None
    if not told.source.startswith("/dev/"):
        return None
    uuid = macos_disks.Disks().info(told.source).get("VolumeUUID")
    return uuid.replace("-", "").lower() if isinstance(uuid, str) else None


def read_counter(disks: Sequence[str]) -> int | None:
    """Bytes read from these whole disks since they appeared; None when one doesn't tell."""
    known = macos_disks.Disks().hardware()
    counts = [known[disk].bytes_read if disk in known else None for disk in disks]
    told = [count for count in counts if count is not None]
    return sum(told) if told and len(told) == len(counts) else None


def _mount(told: _Statfs, disks: macos_disks.Disks) -> Mount:
    whole = disks.whole(told.source) if told.source.startswith("/dev/") else ()
    hardware = [disks.hardware().get(disk, Disk()) for disk in whole]
    first = hardware[0] if hardware else Disk()
    return Mount(
        point=told.point,
        source=told.source,
        fs_type=told.fs_type,
        disks=whole,
        serial=first.serial,
        model=first.model,
        mount_id=f"{told.fs_id[0] & 0xFFFFFFFF:x}:{told.fs_id[1] & 0xFFFFFFFF:x}",
        read_only=bool(told.flags & _MNT_RDONLY),
        rotational=_rotational(hardware),
        st_dev=told.fs_id[0],
        server=None if told.flags & _MNT_LOCAL else _server(told.source),
    )


def _rotational(hardware: Sequence[Disk]) -> bool | None:
    told = [disk.rotational for disk in hardware]
    if True in told:
        return True
    return False if told and None not in told else None


def _server(source: str) -> str | None:
    """`//user@server/share` or `server:/share`."""
    name = source.lstrip("/").partition("/")[0].rpartition("@")[2]
    return name.partition(":")[0] or None
