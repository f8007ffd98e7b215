"""Linux: which file systems are mounted, and which whole disks lie behind each.

Pure in what it reads: the text of a mount table, and a sysfs tree whose root is passed in.

Sources: proc_pid_mountinfo(5); the kernel's Documentation/ABI (stable/sysfs-block,
testing/sysfs-block-dm, testing/sysfs-fs-btrfs) and Documentation/block/stat.rst.
"""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Iterable
from dataclasses import dataclass

from ingest.platforms.mount import Mount

__all__ = ["NETWORK", "System", "parse_mounts", "read_bytes"]

assert sys.platform != "win32"  # a type check for Windows stops here

NETWORK = frozenset({"nfs", "nfs4", "cifs", "smb3", "afs", "ceph", "fuse.sshfs", "9p"})
"""File systems whose device is another machine."""

_OCTAL = re.compile(r"\\([0-7]{3})")
_SECTOR = 512  # bytes; block/stat.rst: "standard UNIX 512-byte sectors", whatever the device's
_UNTOLD_HEADS = re.compile(r"(loop|vd[a-z]|xvd|nbd|zram|ram|pmem)")
_USB_DEVICE = re.compile(r"\d+-\d+(\.\d+)*")


@dataclass(frozen=True, slots=True)
class System:
    """Where the kernel and udev describe the devices."""

    sysfs: str = "/sys"
    udev: str = "/run/udev/data"

    def disks(self, numbers: str, fs_type: str, source: str) -> tuple[str, ...]:
        """Whole disks behind a mount; empty when they can't be known.

        `numbers` is the mount table's major:minor.
        """
        if fs_type == "btrfs":
            return self._btrfs(source)
        if numbers.startswith("0:"):
            # No block device of its own: FUSE over one names it as its source.
            if not source.startswith("/dev/"):
                return ()
            return self._whole(f"{self.sysfs}/class/block/{_device_name(source)}")
        return self._whole(f"{self.sysfs}/dev/block/{numbers}")

    def serial(self, disk: str) -> str | None:
        """The hardware's serial, by the first that tells it."""
        block = f"{self.sysfs}/block/{disk}"
        for path in (f"{block}/device/serial", f"{block}/serial"):
            if found := _text(path):
                return found
        numbers = _text(f"{block}/dev")
        about = _text(f"{self.udev}/b{numbers}") if numbers else None
        for line in (about or "").splitlines():
            if line.startswith("E:ID_SERIAL_SHORT="):
                return line.partition("=")[2] or None
        return None

    def model(self, disk: str) -> str | None:
        """What the device calls itself."""
        return _text(f"{self.sysfs}/block/{disk}/device/model")

    def rotational(self, disks: tuple[str, ...]) -> bool | None:
        """Does one of these have moving heads? None when no device says so credibly.

        A virtual device takes the kernel's default, or what lies below its image, and that
        says nothing about the medium.
        """
        told = [
            None
            if _UNTOLD_HEADS.match(disk)
            else _text(f"{self.sysfs}/block/{disk}/queue/rotational")
            for disk in disks
        ]
        if "1" in told:
            return True
        return False if told and None not in told else None

    def enclosures(self, disks: tuple[str, ...]) -> tuple[str, ...]:
        """The USB devices that the disks hang from: two disks in one box share theirs."""
        found = set()
        for disk in disks:
            above = os.path.realpath(f"{self.sysfs}/block/{disk}").split("/")
            usb = [place for place, part in enumerate(above) if _USB_DEVICE.fullmatch(part)]
            if usb:
                found.add("/".join(above[above.index("devices") : usb[-1] + 1]))
        return tuple(sorted(found))

    def _btrfs(self, source: str) -> tuple[str, ...]:
        name = _device_name(source)
        for uuid in _listed(f"{self.sysfs}/fs/btrfs"):
            members = _listed(f"{self.sysfs}/fs/btrfs/{uuid}/devices")
            if name in members:
                return self._all(f"{self.sysfs}/class/block/{member}" for member in members)
        return ()

    def _whole(self, node: str) -> tuple[str, ...]:
        """Whole disks below a block device: out of partitions, down through mapper and RAID."""
        real = os.path.realpath(node)
        if not os.path.isdir(real):
            return ()
        if os.path.exists(f"{real}/partition"):
            return self._whole(os.path.dirname(real))
        members = _listed(f"{real}/slaves")
        if members:
            return self._all(f"{real}/slaves/{member}" for member in members)
        return (os.path.basename(real),)

    def _all(self, nodes: Iterable[str]) -> tuple[str, ...]:
        """Disks below several devices. One of them unknown makes the whole unknown."""
        found: set[str] = set()
        for node in nodes:
            below = self._whole(node)
            if not below:
                return ()
            found.update(below)
        return tuple(sorted(found))


def parse_mounts(text: str, system: System | None = None) -> tuple[Mount, ...]:
    """Every mount in a mount table, in its order. Lines that can't be understood are left out."""
    system = system or System()
    found = (_mount(line, system) for line in text.split("\n") if line)
    return tuple(mount for mount in found if mount is not None)


def read_bytes(stat: str) -> int | None:
    """Bytes read from a device since it appeared, out of the text of its `stat` file."""
    fields = stat.split()
    try:
        return int(fields[2]) * _SECTOR
    except (IndexError, ValueError):
        return None


def _mount(line: str, system: System) -> Mount | None:
    before, separator, after = line.partition(" - ")
    front, back = before.split(" "), after.split(" ")
    if not separator or len(front) < 6 or len(back) < 3:
        return None
    mount_id, _, numbers, top, point, options = front[:6]
    fs_type, source, super_options = back[:3]
    major, _, minor = numbers.partition(":")
    try:
        st_dev = os.makedev(int(major), int(minor))
    except ValueError:
        return None
    source = _unescaped(source)
    disks = system.disks(numbers, fs_type, source)
    first = disks[0] if disks else None
    return Mount(
        point=_unescaped(point),
        source=source,
        fs_type=fs_type,
        disks=disks,
        serial=system.serial(first) if first else None,
        model=system.model(first) if first else None,
        mount_id=mount_id,
        read_only="ro" in options.split(",") or "ro" in super_options.split(","),
        rotational=system.rotational(disks),
        st_dev=st_dev,
        enclosures=system.enclosures(disks),
        # A subvolume of btrfs, and a share's folder, are how these are mounted on any day.
        part=top != "/" and source.startswith("/dev/") and fs_type != "btrfs",
        server=_server(source, super_options) if fs_type in NETWORK else None,
    )


def _server(source: str, options: str) -> str | None:
    """The other machine: its address from the options, else its name out of the source."""
    for option in options.split(","):
        if option.startswith("addr="):
            return option.partition("=")[2] or None
    name = source.lstrip("/")
    if name.startswith("["):
        return name[1:].partition("]")[0] or None
    return name.partition(":")[0].partition("/")[0].rpartition("@")[2] or None


def _device_name(source: str) -> str:
    """The kernel's name for a device file, links such as /dev/mapper/... resolved."""
    return os.path.basename(os.path.realpath(source))


def _unescaped(text: str) -> str:
    return _OCTAL.sub(lambda found: chr(int(found[1], 8)), text)


def _text(path: str) -> str | None:
    try:
        with open(path, encoding="utf-8", errors="replace") as file:
            return file.read().strip() or None
    except OSError:
        return None


def _listed(folder: str) -> list[str]:
    try:
        return sorted(os.listdir(folder))
    except OSError:
        return []
