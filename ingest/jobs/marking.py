"""Giving drives their marker, and with it a name that no other drive bears."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from ingest import drives
from ingest.catalog.catalog import Catalog
from ingest.drives import DriveSeen

__all__ = ["mark_drives"]


def mark_drives(catalog: Catalog, places: Iterable[tuple[str, str]]) -> list[DriveSeen]:
    """The drives at these (root, wished name), each marked where it was not, by the names that the
    catalog knows them by. A name that another drive bears gets a number. Raises BadDestination
    when a marker can't be written."""
    known = {drive.marker: drive.name for drive in catalog.drives()}
    taken = {name.casefold() for name in known.values()}
    seen = []
    for root, wished in places:
        name, number = wished, 2
        while name.casefold() in taken:
            name, number = f"{wished}-{number}", number + 1
        drive = drives.mark(root, name)
        drive = replace(drive, name=known.get(drive.marker, drive.name))
        taken.add(drive.name.casefold())
        seen.append(drive)
    return seen
