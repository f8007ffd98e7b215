"""Linux: mount tables as text, devices in a sysfs tree made for the test.

The layout of the tree follows the kernel's Documentation/ABI (stable/sysfs-block) and what
Linux 6 shows: /sys/block, /sys/class/block and /sys/dev/block are links into /sys/devices,
a partition lies in its disk's folder, `slaves` holds links to what a device is made of.
"""

from __future__ import annotations

import ctypes
import errno
import os
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

if sys.platform != "linux":
    pytest.skip("Linux only", allow_module_level=True)

from ingest import platforms
from ingest.platforms import linux
from ingest.platforms.linux_mounts import System, parse_mounts, read_bytes


class FakeSysfs:
    """Block devices as the kernel would show them."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.system = System(str(root), str(root / "udev"))
        for folder in ("block", "class/block", "dev/block", "fs/btrfs", "udev"):
            (root / folder).mkdir(parents=True)

    def _link(self, name: str, numbers: str, real: Path) -> None:
        (real / "dev").write_text(f"{numbers}\n")
        for link in (f"class/block/{name}", f"dev/block/{numbers}"):
            (self.root / link).symlink_to(real)

    def disk(
        self,
        name: str,
        numbers: str,
        *,
        below: str = "pci0000:00/0000:00:01.0/ata1",
        rotational: str = "0",
        slaves: tuple[str, ...] = (),
    ) -> Path:
        real = self.root / "devices" / below / "block" / name
        (real / "queue").mkdir(parents=True)
        (real / "queue/rotational").write_text(f"{rotational}\n")
        (real / "slaves").mkdir()
        for slave in slaves:
            target = (self.root / "class/block" / slave).resolve()
            (real / "slaves" / slave).symlink_to(target)
        (self.root / "block" / name).symlink_to(real)
        self._link(name, numbers, real)
        return real

    def partition(self, disk: str, name: str, numbers: str) -> None:
        real = (self.root / "block" / disk).resolve() / name
        real.mkdir()
        (real / "partition").write_text("1\n")
        self._link(name, numbers, real)

    def mount(self, numbers: str, fs: str, source: str, options: str = "rw") -> platforms.Mount:
        line = f"40 27 {numbers} / /mnt/drive rw,relatime shared:1 - {fs} {source} {options}\n"
        (mount,) = parse_mounts(line, self.system)
        return mount


@pytest.fixture
def sysfs(tmp_path: Path) -> FakeSysfs:
    return FakeSysfs(tmp_path / "sys")


def test_when_the_manual_s_own_line_is_parsed_then_its_fields_are_those_of_the_manual(
    sysfs: FakeSysfs,
) -> None:
    """The example line of proc_pid_mountinfo(5) (man-pages 6)."""
    line = "36 35 98:0 /mnt1 /mnt2 rw,noatime master:1 - ext3 /dev/root rw,errors=continue\n"
    (mount,) = parse_mounts(line, sysfs.system)
    assert (mount.mount_id, mount.st_dev) == ("36", os.makedev(98, 0))
    assert (mount.point, mount.fs_type, mount.source) == ("/mnt2", "ext3", "/dev/root")
    assert mount.read_only is False
    assert mount.disks == ()


def test_when_a_mount_point_holds_blanks_and_newlines_then_they_come_back_exactly(
    sysfs: FakeSysfs,
) -> None:
    """proc_pid_mountinfo(5) points to proc_pid_mounts(5): octal for space, tab, newline, `\\`."""
    line = (
        "36 35 8:1 / /media/card\\040one\\011\\012\\134end rw - exfat /dev/sd\\040x rw\n"
        "37 35 8:1 / /media/" + "\udcff" + " rw - exfat /dev/sdx rw\n"
    )
    first, second = parse_mounts(line, sysfs.system)
    assert first.point == "/media/card one\t\n\\end"
    assert second.point == "/media/\udcff"


def test_when_a_line_is_not_understood_then_the_others_are_still_told(sysfs: FakeSysfs) -> None:
    """A table with rubbish in it."""
    table = "\nrubbish\n36 35 x:y / /a rw - ext4 /dev/a rw\n37 35 0:5 / /b rw - tmpfs tmpfs rw\n"
    assert [mount.point for mount in parse_mounts(table, sysfs.system)] == ["/b"]


@pytest.mark.parametrize(
    ("own", "super_options", "expected"),
    [
        ("rw", "rw", False),
        ("ro", "rw", True),
        ("rw", "ro", True),
        ("rw,errors=remount-ro", "rw", False),
    ],
)
def test_when_mount_or_file_system_is_read_only_then_the_mount_says_so(
    sysfs: FakeSysfs, own: str, super_options: str, expected: bool
) -> None:
    """Only the whole word counts."""
    line = f"36 35 8:1 / /a {own} - ext4 /dev/sda1 {super_options}\n"
    assert parse_mounts(line, sysfs.system)[0].read_only is expected


def test_when_two_partitions_of_one_disk_are_mounted_then_both_tell_the_whole_disk(
    sysfs: FakeSysfs,
) -> None:
    """A partition is never a device of its own."""
    sysfs.disk("sdb", "8:16")
    sysfs.partition("sdb", "sdb1", "8:17")
    sysfs.partition("sdb", "sdb2", "8:18")
    assert sysfs.mount("8:17", "ext4", "/dev/sdb1").disks == ("sdb",)
    assert sysfs.mount("8:18", "ext4", "/dev/sdb2").disks == ("sdb",)


def test_when_an_encrypted_volume_lies_on_a_logical_one_then_the_disk_at_the_bottom_is_told(
    sysfs: FakeSysfs,
) -> None:
    """Device-mapper over device-mapper over a partition."""
    sysfs.disk("sdb", "8:16")
    sysfs.partition("sdb", "sdb1", "8:17")
    sysfs.disk("dm-0", "253:0", below="virtual", slaves=("sdb1",))
    sysfs.disk("dm-1", "253:1", below="virtual", slaves=("dm-0",))
    assert sysfs.mount("253:1", "ext4", "/dev/mapper/footage").disks == ("sdb",)


def test_when_a_raid_has_partitions_then_every_member_s_whole_disk_is_told(
    sysfs: FakeSysfs,
) -> None:
    """md over two partitions of two disks, itself partitioned."""
    for letter, minor in (("b", 16), ("c", 32)):
        sysfs.disk(f"sd{letter}", f"8:{minor}")
        sysfs.partition(f"sd{letter}", f"sd{letter}1", f"8:{minor + 1}")
    sysfs.disk("md0", "9:0", below="virtual", slaves=("sdb1", "sdc1"))
    sysfs.partition("md0", "md0p1", "259:0")
    assert sysfs.mount("259:0", "xfs", "/dev/md0p1").disks == ("sdb", "sdc")


def test_when_one_member_of_a_raid_is_not_known_then_the_whole_is_not_known(
    sysfs: FakeSysfs,
) -> None:
    """Half an answer would let the other half pass for another device."""
    sysfs.disk("sdb", "8:16")
    real = sysfs.disk("md0", "9:0", below="virtual", slaves=("sdb",))
    (real / "slaves/sdc").symlink_to("/nowhere/sdc")
    assert sysfs.mount("9:0", "xfs", "/dev/md0").disks == ()


def test_when_btrfs_spans_two_disks_then_both_are_told_whichever_is_its_source(
    sysfs: FakeSysfs,
) -> None:
    """btrfs has no block device number of its own; its members stand in /sys/fs/btrfs."""
    for letter, minor in (("b", 16), ("c", 32), ("d", 48)):
        sysfs.disk(f"sd{letter}", f"8:{minor}")
    sysfs.partition("sdc", "sdc1", "8:33")
    for uuid, members in (("one", ("sdb", "sdc1")), ("two", ("sdd",)), ("features", ())):
        folder = sysfs.root / "fs/btrfs" / uuid / "devices"
        folder.mkdir(parents=True)
        for member in members:
            (folder / member).symlink_to((sysfs.root / "class/block" / member).resolve())
    assert sysfs.mount("0:45", "btrfs", "/dev/sdc1").disks == ("sdb", "sdc")
    assert sysfs.mount("0:45", "btrfs", "/dev/sdb").disks == ("sdb", "sdc")
    assert sysfs.mount("0:46", "btrfs", "/dev/sdd").disks == ("sdd",)
    assert sysfs.mount("0:47", "btrfs", "/dev/sde").disks == ()


def test_when_fuse_serves_a_device_then_that_device_s_disk_is_told_else_none(
    sysfs: FakeSysfs,
) -> None:
    """exFAT through FUSE names its device as its source; others have none."""
    sysfs.disk("sdb", "8:16")
    sysfs.partition("sdb", "sdb1", "8:17")
    assert sysfs.mount("0:50", "fuseblk", "/dev/sdb1").disks == ("sdb",)
    assert sysfs.mount("0:51", "fuse.sshfs", "user@host:/x").disks == ()
    assert sysfs.mount("0:52", "overlay", "overlay").disks == ()
    assert sysfs.mount("0:53", "zfs", "pool/footage").disks == ()


@pytest.mark.parametrize(
    ("fs", "source", "options", "expected"),
    [
        ("nfs4", "nas:/footage", "rw,vers=4.2,addr=192.0.2.7", "192.0.2.7"),
        ("nfs", "nas:/footage", "rw", "nas"),
        ("nfs4", "[2001:db8::7]:/footage", "rw", "2001:db8::7"),
        ("cifs", "//nas/footage", "rw,addr=192.0.2.7", "192.0.2.7"),
        ("cifs", "//nas/footage", "rw", "nas"),
        ("fuse.sshfs", "someone@nas:/footage", "rw", "nas"),
        ("ext4", "/dev/sdb1", "rw", None),
    ],
)
def test_when_a_share_is_mounted_then_its_server_is_told_by_address_where_known(
    sysfs: FakeSysfs, fs: str, source: str, options: str, expected: str | None
) -> None:
    """Two names of one machine have one address (addresses: RFC 5737 and RFC 3849)."""
    assert sysfs.mount("0:60", fs, source, options).server == expected


@pytest.mark.parametrize(
    ("disk", "told", "expected"),
    [
        ("sdb", "1", True),
        ("sdb", "0", False),
        ("nvme0n1", "0", False),
        ("mmcblk0", "0", False),
        ("vda", "1", None),
        ("vda", "0", None),
        ("loop3", "1", None),
        ("xvdb", "1", None),
        ("nbd0", "1", None),
    ],
)
def test_when_a_device_is_virtual_then_what_it_says_of_moving_heads_is_not_believed(
    sysfs: FakeSysfs, disk: str, told: str, expected: bool | None
) -> None:
    """Seen on Linux 6.18: virtio says 1 by default, a loop device repeats what lies below."""
    sysfs.disk(disk, "8:16", rotational=told)
    assert sysfs.mount("8:16", "ext4", f"/dev/{disk}").rotational is expected


def test_when_a_raid_mixes_disks_then_one_with_heads_is_enough(sysfs: FakeSysfs) -> None:
    """The slowest member sets the way it is read back."""
    sysfs.disk("sdb", "8:16", rotational="0")
    sysfs.disk("sdc", "8:32", rotational="1")
    sysfs.disk("md0", "9:0", below="virtual", slaves=("sdb", "sdc"))
    assert sysfs.mount("9:0", "ext4", "/dev/md0").rotational is True


def test_when_two_disks_sit_in_one_usb_box_then_they_share_its_name(sysfs: FakeSysfs) -> None:
    """USB devices are named BUS-PORT.PORT in sysfs (Documentation/ABI, sysfs-bus-usb)."""
    box = "pci0000:00/0000:00:14.0/usb2/2-1/2-1.4/2-1.4:1.0/host4/target4:0:0"
    sysfs.disk("sdb", "8:16", below=f"{box}/4:0:0:0")
    sysfs.disk("sdc", "8:32", below=f"{box}/4:0:0:1")
    sysfs.disk("sdd", "8:48", below=box.replace("2-1.4", "2-1.3").replace("4:", "5:"))
    sysfs.disk("sde", "8:64")
    told = [sysfs.mount(f"8:{n}", "ext4", "/dev/x").enclosures for n in (16, 32, 48, 64)]
    assert told[0] == told[1] != ()
    assert told[2] != told[0]
    assert told[2] != ()
    assert told[3] == ()


def test_when_serial_and_model_are_told_then_the_first_source_that_has_them_wins(
    sysfs: FakeSysfs,
) -> None:
    """NVMe says it beside the device, virtio on the block device, udev knows the others."""
    nvme = sysfs.disk("nvme0n1", "259:0", below="pci/nvme/nvme0")
    (nvme / "device").mkdir()
    (nvme / "device/serial").write_text("INV-001 \n")
    (nvme / "device/model").write_text("Larch 2T   \n")
    virtio = sysfs.disk("vda", "254:0")
    (virtio / "serial").write_text("disk-seven")
    sysfs.disk("sdb", "8:16")
    (sysfs.root / "udev/b8:16").write_text("N:sdb\nE:ID_SERIAL=X_Y\nE:ID_SERIAL_SHORT=Y77\n")
    sysfs.disk("sdc", "8:32")
    mount = sysfs.mount("259:0", "ext4", "/dev/nvme0n1")
    assert (mount.serial, mount.model) == ("INV-001", "Larch 2T")
    assert sysfs.mount("254:0", "ext4", "/dev/vda").serial == "disk-seven"
    assert sysfs.mount("8:16", "ext4", "/dev/sdb").serial == "Y77"
    assert sysfs.mount("8:32", "ext4", "/dev/sdc").serial is None


def test_when_a_device_s_counters_are_read_then_the_third_number_counts_in_512_bytes() -> None:
    """Documentation/block/stat.rst: read I/Os, read merges, read sectors; sectors of 512 bytes."""
    text = "  123  4  8000  99  1 2 16 3 0 4 5 0 0 0 0 1 2\n"
    assert read_bytes(text) == 8000 * 512
    assert read_bytes("") is None
    assert read_bytes("1 2 x") is None


def test_when_a_disk_is_not_there_then_no_count_is_made_up() -> None:
    """No count is another thing than a count of nothing."""
    assert platforms.read_counter(()) is None
    assert platforms.read_counter(("no-such-disk",)) is None


def test_when_a_folder_is_open_then_its_mount_is_the_one_the_kernel_names(tmp_path: Path) -> None:
    """/proc is mounted everywhere this runs, and is its own file system."""
    handle = os.open("/proc", os.O_RDONLY | os.O_DIRECTORY)
    try:
        mount = linux.mount_of(handle, "/proc")
    finally:
        os.close(handle)
    assert mount is not None
    assert (mount.point, mount.fs_type, mount.disks) == ("/proc", "proc", ())


def test_when_the_handle_is_closed_then_no_mount_is_told() -> None:
    """A number that is no open file has no mount."""
    assert linux.mount_of(999_999, "/") is None


# Files --------------------------------------------------------------------------------------------


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[int]:
    fd = os.open(tmp_path, os.O_RDONLY | os.O_DIRECTORY)
    yield fd
    os.close(fd)


@pytest.mark.parametrize("direct", [True, False])
def test_a_new_file_is_never_one_that_was_there(
    tmp_path: Path, folder: int, *, direct: bool
) -> None:
    """Neither a file nor what a link of that name points to."""
    (tmp_path / "taken").write_bytes(b"somebody's only copy")
    (tmp_path / "link").symlink_to("nothing yet")
    for name in ("taken", "link"):
        with pytest.raises(FileExistsError):
            linux.open_direct(name, folder, direct=direct)
    assert (tmp_path / "taken").read_bytes() == b"somebody's only copy"
    assert sorted(os.listdir(tmp_path)) == ["link", "taken"]


class NoSuchRename:
    """A C library whose renameat2 is refused, as on exFAT in user space."""

    def renameat2(self, *words: object) -> int:
        ctypes.set_errno(errno.EINVAL)
        return -1


@pytest.mark.parametrize("able", ["in one step", "by links", "by looking first"])
@pytest.mark.parametrize(("taken", "free"), [("TAKE.BIN", False), ("other", True)])
def test_a_rename_never_replaces_whatever_the_file_system_can_do(
    tmp_path: Path,
    folder: int,
    monkeypatch: pytest.MonkeyPatch,
    able: str,
    taken: str,
    *,
    free: bool,
) -> None:
    """By looking first, a name that differs in case alone is taken too: such file systems often
    can't tell the two apart."""

    def no_links(*words: object, **named: object) -> None:
        raise PermissionError(errno.EPERM, os.strerror(errno.EPERM))

    if able != "in one step":
        monkeypatch.setattr(linux, "_libc", NoSuchRename)
    if able == "by looking first":
        monkeypatch.setattr(os, "link", no_links)
    (tmp_path / taken).write_bytes(b"somebody's only copy")
    (tmp_path / "new").write_bytes(b"new")
    for name in ("TAKE.BIN", "take.bin") if able == "by looking first" else ("TAKE.BIN",):
        if free:
            assert linux.rename_new("new", name, folder) is (able != "by looking first")
            assert (tmp_path / name).read_bytes() == b"new"
            os.rename(tmp_path / name, tmp_path / "new")
            continue
        with pytest.raises(FileExistsError):
            linux.rename_new("new", name, folder)
        assert sorted(os.listdir(tmp_path)) == ["TAKE.BIN", "new"]
    assert (tmp_path / taken).read_bytes() == b"somebody's only copy"


def test_who_waited_for_a_processor_is_told_and_who_is_not_there_did_not() -> None:
    """Seconds, never less than before."""
    before = linux.waited_s(os.getpid())
    assert 0 <= before <= linux.waited_s(os.getpid())
    assert linux.waited_s(2**22 + 1) == 0.0
