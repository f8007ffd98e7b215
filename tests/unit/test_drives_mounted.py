"""Which drive is this, on real file systems: partitions, clones, formats, remounts.

Needs root and loop devices; elsewhere each test is skipped and says so.
"""

from __future__ import annotations

import os
import shutil
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "faults"))  # the laboratory lies there

from laboratory import loops

from ingest import platforms
from ingest.copying.buffers import Buffer
from ingest.drives import MARKER, card_at, find_mounted, look_at, mark, recognise, same_device

pytestmark = pytest.mark.laboratory

MIB = 1024 * 1024


@pytest.fixture
def keep() -> Iterator[ExitStack]:
    loops.need_loops()
    with ExitStack() as stack:
        yield stack


@contextmanager
def mounted(image: Path, point: Path, fs: str = "ext4", options: str = "") -> Iterator[str]:
    """An image that is there already, mounted."""
    device = loops.attach(image)
    try:
        loops.mount(device, point, fs, options=options)
        yield device
    finally:
        loops.unmount(point)
        loops.detach(device)


def partition(device: str, number: int, start_mb: int, size_mb: int) -> str:
    """Tell the kernel of a partition; no table is needed, nor a kernel that understands one."""
    loops.need_tool("addpart")
    sectors = MIB // 512
    loops.run("addpart", device, str(number), str(start_mb * sectors), str(size_mb * sectors))
    name = f"{device}p{number}"
    for _ in range(40):
        if os.path.exists(name):
            break
        time.sleep(0.05)
    else:
        loops.need("partitions of loop devices get no device file on this machine")
    return name


def test_when_two_partitions_of_one_image_are_two_drives_then_they_are_one_device(
    keep: ExitStack, tmp_path: Path
) -> None:
    """Two copies there are one accident away from none."""
    image = tmp_path / "image"
    with open(image, "wb") as file:
        file.truncate(50 * MIB)
    device = loops.attach(image)
    keep.callback(loops.detach, device)
    points = []
    for number in (1, 2):
        name = partition(device, number, 24 * number - 23, 24)
        keep.callback(loops.run, "delpart", device, str(number))
        loops.make_fs(name, "ext4")
        point = tmp_path / f"drive{number}"
        keep.callback(loops.unmount, point)
        loops.mount(name, point, "ext4")
        points.append(point)
    one, two = (look_at(str(point)) for point in points)
    assert one.disks == two.disks == (os.path.basename(device),)
    assert one.fs_uuid != two.fs_uuid
    assert same_device(one, two)


def test_when_two_drives_have_devices_of_their_own_then_they_are_told_apart(
    keep: ExitStack,
) -> None:
    """And what is told of each is its own."""
    one, two = (keep.enter_context(loops.loop_drive(32)) for _ in range(2))
    seen_one, seen_two = look_at(str(one.mount)), look_at(str(two.mount))
    assert not same_device(seen_one, seen_two)
    assert seen_one.disks == (os.path.basename(one.device),)
    assert seen_one.fs_type == "ext4"
    assert seen_one.fs_uuid == blkid_uuid(one.device)
    assert (seen_one.system, seen_one.read_only) == (False, False)
    assert seen_one.mount_point == seen_one.root == str(one.mount)


def blkid_uuid(device: str) -> str:
    loops.need_tool("blkid")
    told = loops.run("blkid", "-p", "-o", "value", "-s", "UUID", device)
    return told.strip().replace("-", "").lower()


@pytest.mark.parametrize("fs", ["ext4", "xfs", "btrfs"])
def test_when_a_file_system_keeps_a_uuid_then_it_is_the_one_blkid_reads(
    keep: ExitStack, fs: str
) -> None:
    """Checked against a general-purpose tool; kernels before 6.9 need udev for it."""
    drive = keep.enter_context(loops.loop_drive(128, fs))
    seen = look_at(str(drive.mount))
    if seen.fs_uuid is None:
        pytest.skip("neither FS_IOC_GETFSUUID nor /dev/disk/by-uuid on this machine")
    assert seen.fs_uuid == blkid_uuid(drive.device)
    assert seen.disks == (os.path.basename(drive.device),)


def test_when_an_exfat_drive_is_served_by_fuse_then_its_disk_is_still_known(
    keep: ExitStack,
) -> None:
    """It has no device number of its own."""
    if not os.path.exists("/dev/fuse"):
        loops.need("no FUSE on this machine")
    drive = keep.enter_context(loops.loop_drive(32, "exfat"))
    assert look_at(str(drive.mount)).disks == (os.path.basename(drive.device),)


def test_when_a_clone_of_a_marked_drive_is_mounted_too_then_neither_is_found(
    keep: ExitStack, tmp_path: Path
) -> None:
    """Which of the two is meant can't be known; alone, each is."""
    drive = keep.enter_context(loops.loop_drive(32))
    other = keep.enter_context(loops.loop_drive(32))
    seen, alone = mark(str(drive.mount), "Larch"), mark(str(other.mount), "Fir")
    assert find_mounted()[seen.marker] == seen
    os.sync()
    shutil.copyfile(drive.image, tmp_path / "clone")
    with mounted(tmp_path / "clone", tmp_path / "point"):
        twin = recognise(str(tmp_path / "point"))
        assert twin is not None
        assert (twin.marker, twin.fs_uuid) == (seen.marker, seen.fs_uuid)
        found = find_mounted()
        assert seen.marker not in found
        assert found[alone.marker] == alone
    assert find_mounted()[seen.marker] == seen


def test_when_one_drive_is_mounted_in_two_places_then_it_is_still_found(
    keep: ExitStack, tmp_path: Path
) -> None:
    """A bind mount is the same folder, not a clone."""
    drive = keep.enter_context(loops.loop_drive(32))
    seen = mark(str(drive.mount), "Larch")
    again = tmp_path / "again"
    again.mkdir()
    keep.callback(loops.unmount, again)
    loops.run("mount", "--bind", drive.mount, again)
    assert find_mounted([str(again)])[seen.marker].marker == seen.marker
    assert look_at(str(again)).mount != look_at(str(drive.mount)).mount
    assert same_device(look_at(str(again)), look_at(str(drive.mount)))


def test_when_a_drive_was_formatted_and_its_marker_put_back_then_its_uuid_gives_it_away(
    keep: ExitStack, tmp_path: Path
) -> None:
    """Identity is marker, file-system UUID and serial together."""
    point, image = tmp_path / "point", tmp_path / "image"
    with open(image, "wb") as file:
        file.truncate(32 * MIB)
    loops.make_fs(image, "ext4")
    with mounted(image, point):
        before = mark(str(point), "Larch")
        shutil.copyfile(point / MARKER, tmp_path / MARKER)
    loops.make_fs(image, "ext4")
    with mounted(image, point):
        assert recognise(str(point)) is None
        shutil.copyfile(tmp_path / MARKER, point / MARKER)
        after = recognise(str(point))
    assert after is not None
    assert (after.marker, after.name) == (before.marker, before.name)
    assert after.fs_uuid != before.fs_uuid


def test_when_a_drive_is_unplugged_and_plugged_in_again_then_it_is_another_mount(
    keep: ExitStack, tmp_path: Path
) -> None:
    """The kernel gives the mount table's small numbers again at once; these it never does."""
    point, image = tmp_path / "point", tmp_path / "image"
    with open(image, "wb") as file:
        file.truncate(32 * MIB)
    loops.make_fs(image, "ext4")
    seen = []
    for _ in range(3):
        with mounted(image, point):
            seen.append(look_at(str(point)))
    if tuple(int(part) for part in os.uname().release.split(".")[:2]) < (6, 8):
        pytest.skip("this kernel has no mount ids that are never given again (Linux 6.8)")
    assert len({one.mount for one in seen}) == 3
    assert len({one.fs_uuid for one in seen}) == 1


def test_when_another_drive_is_mounted_over_the_first_then_the_upper_one_is_told(
    keep: ExitStack,
) -> None:
    """The path is the same, the drive is not."""
    below = keep.enter_context(loops.loop_drive(32))
    upper = keep.enter_context(loops.loop_drive(32))
    first = look_at(str(below.mount))
    loops.mount(upper.device, below.mount, "ext4")
    keep.callback(loops.unmount, below.mount)
    second = look_at(str(below.mount))
    assert second.disks == (os.path.basename(upper.device),)
    assert second.mount != first.mount
    assert not same_device(first, second)


def test_when_a_deeper_mount_is_hidden_by_a_later_one_above_it_then_the_later_one_is_told(
    keep: ExitStack, tmp_path: Path
) -> None:
    """The longest mount point in the table is not always the one that is reached."""
    hidden = keep.enter_context(loops.loop_drive(32))
    upper = keep.enter_context(loops.loop_drive(32))
    above, point = tmp_path / "media", tmp_path / "media/drive"
    keep.callback(loops.unmount, point)
    loops.mount(hidden.device, point, "ext4")
    keep.callback(loops.unmount, above)
    loops.mount(upper.device, above, "ext4")
    point.mkdir()
    seen = look_at(str(point))
    assert seen.mount_point == str(above)
    assert seen.disks == (os.path.basename(upper.device),)


def test_when_a_drive_is_mounted_read_only_then_it_says_so_and_can_t_be_marked(
    keep: ExitStack, tmp_path: Path
) -> None:
    """A lock switch, or a file system that went read-only after a fault."""
    drive = keep.enter_context(loops.loop_drive(32))
    loops.run("mount", "-o", "remount,ro", drive.mount)
    assert look_at(str(drive.mount)).read_only
    with pytest.raises(Exception, match="can't be written to: Read-only file system"):
        mark(str(drive.mount), "Larch")


def test_when_a_card_is_a_whole_volume_then_its_identity_is_the_volume_s(keep: ExitStack) -> None:
    """A folder on it has none."""
    drive = keep.enter_context(loops.loop_drive(32))
    (drive.mount / "folder").mkdir()
    assert card_at(str(drive.mount), "A017").fs_uuid == look_at(str(drive.mount)).fs_uuid
    assert card_at(str(drive.mount / "folder"), "A017").fs_uuid is None


def test_when_two_subvolumes_of_the_system_s_pool_are_mounted_then_both_are_the_system_s(
    keep: ExitStack, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """They share their room, though their device numbers differ."""
    pool = keep.enter_context(loops.loop_drive(128, "btrfs"))
    loops.need_tool("btrfs")
    loops.run("btrfs", "subvolume", "create", pool.mount / "home")
    other = tmp_path / "other"
    keep.callback(loops.unmount, other)
    loops.mount(pool.device, other, "btrfs", options="subvol=home")
    monkeypatch.setattr("ingest.drives.tempfile.gettempdir", lambda: str(other))
    assert look_at(str(other)).st_dev != look_at(str(pool.mount)).st_dev
    assert look_at(str(pool.mount)).system


def test_when_a_file_is_read_past_the_cache_then_the_device_s_counter_rises_by_its_size(
    keep: ExitStack,
) -> None:
    """And it stays still when memory answers: that is what makes it a witness."""
    drive = keep.enter_context(loops.loop_drive(64))
    disks = look_at(str(drive.mount)).disks
    size = 8 * MIB
    (drive.mount / "clip").write_bytes(os.urandom(size))
    os.sync()
    (drive.mount / "clip").read_bytes()

    start = counted(disks)
    (drive.mount / "clip").read_bytes()
    assert counted(disks) - start == 0

    folder = os.open(drive.mount, os.O_RDONLY | os.O_DIRECTORY)
    keep.callback(os.close, folder)
    fd, direct = platforms.open_cold("clip", folder)
    keep.callback(os.close, fd)
    assert direct
    buffer, done = Buffer(), 0
    while done < size:
        done += os.preadv(fd, [buffer.view[:MIB]], done)
    assert size <= counted(disks) - start < size + MIB


def counted(disks: tuple[str, ...]) -> int:
    count = platforms.read_counter(disks)
    assert count is not None
    return count
