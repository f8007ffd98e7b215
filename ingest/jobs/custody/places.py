"""Where a drive is, by what was written down, else by ingest.toml. Pure."""

from __future__ import annotations

from ingest.catalog.custody_records import DrivePlace, Standing
from ingest.settings import DriveSettings, Settings

__all__ = ["is_offsite", "where_is"]


def where_is(place: DrivePlace, settings: Settings) -> str | None:
    """The drive's place or bag: as written down, else as ingest.toml says it lives.

    None while it is in transit, dead or lost, and where nothing was said.
    """
    if place.standing is not Standing.KEPT:
        return None
    if place.where is not None:
        return place.where or None
    told = _told(place, settings)
    return told.where if told is not None else None


def is_offsite(place: DrivePlace, settings: Settings) -> bool | None:
    """Whether the drive's place is off-site: as written down, else by what ingest.toml says of
    this drive at that place, else of another drive there; None where nothing tells."""
    where = where_is(place, settings)
    if where is None:
        return None
    if place.offsite is not None and where == place.where:
        return place.offsite
    own = _told(place, settings)
    drives = [own, *settings.drives.values()] if own is not None else settings.drives.values()
    for told in drives:
        same = told.where is not None and told.where.casefold() == where.casefold()
        if same and told.offsite is not None:
            return told.offsite
    return None


def _told(place: DrivePlace, settings: Settings) -> DriveSettings | None:
    folded = place.drive.name.casefold()
    named = (told for name, told in settings.drives.items() if name.casefold() == folded)
    return next(named, None)
