"""Windows: the doors to its own calls, and its error numbers as other systems' errors.

Numbers from memory of the Win32 reference: CreateFileW, "System Error Codes".
"""

from __future__ import annotations

import ctypes
import errno
import os
import sys
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

__all__ = [
    "CREATE_NEW",
    "FLAG_BACKUP_SEMANTICS",
    "FLAG_NO_BUFFERING",
    "FLAG_OPEN_REPARSE_POINT",
    "GENERIC_READ",
    "GENERIC_WRITE",
    "OPEN_EXISTING",
    "SHARE_DELETE",
    "SHARE_READ",
    "SHARE_WRITE",
    "Calls",
    "calls",
    "close",
    "create_file",
    "failed",
]

GENERIC_READ = 0x80000000
GENERIC_WRITE = 0x40000000
SHARE_READ, SHARE_WRITE, SHARE_DELETE = 0x1, 0x2, 0x4
CREATE_NEW, OPEN_EXISTING = 1, 3
FLAG_NO_BUFFERING = 0x20000000
FLAG_BACKUP_SEMANTICS = 0x02000000
FLAG_OPEN_REPARSE_POINT = 0x00200000
_INVALID_HANDLE = ctypes.c_void_p(-1).value

_ERRNO = {
    1: errno.EINVAL,  # ERROR_INVALID_FUNCTION
    2: errno.ENOENT,
    3: errno.ENOENT,
    5: errno.EACCES,
    19: errno.EROFS,  # ERROR_WRITE_PROTECT
    21: errno.EIO,  # ERROR_NOT_READY
    23: errno.EIO,  # ERROR_CRC
    32: errno.EACCES,  # ERROR_SHARING_VIOLATION
    39: errno.ENOSPC,  # ERROR_HANDLE_DISK_FULL
    50: errno.ENOTSUP,
    80: errno.EEXIST,
    87: errno.EINVAL,  # ERROR_INVALID_PARAMETER
    112: errno.ENOSPC,  # ERROR_DISK_FULL
    183: errno.EEXIST,
    1117: errno.EIO,  # ERROR_IO_DEVICE
    1167: errno.EIO,  # ERROR_DEVICE_NOT_CONNECTED
}


@dataclass(frozen=True, slots=True)
class Calls:
    """The system's calls, by their own names, and C's descriptors over its handles."""

    kernel32: Any
    advapi32: Any
    last_error: Callable[[], int]
    descriptor: Callable[[int, int], int]
    """A C descriptor over a handle, which it then owns."""
    handle: Callable[[int], int]
    """The handle below a C descriptor."""


_made: Calls | None = None


def calls() -> Calls:
    """The real calls, made at first use. Raises OSError elsewhere than on Windows."""
    global _made
    if _made is None:
        _made = _load()
    return _made


def _load() -> Calls:
    if sys.platform == "win32":
        import msvcrt

        kernel32 = ctypes.WinDLL("kernel32", use_last_error=True)
        kernel32.CreateFileW.restype = ctypes.c_void_p
        return Calls(
            kernel32,
            ctypes.WinDLL("advapi32"),
            ctypes.get_last_error,
            msvcrt.open_osfhandle,
            msvcrt.get_osfhandle,
        )
    raise OSError(errno.ENOSYS, "these calls are Windows'")


def failed(name: str | None = None, number: int | None = None) -> OSError:
    """The last error (or `number`) as the OSError that other systems would raise."""
    code = calls().last_error() if number is None else number
    known = _ERRNO.get(code, errno.EIO)
    return OSError(known, f"{os.strerror(known)} (Windows error {code})", name)


def create_file(path: str, access: int, share: int, disposition: int, flags: int) -> int:
    """CreateFileW; the handle is the caller's to close. Raises OSError."""
    handle = calls().kernel32.CreateFileW(
        path,
        ctypes.c_uint32(access),
        ctypes.c_uint32(share),
        None,
        ctypes.c_uint32(disposition),
        ctypes.c_uint32(flags),
        None,
    )
    if handle is None or handle == _INVALID_HANDLE:
        raise failed(path)
    return int(handle)


def close(handle: int) -> None:
    """Close a handle that no descriptor owns."""
    calls().kernel32.CloseHandle(ctypes.c_void_p(handle))
