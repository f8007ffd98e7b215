"""Which roll a folder on a drive is, from its place. Pure."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from string import Formatter

__all__ = ["Place", "place_of"]

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
