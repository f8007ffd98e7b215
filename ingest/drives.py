"""Which drive or card is this: identity, physical device, room, what its file system can hold."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

__all__ = [
    "CardSeen",
    "DriveSeen",
    "Volume",
    "find_mounted",
    "look_at",
    "mark",
    "recognise",
    "same_device",
]


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
    """Whole physical disks behind it, by kernel name (`sdb`); empty when unknown."""
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
    raise NotImplementedError


def same_device(one: Volume, other: Volume) -> bool:
    """True unless the two are shown to lie on different physical devices: unknown means same."""
    raise NotImplementedError


def recognise(root: str) -> DriveSeen | None:
    """The drive whose marker file lies in `root`, or None."""
    raise NotImplementedError


def mark(root: str, name: str) -> DriveSeen:
    """Recognise the drive at `root`, writing a marker of this name when it has none."""
    raise NotImplementedError


def find_mounted(roots: Iterable[str] = ()) -> Mapping[str, DriveSeen]:
    """Drives with a marker, by marker id: at `roots` and at every mount point of the machine."""
    raise NotImplementedError
