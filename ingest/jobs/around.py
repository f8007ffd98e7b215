"""What is plugged in: cards, known drives, and volumes that could become drives. Reads only."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass

from ingest import drives as drive_finding
from ingest import platforms
from ingest.card.finding import holds_footage
from ingest.catalog.catalog import Catalog
from ingest.drives import DriveSeen, Volume
from ingest.errors import BadDestination
from ingest.jobs.known import DriveHere, drives_here

__all__ = ["Around", "look_around", "volume_name"]


@dataclass(frozen=True, slots=True)
class Around:
    cards: tuple[Volume, ...]
    """Mounted volumes that hold footage and bear no drive's marker, by mount point."""
    drives: tuple[DriveHere, ...]
    """Known drives that are here, by name; those that are in doubt among them."""
    strangers: tuple[DriveSeen, ...]
    """Drives with a marker that this catalog doesn't know, by name."""
    blank: tuple[Volume, ...]
    """Writable volumes with neither marker nor footage: they could become drives."""


def volume_name(volume: Volume) -> str:
    """The name that a volume goes by: the last part of where it is mounted."""
    return os.path.basename(volume.root.rstrip("/")) or "drive"


def look_around(catalog: Catalog | None) -> Around:
    """What is mounted now, the system's own disk left out. `catalog` None: no drive is known."""
    known = [here for here in drives_here(catalog) if here.seen] if catalog is not None else []
    markers = {here.drive.marker for here in known}
    marked: Mapping[str, DriveSeen] = drive_finding.find_mounted()
    cards: list[Volume] = []
    blank: list[Volume] = []
    seen: set[int] = set()
    for point in sorted({mount.point for mount in platforms.mounts() if mount.disks}):
        try:
            volume = drive_finding.look_at(point)
            if volume.system or volume.st_dev in seen:
                continue
            if os.path.lexists(os.path.join(volume.root, drive_finding.MARKER)):
                continue  # a drive, be it one that can't be told from its clone
        except BadDestination:
            continue
        seen.add(volume.st_dev)
        if holds_footage(volume.root):
            cards.append(volume)
        elif not volume.read_only:
            blank.append(volume)
    return Around(
        cards=tuple(cards),
        drives=tuple(sorted(known, key=lambda here: here.drive.name)),
        strangers=tuple(
            sorted(
                (one for marker, one in marked.items() if marker not in markers),
                key=lambda one: one.name,
            )
        ),
        blank=tuple(blank),
    )
