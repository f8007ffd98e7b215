"""From a roll to the place of its folder on a drive, and back. Pure."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from string import Formatter

from ingest.errors import UsageError
from ingest.names import shown

__all__ = ["Place", "folder_of", "place_of"]

_FIELDS = {
    "production": "[^/]+?",
    "day": r"\d{1,4}",
    "date": r"\d{4}-\d\d-\d\d",
    "roll": "[^/]+?",
    "camera": "[^/]+?",
    "card": "[^/]+?",
}


@dataclass(frozen=True, slots=True)
class Place:
    """What a folder's place says; None where it doesn't."""

    production: str | None = None
    day: int | None = None
    date: date | None = None
    roll: str | None = None
    camera: str | None = None
    card: str | None = None


def folder_of(
    layout: str,
    *,
    production: str,
    day: int,
    date: date,
    roll: str,
    camera: str | None,
    card: str,
) -> str:
    """The folder of a roll by a layout: POSIX, relative to the drive's root.

    Raises UsageError for a layout that can't be used.
    """
    values = {
        "production": _part(production),
        "day": day,
        "date": date.isoformat(),
        "roll": _part(roll),
        "camera": _part(camera or "-"),
        "card": _part(card),
    }
    try:
        for _, field, _, _ in Formatter().parse(layout):
            if field is not None and field not in values:
                raise KeyError(field)  # also what reaches into a value: {roll.upper}
        folder = layout.format(**values)
    except (KeyError, IndexError, ValueError) as error:
        raise UsageError(
            f"The layout {shown(layout)} can't be used: {error}.",
            do="use {production}, {day:02}, {date}, {roll}, {camera} and {card}",
        ) from error
    parts = folder.split("/")
    if "\0" in folder or any(part in ("", ".", "..") for part in parts):
        raise UsageError(f"The layout {shown(layout)} leaves the drive or names an empty folder.")
    return folder


def _part(text: str) -> str:
    """A text made fit to be one folder's name on every file system."""
    safe = "".join("_" if c in '"*/:<>?\\|' or ord(c) < 32 or c == "\x7f" else c for c in text)
    return safe.strip(" .") or "_"


def place_of(folder: str, layout: str) -> Place:
    """Read a folder (POSIX, relative to the drive's root) by the layout that offloads use.

    Folders may stand above it. What doesn't fit says nothing: then the last part is at most a
    roll's name, for the caller to decide.
    """
    pattern = _pattern(layout)
    found = pattern.fullmatch(folder) if pattern is not None else None
    if found is None:
        return Place()
    told = found.groupdict()
    try:
        on = date.fromisoformat(told["date"]) if told.get("date") else None
    except ValueError:
        return Place()
    camera = told.get("camera")
    return Place(
        production=told.get("production"),
        day=int(told["day"]) if told.get("day") else None,
        date=on,
        roll=told.get("roll"),
        camera=None if camera == "-" else camera,
        card=told.get("card"),
    )


@lru_cache(maxsize=8)
def _pattern(layout: str) -> re.Pattern[str] | None:
    """The layout as a pattern; None when it names something that no offload could."""
    parts = ["(?:.+/)?"]
    seen: set[str] = set()
    try:
        pieces = list(Formatter().parse(layout))
    except ValueError:
        return None
    for literal, name, _, _ in pieces:
        parts.append(re.escape(literal))
        if name is None:
            continue
        if name not in _FIELDS:
            return None
        parts.append(f"(?P={name})" if name in seen else f"(?P<{name}>{_FIELDS[name]})")
        seen.add(name)
    return re.compile("".join(parts), re.DOTALL)
