"""Windows: volumes, and the physical disks that hold them.

Sources (numbers and layouts from memory of them): the Win32 reference for
GetLogicalDrives, GetDriveTypeW, GetVolumePathNameW, GetVolumeNameForVolumeMountPointW,
GetVolumeInformationW, IOCTL_VOLUME_GET_VOLUME_DISK_EXTENTS, IOCTL_STORAGE_QUERY_PROPERTY
(STORAGE_DEVICE_DESCRIPTOR, DEVICE_SEEK_PENALTY_DESCRIPTOR), IOCTL_DISK_PERFORMANCE.
"""

from __future__ import annotations

import ctypes
import os
import struct
from dataclasses import dataclass

from ingest.platforms.mount import Mount
from ingest.platforms.windows_calls import (
    OPEN_EXISTING,
    SHARE_READ,
    SHARE_WRITE,
    calls,
    close,
    create_file,
    failed,
)

__all__ = [
    "READ_ONLY_VOLUME",
    "Information",
    "bytes_read",
    "device_path",
    "disk_numbers",
    "guid_of",
    "information",
    "model_and_serial",
    "mount",
    "point_of",
    "points",
]

READ_ONLY_VOLUME = 0x00080000
"""Flag of `Information.flags`."""

VOLUME_DISK_EXTENTS = 0x00560000
STORAGE_QUERY = 0x002D1400
DISK_PERFORMANCE = 0x00070020
_SEEK_PENALTY = 7
_REMOTE = 4
_EXTENTS = struct.Struct("<I4x")  # NumberOfDiskExtents
_EXTENT = struct.Struct("<I4xqq")  # DiskNumber, StartingOffset, ExtentLength


@dataclass(frozen=True, slots=True)
class Information:
    """What GetVolumeInformationW says."""

    number: int
    """The volume's serial number, given by its format."""
    fs_type: str
    flags: int


def points() -> tuple[str, ...]:
    """Roots of the volumes that have a drive letter, as `E:\\`."""
    mask = calls().kernel32.GetLogicalDrives()
    return tuple(f"{chr(ord('A') + place)}:\\" for place in range(26) if mask >> place & 1)


def point_of(path: str) -> str:
    """Where the volume that holds `path` is mounted. Raises OSError."""
    answer = ctypes.create_unicode_buffer(32768)
    if not calls().kernel32.GetVolumePathNameW(path, answer, ctypes.c_uint32(len(answer))):
        raise failed(path)
    return answer.value


def guid_of(point: str) -> str:
    """The volume's own name, `\\\\?\\Volume{...}\\`. Raises OSError (a share has none)."""
    answer = ctypes.create_unicode_buffer(64)
    call = calls().kernel32.GetVolumeNameForVolumeMountPointW
    if not call(point, answer, ctypes.c_uint32(len(answer))):
        raise failed(point)
    return answer.value


def device_path(guid: str) -> str:
    """The name that opens the volume itself, not its root folder."""
    return guid.rstrip("\\")


def information(point: str) -> Information:
    """Serial number, file system and flags of a volume. Raises OSError (no medium in a reader)."""
    number, longest, flags = ctypes.c_uint32(0), ctypes.c_uint32(0), ctypes.c_uint32(0)
    name = ctypes.create_unicode_buffer(261)
    done = calls().kernel32.GetVolumeInformationW(
        point,
        None,
        ctypes.c_uint32(0),
        ctypes.byref(number),
        ctypes.byref(longest),
        ctypes.byref(flags),
        name,
        ctypes.c_uint32(len(name)),
    )
    if not done:
        raise failed(point)
    return Information(number.value, name.value.lower(), flags.value)


def mount(point: str) -> Mount:
    """A volume as other systems' mounts. What it doesn't tell is left unknown.

    A volume keeps its name when it is unplugged and plugged in again, so the mount's id
    doesn't change then: evidence is taken to be of one mount, which makes it weaker.
    """
    remote = calls().kernel32.GetDriveTypeW(point) == _REMOTE
    try:
        about = information(point)
    except OSError:
        about = Information(0, "unknown", 0)
    try:
        source = point if remote else guid_of(point)
        disks = () if remote else _disks(source)
    except OSError:
        source, disks = point, ()
    model, serial = _about(disks[0]) if disks else (None, None)
    try:
        st_dev = os.stat(point).st_dev
    except OSError:
        st_dev = 0
    return Mount(
        point=point,
        source=source,
        fs_type=about.fs_type,
        disks=disks,
        serial=serial,
        model=model,
        mount_id=source,
        read_only=bool(about.flags & READ_ONLY_VOLUME),
        rotational=_rotational(disks),
        st_dev=st_dev,
        server=_server(point) if remote else None,
    )


def bytes_read(disk: str) -> int | None:
    """Bytes read from a whole disk since it appeared, or None."""
    raw = _ask_disk(disk, DISK_PERFORMANCE, b"", 88)
    return int(struct.unpack_from("<q", raw)[0]) if raw is not None and len(raw) >= 8 else None


def disk_numbers(raw: bytes) -> tuple[int, ...]:
    """Numbers of the disks in a VOLUME_DISK_EXTENTS; empty when it isn't whole."""
    if len(raw) < _EXTENTS.size:
        return ()
    (count,) = _EXTENTS.unpack_from(raw)
    if len(raw) < _EXTENTS.size + count * _EXTENT.size:
        return ()
    places = range(_EXTENTS.size, _EXTENTS.size + count * _EXTENT.size, _EXTENT.size)
    return tuple(sorted({_EXTENT.unpack_from(raw, place)[0] for place in places}))


def model_and_serial(raw: bytes) -> tuple[str | None, str | None]:
    """Model and serial in a STORAGE_DEVICE_DESCRIPTOR; its offsets of 0 mean none."""
    if len(raw) < 28:
        return None, None
    product, _, serial = struct.unpack_from("<III", raw, 16)
    return _text_at(raw, product), _text_at(raw, serial)


def _text_at(raw: bytes, offset: int) -> str | None:
    if not 0 < offset < len(raw):
        return None
    return raw[offset:].split(b"\0", 1)[0].decode("ascii", "replace").strip() or None


def _disks(guid: str) -> tuple[str, ...]:
    raw = _ask(device_path(guid), VOLUME_DISK_EXTENTS, b"", 8 + 32 * _EXTENT.size)
    return tuple(f"PhysicalDrive{number}" for number in disk_numbers(raw or b""))


def _about(disk: str) -> tuple[str | None, str | None]:
    raw = _ask_disk(disk, STORAGE_QUERY, struct.pack("<III", 0, 0, 0), 1024)
    return model_and_serial(raw or b"")


def _rotational(disks: tuple[str, ...]) -> bool | None:
    told = []
    for disk in disks:
        raw = _ask_disk(disk, STORAGE_QUERY, struct.pack("<III", _SEEK_PENALTY, 0, 0), 12)
        told.append(None if raw is None or len(raw) < 9 else bool(raw[8]))
    if True in told:
        return True
    return False if told and None not in told else None


def _server(point: str) -> str | None:
    """The other machine in `\\\\server\\share`. A letter's share isn't asked for: unknown."""
    return point.lstrip("\\").partition("\\")[0] or None if point[:2] == "\\\\" else None


def _ask_disk(disk: str, code: int, question: bytes, size: int) -> bytes | None:
    return _ask(f"\\\\.\\{disk}", code, question, size)


def _ask(path: str, code: int, question: bytes, size: int) -> bytes | None:
    """DeviceIoControl on a device opened without any right, which needs no administrator."""
    try:
        handle = create_file(path, 0, SHARE_READ | SHARE_WRITE, OPEN_EXISTING, 0)
    except OSError:
        return None
    try:
        answer = ctypes.create_string_buffer(size)
        count = ctypes.c_uint32(0)
        done = calls().kernel32.DeviceIoControl(
            ctypes.c_void_p(handle),
            ctypes.c_uint32(code),
            question or None,
            ctypes.c_uint32(len(question)),
            answer,
            ctypes.c_uint32(size),
            ctypes.byref(count),
            None,
        )
        return answer.raw[: count.value] if done else None
    finally:
        close(handle)
