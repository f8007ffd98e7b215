"""macOS, against fakes of the system calls it makes: this doesn't show that it runs on a Mac.

What the fakes answer follows Apple's headers and manual pages, from memory; real files are
used where the call is plain POSIX.
"""

from __future__ import annotations

import errno
import os
import plistlib
import struct
import sys
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import pytest

if sys.platform == "win32":
    pytest.skip("needs POSIX folder handles", allow_module_level=True)

from ingest.platforms import macos, macos_disks
from ingest.platforms.macos_disks import Disk, Disks


def statfs(point: str, source: str, fs: str, *, flags: int = 0x1000, fs_id: int = 7) -> bytes:
    """struct statfs of <sys/mount.h>, field by field: 2168 bytes with 64-bit inode numbers."""
    return b"".join(
        (
            struct.pack("=Ii", 4096, 1 << 20),
            struct.pack("=5Q", 100, 50, 40, 10, 5),
            struct.pack("=iiIIII", fs_id, 26, 501, 26, flags, 0),
            fs.encode().ljust(16, b"\0"),
            os.fsencode(point).ljust(1024, b"\0"),
            os.fsencode(source).ljust(1024, b"\0"),
            bytes(32),
        )
    )


class FakeCalls(macos.Calls):
    """Keeps what was asked; answers or fails as told."""

    def __init__(self) -> None:
        self.asked: list[tuple[object, ...]] = []
        self.refuse: dict[object, int] = {}
        self.volumes: list[bytes] = []

    def _note(self, key: object, *call: object) -> None:
        self.asked.append((key, *call))
        if number := self.refuse.get(key):
            raise OSError(number, os.strerror(number))

    def fcntl(self, fd: int, command: int, argument: int | bytes = 0) -> int | bytes:
        self._note(command, argument)
        return 0

    def renameatx(self, folder: int, old: bytes, new: bytes, flags: int) -> None:
        self._note("rename", old, new, flags)
        if os.fsdecode(new) in os.listdir(folder):
            raise FileExistsError(errno.EEXIST, "File exists")
        os.rename(old, new, src_dir_fd=folder, dst_dir_fd=folder)

    def fsync_volume(self, fd: int, flags: int) -> None:
        self._note("fsync_volume", flags)

    def invalidate(self, fd: int, size: int) -> None:
        self._note("invalidate", size)

    def sysctl(self, name: str) -> str:
        self._note("sysctl", name)
        return "0F7C6B1E-1111-2222-3333-444455556666"

    def statfs(self, fd: int) -> bytes:
        self._note("statfs")
        return self.volumes[0]

    def all_statfs(self) -> bytes:
        return b"".join(self.volumes)


@pytest.fixture
def calls(monkeypatch: pytest.MonkeyPatch) -> FakeCalls:
    fake = FakeCalls()
    monkeypatch.setattr(macos, "_made", fake)
    return fake


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[int]:
    handle = os.open(tmp_path, os.O_RDONLY | os.O_DIRECTORY)
    yield handle
    os.close(handle)


@pytest.fixture
def fd(tmp_path: Path) -> Iterator[int]:
    handle = os.open(tmp_path / "open", os.O_RDWR | os.O_CREAT)
    yield handle
    os.close(handle)


# Reading and writing ----------------------------------------------------------------------------


def test_when_a_file_is_opened_cold_then_its_pages_are_asked_away_and_none_kept(
    calls: FakeCalls, folder: int, tmp_path: Path
) -> None:
    """F_NOCACHE is command 48 of <sys/fcntl.h>; it alone would still answer from memory."""
    (tmp_path / "clip").write_bytes(b"x" * 10)
    fd, direct = macos.open_cold("clip", folder)
    os.close(fd)
    assert direct
    assert calls.asked == [("invalidate", 10), (48, 1)]


def test_when_the_cache_can_t_be_left_out_then_the_file_is_still_read_and_it_is_said(
    calls: FakeCalls, folder: int, tmp_path: Path
) -> None:
    """A refusal is no error; an error of the device is."""
    (tmp_path / "clip").write_bytes(b"x")
    calls.refuse = {48: errno.ENOTSUP, "invalidate": errno.EINVAL}
    fd, direct = macos.open_cold("clip", folder)
    assert os.read(fd, 9) == b"x"
    os.close(fd)
    assert not direct
    calls.refuse = {48: errno.EIO}
    with pytest.raises(OSError, match="Input/output"):
        macos.open_cold("clip", folder)


def test_when_a_link_stands_there_then_it_is_not_followed(
    calls: FakeCalls, folder: int, tmp_path: Path
) -> None:
    """Neither for reading nor for writing."""
    (tmp_path / "clip").symlink_to("/etc/hostname")
    with pytest.raises(OSError, match="symbolic link"):
        macos.open_cold("clip", folder)
    with pytest.raises(FileExistsError):
        macos.open_direct("clip", folder)


def test_when_a_new_file_is_opened_then_an_old_one_is_never_replaced(
    calls: FakeCalls, folder: int, tmp_path: Path
) -> None:
    """O_EXCL, and no cache."""
    fd, direct = macos.open_direct("new", folder)
    os.close(fd)
    assert direct
    assert calls.asked == [(48, 1)]
    with pytest.raises(FileExistsError):
        macos.open_direct("new", folder)
    fd, direct = macos.open_direct("other", folder, direct=False)
    os.close(fd)
    assert not direct


@pytest.mark.parametrize("flush", [macos.flush, macos.flush_range])
def test_when_data_is_flushed_then_the_device_s_own_cache_is_emptied(
    calls: FakeCalls, fd: int, flush: Callable[[int], None]
) -> None:
    """fsync(2) of macOS: data may wait in the drive; F_FULLFSYNC (51) asks for it on the medium."""
    flush(fd)
    assert calls.asked == [(51, 0)]


def test_when_a_share_has_no_full_flush_then_fsync_is_done(
    calls: FakeCalls, fd: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """All there is, on such a file system."""
    done: list[int] = []
    monkeypatch.setattr(os, "fsync", done.append)
    calls.refuse = {51: errno.ENOTSUP}
    macos.flush(fd)
    assert done == [fd]


def test_when_a_flush_fails_then_no_other_is_tried(
    calls: FakeCalls, fd: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A flush that failed is final: a second one may succeed though the data is gone."""
    monkeypatch.setattr(os, "fsync", lambda _: pytest.fail("flushed again"))
    for number in (errno.EIO, errno.ENOSPC):
        calls.refuse = {51: number}
        with pytest.raises(OSError, match=os.strerror(number)):
            macos.flush(fd)


def test_when_a_volume_is_flushed_then_memory_goes_first_and_the_device_s_cache_after(
    calls: FakeCalls, fd: int
) -> None:
    """SYNC_VOLUME_WAIT (2) of <sys/unistd.h>: not before it is done."""
    macos.flush_volume(fd)
    assert calls.asked == [("fsync_volume", 2), (51, 0)]
    calls.refuse = {"fsync_volume": errno.EIO}
    with pytest.raises(OSError, match="Input/output"):
        macos.flush_volume(fd)


def test_when_room_is_reserved_then_it_is_all_of_it_from_the_end_of_the_file(
    calls: FakeCalls, fd: int
) -> None:
    """fstore_t of <sys/fcntl.h>: flags, position mode, offset, length, bytes allocated."""
    macos.preallocate(fd, 5_000_000_000)
    ((command, argument),) = calls.asked
    assert command == 42
    assert isinstance(argument, bytes)
    assert struct.unpack("=Iiqqq", argument) == (4, 3, 0, 5_000_000_000, 0)
    assert os.fstat(fd).st_size == 0


def test_when_room_is_not_there_then_it_is_an_error_and_a_refusal_is_none(
    calls: FakeCalls, fd: int
) -> None:
    """A file system that can't reserve is left alone."""
    calls.refuse = {42: errno.ENOTSUP}
    macos.preallocate(fd, 10)
    calls.refuse = {42: errno.ENOSPC}
    with pytest.raises(OSError, match="No space"):
        macos.preallocate(fd, 10)


def test_when_a_file_is_renamed_then_the_kernel_is_asked_not_to_replace(
    calls: FakeCalls, folder: int, tmp_path: Path
) -> None:
    """RENAME_EXCL is 4 in <sys/stdio.h>."""
    (tmp_path / "a").write_text("a")
    (tmp_path / "b").write_text("b")
    with pytest.raises(FileExistsError):
        macos.rename_new("a", "b", folder)
    assert macos.rename_new("a", "c", folder) is True
    assert calls.asked == [("rename", b"a", b"b", 4), ("rename", b"a", b"c", 4)]
    assert {name: (tmp_path / name).read_text() for name in os.listdir(tmp_path)} == {
        "b": "b",
        "c": "a",
    }


def test_when_the_file_system_can_t_promise_it_then_it_is_looked_at_and_said(
    calls: FakeCalls, folder: int, tmp_path: Path
) -> None:
    """exFAT: names that differ only in case are one name there."""
    calls.refuse = {"rename": errno.ENOTSUP}
    (tmp_path / "a").write_text("a")
    (tmp_path / "CLIP.MOV").write_text("old")
    with pytest.raises(FileExistsError):
        macos.rename_new("a", "clip.mov", folder)
    assert macos.rename_new("a", "new", folder) is False
    assert (tmp_path / "new").read_text() == "a"
    calls.refuse = {"rename": errno.EIO}
    with pytest.raises(OSError, match="Input/output"):
        macos.rename_new("new", "other", folder)


def test_when_the_boot_is_asked_for_then_it_is_the_kernel_s_session(calls: FakeCalls) -> None:
    """kern.bootsessionuuid; without it nothing is made up."""
    assert macos.boot_id() == "0f7c6b1e-1111-2222-3333-444455556666"
    calls.refuse = {"sysctl": errno.ENOENT}
    assert macos.boot_id() == "unknown"


def test_when_the_real_calls_are_made_then_their_answers_and_errors_come_through(
    fd: int, tmp_path: Path
) -> None:
    """mmap, msync and their numbers are POSIX's and the same on Linux; so this runs for real."""
    os.write(fd, b"x" * 100_000)
    os.fsync(fd)
    real = macos.Calls()
    real.invalidate(fd, 100_000)
    assert (tmp_path / "open").read_bytes() == b"x" * 100_000
    with pytest.raises(OSError, match="Bad file descriptor"):
        real.invalidate(999_999, 10)


# Mounts -----------------------------------------------------------------------------------------

INFO: dict[str, dict[str, object]] = {
    "/dev/disk3s5": {
        "ParentWholeDisk": "disk3",
        "VolumeUUID": "AAAA0000-0000-0000-0000-000000000005",
        "APFSPhysicalStores": [{"APFSPhysicalStore": "disk0s2"}],
    },
    "disk0s2": {"ParentWholeDisk": "disk0"},
    "/dev/disk4s1": {"ParentWholeDisk": "disk4", "VolumeUUID": "BBBB"},
    "/dev/disk4s2": {"ParentWholeDisk": "disk4"},
    "/dev/disk6s1": {"ParentWholeDisk": "disk6", "BusProtocol": "Disk Image"},
    "/dev/disk7": {"ParentWholeDisk": "disk7", "VirtualOrPhysical": "Virtual"},
    "/dev/disk8": {"ParentWholeDisk": "disk8", "RAIDMaster": True},
    "/dev/disk9s1": {
        "APFSPhysicalStores": [
            {"APFSPhysicalStore": "disk0s2"},
            {"APFSPhysicalStore": "disk4s9"},
        ]
    },
}


def device(serial: str, product: str, medium: str, read: int, name: str) -> dict[str, object]:
    media = {
        "BSD Name": name,
        "Whole": True,
        "IORegistryEntryChildren": [{"BSD Name": f"{name}s1", "Whole": False}],
    }
    return {
        "Device Characteristics": {
            "Serial Number": serial,
            "Product Name": product,
            "Medium Type": medium,
        },
        "IORegistryEntryChildren": [
            {"Statistics": {"Bytes (Read)": read}, "IORegistryEntryChildren": [media]}
        ],
    }


REGISTRY = [
    device(" S0 ", "INNER", "Solid State", 1000, "disk0"),
    device("S4", "LARCH 2T", "Rotational", 2000, "disk4"),
]


def answer(command: Sequence[str]) -> bytes:
    if command[0].endswith("ioreg"):
        return plistlib.dumps(REGISTRY)
    assert command[:3] == ("/usr/sbin/diskutil", "info", "-plist")
    told = INFO.get(command[3])
    return plistlib.dumps(told) if told is not None else b""


@pytest.fixture
def tools(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(macos_disks, "run", answer)


@pytest.mark.parametrize(
    ("source", "expected"),
    [
        ("/dev/disk4s1", ("disk4",)),
        ("/dev/disk4s2", ("disk4",)),
        ("/dev/disk3s5", ("disk0",)),
        ("/dev/disk6s1", ()),
        ("/dev/disk7", ()),
        ("/dev/disk8", ()),
        ("/dev/disk9s1", ()),
        ("/dev/disk99", ()),
    ],
)
def test_when_a_volume_is_asked_for_its_disk_then_it_is_the_physical_one_or_unknown(
    source: str, expected: tuple[str, ...]
) -> None:
    """Partitions, an APFS volume, disk images, a RAID, a container with a lost store, nothing."""
    assert Disks(answer).whole(source) == expected


def test_when_a_tool_answers_rubbish_then_nothing_is_known() -> None:
    """Absent, failing, or another format."""
    for raw in (b"", b"rubbish", b"<plist><arr", plistlib.dumps([1]), plistlib.dumps("x")):
        disks = Disks(lambda _, raw=raw: raw)
        assert disks.whole("/dev/disk4s1") == ()
        assert disks.hardware() == {}


def test_when_the_registry_is_read_then_each_whole_disk_has_what_stands_above_it() -> None:
    """Serial and medium stand on the device, the count on its driver, the name on the medium."""
    assert Disks(answer).hardware() == {
        "disk0": Disk("S0", "INNER", False, 1000),
        "disk4": Disk("S4", "LARCH 2T", True, 2000),
    }


def test_when_a_tool_is_absent_or_fails_then_it_said_nothing() -> None:
    """Real processes: one that isn't there, one that fails, one that answers."""
    assert macos_disks.run(("/no/such/tool",)) == b""
    assert macos_disks.run(("/bin/sh", "-c", "echo partly; exit 1")) == b""
    assert macos_disks.run(("/bin/sh", "-c", "echo whole")) == b"whole\n"


@pytest.mark.usefixtures("tools")
def test_when_mounts_are_listed_then_each_has_its_disk_and_shares_their_server(
    calls: FakeCalls,
) -> None:
    """MNT_LOCAL (0x1000) and MNT_RDONLY (1) of <sys/mount.h>."""
    calls.volumes = [
        statfs("/System/Volumes/Data", "/dev/disk3s5", "apfs"),
        statfs("/Volumes/Larch one", "/dev/disk4s1", "exfat", flags=0x1001, fs_id=-3),
        statfs("/Volumes/Archive", "//someone@nas.invalid/footage", "smbfs", flags=0),
        statfs("/Volumes/Nfs", "nas.invalid:/footage", "nfs", flags=0),
    ]
    assert {len(volume) for volume in calls.volumes} == {2168}
    data, larch, share, nfs = macos.mounts()
    assert (data.disks, data.rotational, data.server) == (("disk0",), False, None)
    assert (larch.point, larch.fs_type, larch.disks) == ("/Volumes/Larch one", "exfat", ("disk4",))
    assert (larch.serial, larch.model, larch.rotational) == ("S4", "LARCH 2T", True)
    assert (larch.read_only, larch.mount_id, larch.st_dev) == (True, "fffffffd:1a", -3)
    assert (share.server, share.disks) == ("nas.invalid", ())
    assert nfs.server == "nas.invalid"
    assert macos.mount_of(3, "/System/Volumes/Data") == data


@pytest.mark.usefixtures("tools")
def test_when_a_volume_has_a_uuid_then_it_is_told_as_on_other_systems(calls: FakeCalls) -> None:
    """Hexadecimal without dashes; a share has none."""
    calls.volumes = [statfs("/System/Volumes/Data", "/dev/disk3s5", "apfs")]
    assert macos.fs_uuid(3) == "aaaa0000000000000000000000000005"
    calls.volumes = [statfs("/Volumes/Archive", "//nas.invalid/footage", "smbfs")]
    assert macos.fs_uuid(3) is None
    calls.refuse = {"statfs": errno.EIO}
    assert macos.fs_uuid(3) is None


@pytest.mark.usefixtures("tools")
def test_when_disks_are_asked_for_their_count_then_all_must_tell() -> None:
    """Half a sum would be no witness."""
    assert macos.read_counter(("disk0", "disk4")) == 3000
    assert macos.read_counter(("disk0", "disk5")) is None
    assert macos.read_counter(()) is None
