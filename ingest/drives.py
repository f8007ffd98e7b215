"""Which drive or card is this: identity, physical device, room.

A drive is known by three things together: the marker file at its root, which this program
wrote, its file system's UUID, and the hardware's serial. A physical device is found from the
mount's source down through partitions, mapper and RAID to whole disks. What can't be shown to
be different counts as the same.
"""

from __future__ import annotations

import errno
import json
import os
import re
import secrets
import stat
import tempfile
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from ingest import platforms
from ingest.errors import BadDestination, IngestError
from ingest.names import shown
from ingest.platforms import posix_files

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

_UNFINISHED_MARKER = re.compile(r"\.ingest-[0-9a-f]{16}\.unfinished")
_MARKER_LIMIT = 64 * 1024
_POOLS = frozenset({"btrfs"})
"""File systems whose mounts from one source share their room, under different numbers."""
_MEMORY = frozenset({"tmpfs", "ramfs"})
"""File systems in memory. Where drives are mounted below /run, it is what the folder of one that
isn't mounted lies on."""


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
    enclosures: tuple[str, ...] = ()
    """The boxes (USB devices) that the disks hang from, where the system tells."""
    part: bool = False
    """Only a folder of the file system is mounted there."""

    @property
    def own_place(self) -> str:
        """Where a `system` volume lies, for a sentence."""
        if self.fs_type in _MEMORY:
            return "in this computer's memory, which is empty when it is switched on"
        return "on this computer's own disk"


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
    """The volume behind an existing folder.

    Raises BadDestination when there is none, IngestError on a system the engine can't run on.
    """
    if lacking := platforms.lacking():
        raise IngestError(lacking, do="run it on Linux or macOS")
    root = os.path.realpath(path)
    try:
        handle = os.open(root, posix_files.ROOT)
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
        total, free, read_only = posix_files.room(handle)
        uuid = platforms.fs_uuid(handle)
        mount = platforms.mount_of(handle, root) or _mount_above(root, st_dev)
    finally:
        os.close(handle)
    disks = (mount.server,) if mount.server else mount.disks
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
        total=total,
        free=free,
        read_only=mount.read_only or read_only,
        system=_system(st_dev, mount),
        rotational=mount.rotational,
        enclosures=mount.enclosures,
        part=mount.part,
    )


def same_device(one: Volume, other: Volume) -> bool:
    """True unless the two are shown to lie on different physical devices.

    Unknown means same, and so does one box that holds both: it falls, burns and is stolen whole.
    """
    if not one.disks or not other.disks:
        return True
    if set(one.disks) & set(other.disks) or set(one.enclosures) & set(other.enclosures):
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
    except FileExistsError:
        known = _read_marker(volume.root)
        if known is not None:  # another run marked it at the same moment
            return _seen(volume, *known)
        raise BadDestination(
            f"The drive at {shown(root)} has a {MARKER} that can't be understood.",
            do="look what it is, and move it away if nobody needs it, or name another drive",
        ) from None
    except OSError as error:
        raise BadDestination(
            f"The drive at {shown(root)} can't be written to: {error.strerror}.",
            do="make room on it, then run the same command again"
            if error.errno == errno.ENOSPC
            else "check its lock switch and that it is not mounted read-only, or name another "
            "drive",
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
    try:
        handle = os.open(os.path.join(root, MARKER), posix_files.FILE)
    except OSError:
        return None
    try:
        if not stat.S_ISREG(os.fstat(handle).st_mode):
            return None
        told = json.loads(os.read(handle, _MARKER_LIMIT))
        identity, name = told["drive"], told["name"]
        # Half a surrogate pair or a NUL is JSON, but no text that could be kept anywhere.
        if not identity or "\0" in f"{identity}{name}".encode().decode():
            return None
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return None
    finally:
        os.close(handle)
    return (identity, name) if isinstance(identity, str) and isinstance(name, str) else None


def _write_marker(root: str, text: str) -> None:
    folder = os.open(root, posix_files.ROOT)
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
        except FileNotFoundError:
            # Another run marked it at the same moment, and tidied up.
            raise FileExistsError(MARKER) from None
        for name in os.listdir(folder):
            if _UNFINISHED_MARKER.fullmatch(name):
                os.unlink(name, dir_fd=folder)
        platforms.flush(folder)
    finally:
        os.close(folder)


def _mount_above(root: str, st_dev: int) -> platforms.Mount:
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


def _system(st_dev: int, mount: platforms.Mount) -> bool:
    """Is it the computer's own: in memory, or a file system that the system lives on?

    Subvolumes of one pool have other numbers.
    """
    if mount.fs_type in _MEMORY:
        return True
    for place in ("/", os.path.expanduser("~"), tempfile.gettempdir()):
        try:
            handle = os.open(place, posix_files.ROOT)
        except OSError:
            continue
        try:
            if os.fstat(handle).st_dev == st_dev:
                return True
            if mount.fs_type in _POOLS:
                there = platforms.mount_of(handle, place)
                if there is not None and there.source == mount.source:
                    return True
        finally:
            os.close(handle)
    return False


def _drive_mount_points() -> list[str]:
    return [mount.point for mount in platforms.mounts() if mount.disks]


def _same_folder(one: str, other: str) -> bool:
    try:
        return os.path.samefile(one, other)
    except OSError:
        return False
