"""The settings that count here: ingest.toml of this folder or one above it, else its copy on the
production's drives, the newest of them."""

from __future__ import annotations

import os
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from pathlib import Path

from ingest.drives import find_mounted
from ingest.errors import BadSettings
from ingest.jobs.known import DriveHere
from ingest.names import shown
from ingest.settings import FILE, Settings, find_settings, read_settings

__all__ = ["Found", "drives_bearing", "settings_here"]


@dataclass(frozen=True, slots=True)
class Found:
    settings: Settings
    said: str = ""
    """Which of several files it is, in words; empty where there is nothing to say."""
    productions: tuple[str, ...] = ()
    """Not empty: drives of several productions are here, and none of them was taken."""

    @property
    def from_drive(self) -> bool:
        return bool(self.said) and not self.productions


def settings_here(
    start: Path,
    roots: Iterable[str] = (),
    markers: Collection[str] = (),
    production: str | None = None,
    *,
    everywhere: bool = False,
) -> Found:
    """Look upward from `start`, then on drives that are here: those at `roots`, those with these
    `markers`, and with `everywhere` any that bears one. `production`: only its files on drives
    count.

    The newest is the one with the latest time on its drive. Raises BadSettings with the file, key
    and line that are wrong.
    """
    settings = find_settings(start)
    if settings.place:
        return Found(settings)
    files = []
    folders = [os.path.realpath(root) for root in roots]
    for seen in find_mounted(folders).values():
        if not everywhere and seen.root not in folders and seen.marker not in markers:
            continue
        place = os.path.join(seen.root, FILE)
        try:
            files.append((os.stat(place).st_mtime_ns, seen.name, Path(place)))
        except OSError:
            continue
    read: list[tuple[str, Settings]] = []
    for _, name, path in sorted(files, reverse=True):
        try:
            told = read_settings(path)
        except BadSettings:
            if not read:
                raise  # the newest of all may be the one that counts
            continue
        if production is None or told.production == production:
            read.append((name, told))
    if not read:
        return Found(Settings())
    productions = {told.production: None for _, told in read if told.production}
    if len(productions) > 1:
        names = ", ".join(shown(name) for name in productions)
        said = f"Drives of several productions are here ({names}), so no {FILE} of theirs counts."
        return Found(Settings(), said, tuple(productions))
    name, settings = read[0]
    others = f", the newest of {len(read)}" if len(read) > 1 else ""
    return Found(settings, f"The {FILE} of the drive {shown(name)} counts{others}.")


def drives_bearing(drives: Iterable[DriveHere], production: str) -> tuple[int, ...]:
    """Ids of the drives here that bear this production's ingest.toml at their root, as `ingest
    start` puts it there. One that can't be read tells nothing of its drive."""
    found = []
    for here in drives:
        if here.seen is None:
            continue
        try:
            place = Path(here.seen.root, FILE)
            if place.is_file() and read_settings(place).production == production:
                found.append(here.drive.id)
        except (BadSettings, OSError):
            continue
    return tuple(found)
