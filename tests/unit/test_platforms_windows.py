"""Windows, against fakes of the system calls it makes: this doesn't show that it runs there.

The fake kernel keeps real files in a folder, so that what is read and written is real, and
answers as the Win32 reference says (numbers and layouts from memory of it).
"""

from __future__ import annotations

import ctypes
import errno
import os
import struct
from pathlib import Path
from typing import Any

import pytest

from ingest.platforms import windows, windows_calls, windows_volumes

NO_BUFFERING = 0x20000000
BACKUP_SEMANTICS = 0x02000000
OPEN_REPARSE_POINT = 0x00200000


def value(argument: Any) -> Any:
    """What a ctypes argument holds."""
    return argument.value if hasattr(argument, "value") else argument


class FakeKernel:
    """kernel32 as far as it is called. Handles are descriptors of real files plus 1000."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.error = 0
        self.opened: list[tuple[str, int, int, int, int]] = []
        self.refuse: dict[str, int] = {}
        self.closed: list[int] = []
        self.asked: list[tuple[object, ...]] = []
        self.paths: dict[int, str] = {}
        self.devices: dict[tuple[str, int, bytes], bytes] = {}
        self.no_unbuffered = False

    def fail(self, number: int) -> int:
        self.error = number
        return 0

    def _refused(self, call: str) -> bool:
        self.error = self.refuse.get(call, 0)
        return call in self.refuse

    def _real(self, path: str) -> Path:
        assert path.startswith("\\\\?\\E:\\")
        return self.root.joinpath(*path[7:].split("\\"))

    def CreateFileW(  # noqa: N802
        self, path: str, access: Any, share: Any, _s: Any, how: Any, flags: Any, _t: Any
    ) -> int | None:
        call = (path, value(access), value(share), value(how), value(flags))
        self.opened.append(call)
        if self._refused("CreateFileW"):
            return ctypes.c_void_p(-1).value
        if self.no_unbuffered and call[4] & NO_BUFFERING:
            self.error = 87
            return ctypes.c_void_p(-1).value
        if path.startswith(("\\\\.\\", "\\\\?\\Volume")):
            number = os.open(self.root, os.O_RDONLY)
        else:
            mode = os.O_RDONLY if call[1] == 0x80000000 else os.O_RDWR
            try:
                extra = os.O_CREAT | os.O_EXCL if call[3] == 1 else 0
                number = os.open(self._real(path), mode | extra)
            except FileExistsError:
                self.error = 80
                return ctypes.c_void_p(-1).value
            except FileNotFoundError:
                self.error = 2
                return ctypes.c_void_p(-1).value
        self.paths[number + 1000] = path
        return number + 1000

    def CloseHandle(self, handle: Any) -> int:  # noqa: N802
        self.closed.append(handle.value)
        os.close(handle.value - 1000)
        return 1

    def GetFinalPathNameByHandleW(self, handle: Any, answer: Any, room: int, _: int) -> int:  # noqa: N802
        if self._refused("GetFinalPathNameByHandleW"):
            return 0
        answer.value = self.paths[handle.value]
        return len(answer.value)

    def ReadFile(self, handle: Any, place: Any, length: Any, count: Any, where: Any) -> int:  # noqa: N802
        if self._refused("ReadFile"):
            return 0
        at = where._obj.offset | where._obj.offset_high << 32
        self.asked.append(("read", at, length.value))
        data = os.pread(handle.value - 1000, length.value, at)
        if not data and length.value:
            return self.fail(38)
        ctypes.memmove(place, data, len(data))
        count._obj.value = len(data)
        return 1

    def WriteFile(self, handle: Any, place: Any, length: Any, count: Any, where: Any) -> int:  # noqa: N802
        if self._refused("WriteFile"):
            return 0
        at = where._obj.offset | where._obj.offset_high << 32
        self.asked.append(("write", at, length.value))
        count._obj.value = os.pwrite(handle.value - 1000, bytes(place)[: length.value], at)
        return 1

    def FlushFileBuffers(self, handle: Any) -> int:  # noqa: N802
        self.asked.append(("flush", self.paths[handle.value]))
        return 0 if self._refused("FlushFileBuffers") else 1

    def SetFileInformationByHandle(self, handle: Any, kind: int, what: Any, size: Any) -> int:  # noqa: N802
        self.asked.append(("information", kind, what._obj.value, size.value))
        return 0 if self._refused("SetFileInformationByHandle") else 1

    def MoveFileExW(self, old: str, new: str, flags: Any) -> int:  # noqa: N802
        self.asked.append(("move", flags.value))
        if self._real(new).exists():
            return self.fail(183)
        os.rename(self._real(old), self._real(new))
        return 1

    def GetDiskFreeSpaceExW(self, path: str, free: Any, total: Any, _: Any) -> int:  # noqa: N802
        free._obj.value, total._obj.value = 40_000_000_000, 2_000_000_000_000
        return 1

    def GetLogicalDrives(self) -> int:  # noqa: N802
        return 0b10100

    def GetDriveTypeW(self, point: str) -> int:  # noqa: N802
        return 4 if point.startswith("\\\\") else 2

    def GetVolumePathNameW(self, path: str, answer: Any, room: Any) -> int:  # noqa: N802
        answer.value = path if path.startswith("\\\\nas") else "E:\\"
        return 1

    def GetVolumeNameForVolumeMountPointW(self, point: str, answer: Any, room: Any) -> int:  # noqa: N802
        if self._refused("GetVolumeNameForVolumeMountPointW"):
            return 0
        answer.value = f"\\\\?\\Volume{{guid-{point[0]}}}\\"
        return 1

    def GetVolumeInformationW(  # noqa: N802
        self, point: str, _l: Any, _n: Any, number: Any, _c: Any, flags: Any, fs: Any, _f: Any
    ) -> int:
        if self._refused("GetVolumeInformationW"):
            return 0
        number._obj.value, flags._obj.value = 0x1234ABCD, 0x00080000 if point == "C:\\" else 0
        fs.value = "exFAT"
        return 1

    def DeviceIoControl(  # noqa: N802
        self,
        handle: Any,
        code: Any,
        question: Any,
        _n: Any,
        answer: Any,
        room: Any,
        count: Any,
        _o: Any,
    ) -> int:
        told = self.devices.get((self.paths[handle.value], code.value, question or b""))
        if told is None:
            return self.fail(1)
        ctypes.memmove(answer, told, len(told))
        count._obj.value = len(told)
        return 1


class FakeRegistry:
    """advapi32."""

    def __init__(self) -> None:
        self.boots: int | None = 41

    def RegGetValueW(self, root: Any, key: str, name: str, *rest: Any) -> int:  # noqa: N802
        assert root.value == 0x80000002
        assert name == "BootId"
        if self.boots is None:
            return 2
        rest[2]._obj.value = self.boots
        return 0


@pytest.fixture
def registry() -> FakeRegistry:
    return FakeRegistry()


@pytest.fixture
def kernel(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, registry: FakeRegistry) -> FakeKernel:
    fake = FakeKernel(tmp_path)
    (tmp_path / "roll").mkdir()
    calls = windows_calls.Calls(
        fake, registry, lambda: fake.error, lambda handle, _: handle - 1000, lambda fd: fd + 1000
    )
    monkeypatch.setattr(windows_calls, "_made", calls)
    return fake


@pytest.fixture
def folder(kernel: FakeKernel) -> Any:
    fd = windows.open_folder("\\\\?\\E:\\roll")
    kernel.opened.clear()
    yield fd
    os.close(fd)


def test_when_a_folder_is_held_open_then_nobody_may_rename_or_remove_it(
    kernel: FakeKernel,
) -> None:
    """Without FILE_SHARE_DELETE (4) the path behind the handle stays true."""
    fd = windows.open_folder("\\\\?\\E:\\roll")
    ((_, access, share, how, flags),) = kernel.opened
    assert (access, share, how) == (0x80000000, 0x1 | 0x2, 3)
    assert flags == BACKUP_SEMANTICS | OPEN_REPARSE_POINT
    assert windows.path_of(fd) == "\\\\?\\E:\\roll"
    os.close(fd)


def test_when_a_file_is_opened_cold_then_its_handle_is_unbuffered_and_no_link_followed(
    kernel: FakeKernel, folder: int, tmp_path: Path
) -> None:
    """FILE_FLAG_NO_BUFFERING and FILE_FLAG_OPEN_REPARSE_POINT, on a file that is there."""
    (tmp_path / "roll/clip").write_bytes(b"x")
    fd, direct = windows.open_cold("clip", folder)
    os.close(fd)
    assert direct
    assert kernel.opened == [
        ("\\\\?\\E:\\roll\\clip", 0x80000000, 7, 3, NO_BUFFERING | OPEN_REPARSE_POINT)
    ]


def test_when_unbuffered_handles_are_refused_then_it_is_opened_otherwise_and_said(
    kernel: FakeKernel, folder: int, tmp_path: Path
) -> None:
    """ERROR_INVALID_PARAMETER (87) is such a refusal; that a file is absent is not."""
    kernel.no_unbuffered = True
    (tmp_path / "roll/clip").write_bytes(b"x")
    fd, direct = windows.open_cold("clip", folder)
    os.close(fd)
    assert not direct
    kernel.no_unbuffered = False
    with pytest.raises(FileNotFoundError):
        windows.open_cold("gone", folder)


def test_when_a_new_file_is_opened_then_an_old_one_is_never_replaced(
    kernel: FakeKernel, folder: int, tmp_path: Path
) -> None:
    """CREATE_NEW (1)."""
    fd, direct = windows.open_direct("new", folder)
    os.close(fd)
    assert direct
    assert kernel.opened[0][1:4] == (0xC0000000, 7, 1)
    with pytest.raises(FileExistsError):
        windows.open_direct("new", folder)


@pytest.mark.parametrize("name", ["", ".", "..", "a\\b", "a/b", "clip:stream", "a*", "nul\0"])
def test_when_a_name_would_mean_something_else_then_it_is_refused(
    kernel: FakeKernel, folder: int, name: str
) -> None:
    """A colon names a second stream, a backslash another folder."""
    for call in (windows.open_cold, windows.open_direct):
        with pytest.raises(OSError, match="can't hold"):
            call(name, folder)
    with pytest.raises(OSError, match="can't hold"):
        windows.rename_new(name, "new", folder)
    assert kernel.opened == []


def test_when_bytes_are_read_and_written_then_they_stand_at_their_offset(
    kernel: FakeKernel, folder: int
) -> None:
    """OVERLAPPED splits the offset in two halves of 32 bits; beyond 4 GiB both count."""
    fd, _ = windows.open_direct("clip", folder)
    far = 5 * 2**32 + 4096
    try:
        assert windows.pwrite(fd, b"abcdef", far) == 6
        assert windows.pwrite(fd, memoryview(bytearray(b"gh")), far + 6) == 2
        assert windows.pread(fd, 4, far + 1) == b"bcde"
        view = memoryview(bytearray(b"--------"))
        assert windows.preadv(fd, [view[2:6]], far) == 4
        assert bytes(view) == b"--abcd--"
        assert windows.preadv(fd, [view], far + 100) == 0
        assert windows.pread(fd, 4, far + 100) == b""
    finally:
        os.close(fd)
    assert kernel.asked[0] == ("write", far, 6)


@pytest.mark.parametrize(
    ("number", "expected"),
    [
        (112, errno.ENOSPC),
        (39, errno.ENOSPC),
        (19, errno.EROFS),
        (23, errno.EIO),
        (1117, errno.EIO),
        (1167, errno.EIO),
        (5, errno.EACCES),
        (4711, errno.EIO),
    ],
)
def test_when_a_call_fails_then_the_error_is_the_one_other_systems_raise(
    kernel: FakeKernel, folder: int, number: int, expected: int
) -> None:
    """System Error Codes of the Win32 reference; an unknown one is an error of the device."""
    fd, _ = windows.open_direct("clip", folder)
    kernel.refuse = {"ReadFile": number, "WriteFile": number, "FlushFileBuffers": number}
    try:
        for act in (
            lambda: windows.pread(fd, 1, 0),
            lambda: windows.pwrite(fd, b"x", 0),
            lambda: windows.flush(fd),
            lambda: windows.flush_range(fd),
        ):
            with pytest.raises(OSError, match=f"Windows error {number}") as caught:
                act()
            assert caught.value.errno == expected
    finally:
        os.close(fd)


def test_when_a_volume_is_flushed_then_it_is_the_one_below_the_file(
    kernel: FakeKernel, folder: int
) -> None:
    """FlushFileBuffers on the volume's own handle; that handle is closed again."""
    windows.flush_volume(folder)
    assert kernel.asked == [("flush", "\\\\?\\Volume{guid-E}")]
    assert len(kernel.closed) == 1
    kernel.refuse = {"FlushFileBuffers": 5}
    with pytest.raises(PermissionError):
        windows.flush_volume(folder)
    assert len(kernel.closed) == 2


def test_when_a_cache_is_to_be_dropped_then_a_refusal_is_no_error(
    kernel: FakeKernel, folder: int, tmp_path: Path
) -> None:
    """An unbuffered open and a close are the asking."""
    (tmp_path / "roll/clip").write_bytes(b"x")
    fd, _ = windows.open_cold("clip", folder)
    windows.drop_cache(fd)
    assert kernel.opened[-1][4] & NO_BUFFERING
    assert len(kernel.closed) == 1
    kernel.refuse = {"CreateFileW": 32}
    windows.drop_cache(fd)
    os.close(fd)


def test_when_room_is_reserved_then_the_length_stays_and_only_a_full_disk_is_an_error(
    kernel: FakeKernel, folder: int
) -> None:
    """FileAllocationInfo (5) of SetFileInformationByHandle takes a LARGE_INTEGER."""
    windows.preallocate(folder, 5_000_000_000)
    assert kernel.asked == [("information", 5, 5_000_000_000, 8)]
    kernel.refuse = {"SetFileInformationByHandle": 50}
    windows.preallocate(folder, 10)
    kernel.refuse = {"SetFileInformationByHandle": 112}
    with pytest.raises(OSError, match="No space"):
        windows.preallocate(folder, 10)


def test_when_a_file_is_renamed_then_nothing_is_replaced_and_it_is_on_the_disk(
    kernel: FakeKernel, folder: int, tmp_path: Path
) -> None:
    """MOVEFILE_WRITE_THROUGH (8), without MOVEFILE_REPLACE_EXISTING (1)."""
    for name in "ab":
        (tmp_path / "roll" / name).write_text(name)
    with pytest.raises(FileExistsError):
        windows.rename_new("a", "b", folder)
    assert windows.rename_new("a", "c", folder) is True
    assert set(kernel.asked) == {("move", 8)}
    assert (tmp_path / "roll/c").read_text() == "a"
    assert (tmp_path / "roll/b").read_text() == "b"


def test_when_the_boot_is_asked_for_then_it_is_the_system_s_count(
    kernel: FakeKernel, registry: FakeRegistry
) -> None:
    """Without a count nothing is made up."""
    assert windows.boot_id() == "boot-41"
    registry.boots = None
    assert windows.boot_id() == "unknown"


def test_when_room_is_asked_then_it_is_what_this_user_may_write(
    kernel: FakeKernel, folder: int
) -> None:
    """The first number of GetDiskFreeSpaceExW, quotas counted in."""
    assert windows.room(folder) == (2_000_000_000_000, 40_000_000_000, False)


# Volumes ----------------------------------------------------------------------------------------


def extents(*disks: int) -> bytes:
    """VOLUME_DISK_EXTENTS: a count, then disk number, offset and length, each aligned to 8."""
    return struct.pack("<I4x", len(disks)) + b"".join(
        struct.pack("<I4xqq", disk, 1 << 20, 1 << 40) for disk in disks
    )


def descriptor(product: bytes, serial: bytes | None) -> bytes:
    """STORAGE_DEVICE_DESCRIPTOR: 36 bytes of numbers, then text at the offsets they name."""
    at = 36
    serial_at = at + len(product) + 1 if serial is not None else 0
    head = struct.pack("<IIBBBBIIIIII", 36, 0, 0, 0, 1, 1, 0, at, 0, serial_at, 7, 0)
    return head + product + b"\0" + (serial or b"") + b"\0"


def test_when_a_volume_lies_on_disks_then_their_numbers_are_read_from_its_extents() -> None:
    """A spanned volume has several; half an answer is none."""
    assert windows_volumes.disk_numbers(extents(3)) == (3,)
    assert windows_volumes.disk_numbers(extents(3, 1, 3)) == (1, 3)
    assert windows_volumes.disk_numbers(extents(3, 1)[:-1]) == ()
    assert windows_volumes.disk_numbers(b"") == ()


def test_when_a_disk_describes_itself_then_model_and_serial_are_at_their_offsets() -> None:
    """An offset of 0 means that there is none."""
    read = windows_volumes.model_and_serial
    assert read(descriptor(b"Larch 2T  ", b"  S4")) == ("Larch 2T", "S4")
    assert read(descriptor(b"Larch 2T", None)) == ("Larch 2T", None)
    assert read(b"") == (None, None)
    assert read(struct.pack("<IIBBBBIIIIII", 36, 0, 0, 0, 1, 1, 0, 900, 0, 901, 7, 0)) == (
        None,
        None,
    )


def test_when_volumes_are_listed_then_each_has_its_disks_and_what_they_say(
    kernel: FakeKernel,
) -> None:
    """Drive letters C and E; E spans two disks, C's disk says nothing of itself."""
    drive = "\\\\.\\PhysicalDrive"
    plain, seek = struct.pack("<III", 0, 0, 0), struct.pack("<III", 7, 0, 0)
    kernel.devices = {
        ("\\\\?\\Volume{guid-C}", 0x560000, b""): extents(0),
        ("\\\\?\\Volume{guid-E}", 0x560000, b""): extents(2, 1),
        (f"{drive}1", 0x2D1400, plain): descriptor(b"Larch 2T", b"S4"),
        (f"{drive}1", 0x2D1400, seek): struct.pack("<IIB3x", 12, 12, 0),
        (f"{drive}2", 0x2D1400, seek): struct.pack("<IIB3x", 12, 12, 1),
        (f"{drive}1", 0x70020, b""): struct.pack("<q", 1000) + bytes(80),
        (f"{drive}2", 0x70020, b""): struct.pack("<q", 234) + bytes(80),
    }
    system, drive_e = windows.mounts()
    assert (system.point, system.disks, system.read_only) == ("C:\\", ("PhysicalDrive0",), True)
    assert (system.model, system.serial, system.rotational) == (None, None, None)
    assert drive_e.disks == ("PhysicalDrive1", "PhysicalDrive2")
    assert (drive_e.model, drive_e.serial, drive_e.rotational) == ("Larch 2T", "S4", True)
    assert (drive_e.fs_type, drive_e.read_only, drive_e.server) == ("exfat", False, None)
    assert windows.read_counter(("PhysicalDrive1", "PhysicalDrive2")) == 1234
    assert windows.read_counter(("PhysicalDrive0", "PhysicalDrive1")) is None
    assert windows.read_counter(()) is None
    assert {flag for _, access, *_, flag in kernel.opened if access == 0} == {0}
    assert len(kernel.closed) == len(kernel.opened)


def test_when_a_share_is_looked_at_then_its_device_is_its_server(kernel: FakeKernel) -> None:
    """No disk of this machine lies behind it."""
    mount = windows_volumes.mount("\\\\nas.invalid\\footage\\")
    assert (mount.server, mount.disks) == ("nas.invalid", ())


def test_when_a_reader_holds_no_card_then_its_volume_is_unknown_and_no_error(
    kernel: FakeKernel, folder: int
) -> None:
    """ERROR_NOT_READY (21)."""
    kernel.refuse = {"GetVolumeInformationW": 21, "GetVolumeNameForVolumeMountPointW": 21}
    mount = windows_volumes.mount("E:\\")
    assert (mount.fs_type, mount.disks, mount.read_only) == ("unknown", (), False)
    assert windows.fs_uuid(folder) is None
    kernel.refuse = {}
    assert windows.fs_uuid(folder) == "1234abcd"
    assert windows.mount_of(folder, "E:\\roll") is not None


@pytest.mark.skipif("sys.platform == 'win32'")
def test_when_it_is_not_windows_then_its_calls_are_an_error_not_a_crash(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The module can be imported everywhere; it can't be used everywhere."""
    monkeypatch.setattr(windows_calls, "_made", None)
    with pytest.raises(OSError, match="Windows'"):
        windows.boot_id()
