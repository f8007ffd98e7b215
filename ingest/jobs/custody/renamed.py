"""A drive that was given another name here, and is still called by the old one in ingest.toml."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from ingest.settings import Settings
from ingest.settings.lines import line_of

__all__ = ["OldName", "old_name"]


@dataclass(frozen=True, slots=True)
class OldName:
    """Where ingest.toml has a drive's old name: what it says there is said of no drive now."""

    file: str
    line: int
    """From 1; of its table."""
    old: str
    """As it is written there."""
    new: str
    where: str | None
    """The place that it gives the drive."""


def old_name(settings: Settings, before: str, after: str) -> OldName | None:
    """What is to be changed in ingest.toml; None where it names the drive as it is called now, or
    not at all."""
    names = {name.casefold(): name for name in settings.drives}
    old = names.get(before.casefold())
    if not settings.place or old is None or after.casefold() in names:
        return None
    try:
        line = line_of(Path(settings.place).read_text("utf-8"), ("drive", old))
    except (OSError, ValueError):
        return None  # it has gone, or changed, since it was read
    return OldName(settings.place, line, old, after, settings.drives[old].where)
