"""Windows: unbuffered handles, FlushFileBuffers, MoveFileExW without replacing, volume extents.

Written from Microsoft's published reference and tested against fakes of the calls it makes, on
Linux; it has not yet run on Windows.

What of the engine can't run here yet. The engine holds a card and each drive by an open folder
and names everything below through that handle, so that a drive taken away in the middle can't
turn its path into one on the system disk. Python on Windows has no `dir_fd`, neither for open
nor for stat, mkdir, rename, unlink and listing. The functions below resolve a folder's handle to
its path for each call; the handle is opened without leave to delete or rename the folder, which
keeps that path true while it is open, but the walk through folders, the roll folder's lock and
the journal still need calls of their own. Until those are written `LACKING` is told at the
start, and nothing is copied.

Sources: the Win32 reference for CreateFileW, ReadFile, WriteFile, FlushFileBuffers, MoveFileExW,
GetFinalPathNameByHandleW, SetFileInformationByHandle (FILE_ALLOCATION_INFO),
GetDiskFreeSpaceExW; "File Buffering" for what an unbuffered handle asks of offsets and lengths.
SetFileValidData is not used: it would show what lay on the disk before.
"""

from __future__ import annotations

import ctypes
import errno
import os
from collections.abc import Sequence

from ingest.platforms import windows_volumes
from ingest.platforms.mount import Mount
from ingest.platforms.windows_calls import (
    CREATE_NEW,
    FLAG_BACKUP_SEMANTICS,
    FLAG_NO_BUFFERING,
    FLAG_OPEN_REPARSE_POINT,
    GENERIC_READ,
    GENERIC_WRITE,
    OPEN_EXISTING,
    SHARE_DELETE,
    SHARE_READ,
    SHARE_WRITE,
    calls,
    close,
    create_file,
    failed,
)

__all__ = [
    "LACKING",
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
    "open_folder",
    "path_of",
    "pread",
    "preadv",
    "preallocate",
    "pwrite",
    "read_counter",
    "rename_new",
    "room",
    "through_cache",
    "waited_s",
]

LACKING = (
    "On Windows this program can't yet hold a drive by an open folder, so a drive unplugged while "
    "it is written to could not be told from the system disk. Nothing was copied."
)

MOVEFILE_WRITE_THROUGH = 0x8
FILE_ALLOCATION_INFO = 5
_HKEY_LOCAL_MACHINE = 0x80000002
_RRF_RT_REG_DWORD = 0x10
_ERROR_HANDLE_EOF = 38
_BOOT_KEY = (
    "SYSTEM\\CurrentControlSet\\Control\\Session Manager\\Memory Management\\PrefetchParameters"
)


class _Overlapped(ctypes.Structure):
    _fields_ = (
        ("internal", ctypes.c_size_t),
        ("internal_high", ctypes.c_size_t),
        ("offset", ctypes.c_uint32),
        ("offset_high", ctypes.c_uint32),
        ("event", ctypes.c_void_p),
    )


# Handles ----------------------------------------------------------------------------------------


def open_folder(path: str) -> int:
    """A descriptor of a folder, which can't be renamed or removed while it is open."""
    flags = FLAG_BACKUP_SEMANTICS | FLAG_OPEN_REPARSE_POINT
    handle = create_file(path, GENERIC_READ, SHARE_READ | SHARE_WRITE, OPEN_EXISTING, flags)
    return calls().descriptor(handle, os.O_RDONLY)


def path_of(fd: int) -> str:
    """The path behind a descriptor, in the form that has no length limit. Raises OSError."""
    room_for = 32768
    answer = ctypes.create_unicode_buffer(room_for)
    length = calls().kernel32.GetFinalPathNameByHandleW(_handle(fd), answer, room_for, 0)
    if not 0 < length < room_for:
        raise failed()
    return answer.value


def _handle(fd: int) -> ctypes.c_void_p:
    return ctypes.c_void_p(calls().handle(fd))


def _below(folder: int, name: str) -> str:
    if not name or name in (".", "..") or any(mark in name for mark in '\\/:"<>|?*\0'):
        # A colon would name a second stream of a file, a backslash another folder.
        raise OSError(errno.EINVAL, "a name that this system can't hold", name)
    return f"{path_of(folder)}\\{name}"


def open_cold(name: str, folder: int, *, direct: bool = True) -> tuple[int, bool]:
    """Open `name` in `folder` for reading; True when its aligned reads bypass the cache.

    A link is opened as itself, never followed.
    """
    share = SHARE_READ | SHARE_WRITE | SHARE_DELETE
    return _open(name, folder, GENERIC_READ, share, OPEN_EXISTING, os.O_RDONLY, direct)


def open_direct(name: str, folder: int, *, direct: bool = True) -> tuple[int, bool]:
    """Make a new file for writing; True when its aligned writes bypass the cache."""
    access = GENERIC_READ | GENERIC_WRITE
    share = SHARE_READ | SHARE_WRITE | SHARE_DELETE
    return _open(name, folder, access, share, CREATE_NEW, os.O_RDWR, direct)


def _open(
    name: str, folder: int, access: int, share: int, disposition: int, mode: int, direct: bool
) -> tuple[int, bool]:
    path = _below(folder, name)
    if direct:
        flags = FLAG_OPEN_REPARSE_POINT | FLAG_NO_BUFFERING
        try:
            handle = create_file(path, access, share, disposition, flags)
        except OSError as error:
            if error.errno not in (errno.EINVAL, errno.ENOTSUP):
                raise
        else:
            return calls().descriptor(handle, mode), True
    handle = create_file(path, access, share, disposition, FLAG_OPEN_REPARSE_POINT)
    return calls().descriptor(handle, mode), False


# Bytes ------------------------------------------------------------------------------------------


def preadv(fd: int, buffers: Sequence[memoryview], offset: int) -> int:
    """Read at `offset` into the first of `buffers`; count of bytes, 0 at the end. OSError.

    One buffer a call is all that the engine asks; a count that is short is looped on.
    """
    view = buffers[0]
    return _moved("ReadFile", fd, (ctypes.c_char * len(view)).from_buffer(view), len(view), offset)


def pread(fd: int, length: int, offset: int) -> bytes:
    """Read up to `length` bytes at `offset`. Raises OSError."""
    answer = ctypes.create_string_buffer(length)
    count = _moved("ReadFile", fd, answer, length, offset)
    return answer.raw[:count]


def pwrite(fd: int, data: bytes | memoryview, offset: int) -> int:
    """Write at `offset`; count of bytes taken. Raises OSError."""
    view = memoryview(data)
    kind = ctypes.c_char * len(view)
    place = kind.from_buffer_copy(view) if view.readonly else kind.from_buffer(view)
    return _moved("WriteFile", fd, place, len(view), offset)


def _moved(call: str, fd: int, place: ctypes.Array[ctypes.c_char], length: int, offset: int) -> int:
    where = _Overlapped(offset=offset & 0xFFFFFFFF, offset_high=offset >> 32)
    count = ctypes.c_uint32(0)
    done = getattr(calls().kernel32, call)(
        _handle(fd), place, ctypes.c_uint32(length), ctypes.byref(count), ctypes.byref(where)
    )
    if not done:
        code = calls().last_error()
        if call == "ReadFile" and code == _ERROR_HANDLE_EOF:
            return 0
        raise failed(number=code)
    return count.value


def flush(fd: int) -> None:
    """Data, length and times of a file onto the medium, the device's cache included."""
    if not calls().kernel32.FlushFileBuffers(_handle(fd)):
        raise failed()


def flush_range(fd: int) -> None:
    """Data of a file onto the medium: there is no call for data alone."""
    flush(fd)


def flush_volume(fd: int) -> None:
    """Everything written to the volume that `fd` lies on. Needs an administrator; OSError."""
    handle = create_file(
        windows_volumes.device_path(windows_volumes.guid_of(windows_volumes.point_of(path_of(fd)))),
        GENERIC_READ | GENERIC_WRITE,
        SHARE_READ | SHARE_WRITE,
        OPEN_EXISTING,
        0,
    )
    try:
        if not calls().kernel32.FlushFileBuffers(ctypes.c_void_p(handle)):
            raise failed()
    finally:
        close(handle)


def drop_cache(fd: int) -> None:
    """Ask that clean pages of this file leave memory.

    There is no call for it; that a file is opened without buffering while nobody else has it
    open makes the system let go of what it kept, so an open and a close are the asking.
    """
    try:
        path = path_of(fd)
        handle = create_file(
            path,
            GENERIC_READ,
            SHARE_READ | SHARE_WRITE | SHARE_DELETE,
            OPEN_EXISTING,
            FLAG_NO_BUFFERING | FLAG_OPEN_REPARSE_POINT,
        )
    except OSError:
        return
    close(handle)


def preallocate(fd: int, size: int) -> None:
    """Reserve room without changing the length; a file system that can't is left alone.

    Raises OSError(ENOSPC) when the room is not there.
    """
    wanted = ctypes.c_longlong(size)
    done = calls().kernel32.SetFileInformationByHandle(
        _handle(fd), FILE_ALLOCATION_INFO, ctypes.byref(wanted), ctypes.c_uint32(8)
    )
    if not done:
        error = failed()
        if error.errno == errno.ENOSPC:
            raise error


def rename_new(old: str, new: str, folder: int) -> bool:
    """Rename within `folder`, never replacing: FileExistsError when `new` is there.

    One step: MoveFileExW without MOVEFILE_REPLACE_EXISTING. It returns when the rename is on
    the disk.
    """
    flags = ctypes.c_uint32(MOVEFILE_WRITE_THROUGH)
    if not calls().kernel32.MoveFileExW(_below(folder, old), _below(folder, new), flags):
        raise failed(new)
    return True


# Machine and volumes ----------------------------------------------------------------------------


def boot_id() -> str:
    """The system's count of its starts; `unknown` where it keeps none.

    With fast start, a shut-down that only put the kernel to sleep doesn't count: two boots may
    then be taken for one, which makes evidence weaker, never stronger.
    """
    answer, size = ctypes.c_uint32(0), ctypes.c_uint32(4)
    result = calls().advapi32.RegGetValueW(
        ctypes.c_void_p(_HKEY_LOCAL_MACHINE),
        _BOOT_KEY,
        "BootId",
        ctypes.c_uint32(_RRF_RT_REG_DWORD),
        None,
        ctypes.byref(answer),
        ctypes.byref(size),
    )
    return f"boot-{answer.value}" if result == 0 else "unknown"


def through_cache(fd: int) -> None:
    """Nothing: no transfer is refused here after an open that was not."""


def waited_s(pid: int) -> float:
    """0: this system doesn't tell how long a process waited for a processor."""
    return 0.0


def room(folder: int) -> tuple[int, int, bool]:
    """Total bytes, bytes this user may still write, and whether the volume is read-only."""
    free, total = ctypes.c_ulonglong(0), ctypes.c_ulonglong(0)
    path = path_of(folder)
    if not calls().kernel32.GetDiskFreeSpaceExW(
        path, ctypes.byref(free), ctypes.byref(total), None
    ):
        raise failed(path)
    about = windows_volumes.information(windows_volumes.point_of(path))
    return total.value, free.value, bool(about.flags & windows_volumes.READ_ONLY_VOLUME)


def mounts() -> tuple[Mount, ...]:
    """Every volume that has a drive letter. Volumes mounted in a folder are not listed."""
    return tuple(windows_volumes.mount(point) for point in windows_volumes.points())


def mount_of(folder: int, root: str) -> Mount | None:
    """The volume that the open folder `folder` (at `root`) lies on."""
    return windows_volumes.mount(windows_volumes.point_of(path_of(folder)))


def fs_uuid(folder: int) -> str | None:
    """The volume's serial number, which its format gave it, or None."""
    try:
        about = windows_volumes.information(windows_volumes.point_of(path_of(folder)))
    except OSError:
        return None
    return f"{about.number:08x}" if about.number else None


def read_counter(disks: Sequence[str]) -> int | None:
    """Bytes read from these whole disks since they appeared; None when one doesn't tell."""
    counts = [windows_volumes.bytes_read(disk) for disk in disks]
    told = [count for count in counts if count is not None]
    return sum(told) if told and len(told) == len(counts) else None
