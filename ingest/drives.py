"""Which drive or card is this: identity, physical device, room.

A drive is known by three things together: the marker file at its root, which this program
wrote, its file system's UUID, and the hardware's serial. A physical device is found from the
mount's source down through partitions, mapper and RAID to whole disks. What can't be shown to
be different counts as the same.
"""

from __future__ import annotations

import json
import os
import secrets
import tempfile
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from ingest import platforms
from ingest.errors import BadDestination
from ingest.names import shown

__all__ = [
    "MARKER",
    "CardSeen",
    "DriveSeen",
    "Volume",
    "card_at",
    "find_mounted",
    "look_at",
    "mark",
    "recognise",
    "same_device",
]

MARKER = ".ingest-drive.json"
"""Name of the marker file at a drive's root."""

_MARKER_LIMIT = 64 * 1024
_NETWORK = frozenset({"nfs", "nfs4", "cifs", "smb3", "smbfs", "afs", "ceph", "fuse.sshfs", "9p"})


@dataclass(frozen=True, slots=True)
class Volume:
    """The file system behind a folder, as it stands now."""

    root: str
    """The folder that was named, absolute, links resolved."""
    mount_point: str
    fs_type: str
    source: str
    """What is mounted: `/dev/sdb1`, `server:/share`."""
    fs_uuid: str | None
    disks: tuple[str, ...]
    """Whole physical disks behind it (`sdb`), a share's server; empty when unknown."""
    serial: str | None
    device: str
    """The same for people: `sdb (Model, serial)`."""
    mount: str
    """Which mount this is: changes when the drive is unplugged and plugged in again."""
    st_dev: int
    total: int
    free: int
    """Bytes that a user may still write."""
    read_only: bool
    system: bool
    """It holds `/`, the home folder or the temporary folder."""
    rotational: bool | None


@dataclass(frozen=True, slots=True)
class DriveSeen:
    """A drive as it stands now. Identity is marker, file-system UUID and serial together."""

    marker: str
    """Id in the marker file at the drive's root, which this program wrote."""
    name: str
    fs_uuid: str | None
    serial: str | None
    device: str
    """The physical device(s) behind it, for people: `sdb (Model, serial)`."""
    fs_type: str
    root: str
    """Where it is mounted now."""


@dataclass(frozen=True, slots=True)
class CardSeen:
    """A card as it stands now."""

    label: str
    """Its sticker or volume name."""
    fs_uuid: str | None
    serial: str | None
    device: str
    root: str


def look_at(path: str) -> Volume:
    """The volume behind an existing folder. Raises BadDestination when there is none."""
    root = os.path.realpath(path)
    try:
        handle = os.open(root, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    except FileNotFoundError:
        raise BadDestination(
            f"There is no folder at {shown(path)}.",
            do="check that the drive is plugged in and mounted; its folder is never made for it",
        ) from None
    except NotADirectoryError:
        raise BadDestination(f"{shown(path)} is a file, not a drive or folder.") from None
    except OSError as error:
        raise BadDestination(f"{shown(path)} can't be opened: {error.strerror}.") from error
    try:
        st_dev = os.fstat(handle).st_dev
        room = os.fstatvfs(handle)
        uuid = platforms.fs_uuid(handle)
    finally:
        os.close(handle)
    mount = _mount_of(root, st_dev)
    disks = mount.disks
    if mount.fs_type in _NETWORK:
        disks = (mount.source.partition(":")[0].strip("/").partition("/")[0],)
    return Volume(
        root=root,
        mount_point=mount.point,
        fs_type=mount.fs_type,
        source=mount.source,
        fs_uuid=uuid,
        disks=disks,
        serial=mount.serial,
        device=_device(mount, disks),
        mount=mount.mount_id,
        st_dev=st_dev,
        total=room.f_blocks * room.f_frsize,
        free=room.f_bavail * room.f_frsize,
        read_only=mount.read_only or bool(room.f_flag & os.ST_RDONLY),
        system=st_dev in _system_devices(),
        rotational=mount.rotational,
    )


def same_device(one: Volume, other: Volume) -> bool:
    """True unless the two are shown to lie on different physical devices: unknown means same."""
    if not one.disks or not other.disks:
        return True
    if set(one.disks) & set(other.disks):
        return True
    return one.serial is not None and one.serial == other.serial


def recognise(root: str) -> DriveSeen | None:
    """The drive whose marker file lies in `root`, or None.

    A marker that can't be understood counts as none: it says nothing that could be trusted.
    """
    marker = _read_marker(root)
    if marker is None:
        return None
    return _seen(look_at(root), *marker)


def mark(root: str, name: str) -> DriveSeen:
    """Recognise the drive at `root`, writing a marker of this name when it has none.

    Raises BadDestination when the marker can't be written.
    """
    volume = look_at(root)
    known = _read_marker(volume.root)
    if known is not None:
        return _seen(volume, *known)
    identity = secrets.token_hex(16)
    text = json.dumps({"drive": identity, "name": name}, indent=2) + "\n"
    try:
        _write_marker(volume.root, text)
    except OSError as error:
        raise BadDestination(
            f"The drive at {shown(root)} can't be written to: {error.strerror}.",
            do="check its lock switch and that it is not mounted read-only, or name another drive",
        ) from error
    return _seen(volume, identity, name)


def find_mounted(roots: Iterable[str] = ()) -> Mapping[str, DriveSeen]:
    """Drives with a marker, by marker id: at `roots` and at every mount point of the machine.

    One identity found in two places on different file systems (a clone) is left out: which of
    the two is meant can't be known.
    """
    found: dict[str, DriveSeen] = {}
    twice: set[str] = set()
    places = dict.fromkeys([*map(os.path.realpath, roots), *_drive_mount_points()])
    for place in places:
        try:
            seen = recognise(place)
        except BadDestination:
            continue
        if seen is None:
            continue
        other = found.get(seen.marker)
        if other is None:
            found[seen.marker] = seen
        elif not _same_folder(other.root, seen.root):
            twice.add(seen.marker)
    return {marker: seen for marker, seen in found.items() if marker not in twice}


def card_at(root: str, label: str) -> CardSeen:
    """The card at `root`, with the label it goes by. Raises BadDestination when absent."""
    volume = look_at(root)
    return CardSeen(
        label=label,
        fs_uuid=volume.fs_uuid if volume.root == volume.mount_point else None,
        serial=volume.serial if volume.root == volume.mount_point else None,
        device=volume.device,
        root=volume.root,
    )


def _seen(volume: Volume, identity: str, name: str) -> DriveSeen:
    return DriveSeen(
        marker=identity,
        name=name,
        fs_uuid=volume.fs_uuid,
        serial=volume.serial,
        device=volume.device,
        fs_type=volume.fs_type,
        root=volume.root,
    )


def _read_marker(root: str) -> tuple[str, str] | None:
    flags = os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC | os.O_NONBLOCK
    try:
        handle = os.open(os.path.join(root, MARKER), flags)
    except OSError:
        return None
    with open(handle, "rb") as file:
        try:
            told = json.loads(file.read(_MARKER_LIMIT))
            identity, name = told["drive"], told["name"]
        except (OSError, ValueError, KeyError, TypeError):
            return None
    if not isinstance(identity, str) or not isinstance(name, str) or not identity:
        return None
    return identity, name


def _write_marker(root: str, text: str) -> None:
    folder = os.open(root, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        unfinished = f".ingest-{secrets.token_hex(8)}.unfinished"
        handle, _ = platforms.open_direct(unfinished, folder, direct=False)
        with open(handle, "wb") as file:
            file.write(text.encode("utf-8"))
            file.flush()
            platforms.flush(file.fileno())
        try:
            platforms.rename_new(unfinished, MARKER, folder)
        except FileExistsError:
            os.unlink(unfinished, dir_fd=folder)
            raise
        platforms.flush(folder)
    finally:
        os.close(folder)


def _mount_of(root: str, st_dev: int) -> platforms.Mount:
    """The mount that holds `root`: the longest mount point above it, the last one mounted there."""
    best: platforms.Mount | None = None
    for mount in platforms.mounts():
        above = mount.point == "/" or root == mount.point or root.startswith(mount.point + "/")
        if above and (best is None or len(mount.point) >= len(best.point)):
            best = mount
    if best is None:
        return platforms.Mount(root, "unknown", "unknown", (), None, None, "?", False, None, st_dev)
    return best


def _device(mount: platforms.Mount, disks: tuple[str, ...]) -> str:
    if not disks:
        return f"unknown ({mount.fs_type})"
    about = ", ".join(text for text in (mount.model, mount.serial) if text)
    return "+".join(disks) + (f" ({about})" if about else "")


def _system_devices() -> frozenset[int]:
    numbers = set()
    for place in ("/", os.path.expanduser("~"), tempfile.gettempdir()):
        try:
            numbers.add(os.stat(place).st_dev)
        except OSError:
            continue
    return frozenset(numbers)


def _drive_mount_points() -> list[str]:
    return [mount.point for mount in platforms.mounts() if mount.disks]


def _same_folder(one: str, other: str) -> bool:
    try:
        return os.path.samefile(one, other)
    except OSError:
        return False
