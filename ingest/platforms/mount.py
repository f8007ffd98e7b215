"""A mounted file system, as every platform tells it."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Mount"]


@dataclass(frozen=True, slots=True)
class Mount:
    point: str
    source: str
    fs_type: str
    disks: tuple[str, ...]
    """Whole physical disks by the system's name for them; empty when unknown."""
    serial: str | None
    model: str | None
    mount_id: str
    """Differs between two mounts of one boot, as far as the system can tell them apart."""
    read_only: bool
    rotational: bool | None
    """Moving heads: True and False as the device says, None when it can't be believed."""
    st_dev: int
    enclosures: tuple[str, ...] = ()
    """The boxes (USB devices) that hold the disks, where the system tells."""
    part: bool = False
    """Only a folder of the file system is mounted there, where the system tells."""
    server: str | None = None
    """A network share's server, by address where the system tells it."""
