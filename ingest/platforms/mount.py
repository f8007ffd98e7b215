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
    read_only: bool
    rotational: bool | None
    st_dev: int
