"""One table of a TOML text, each value taken out by key and checked; what is left is unknown."""

from __future__ import annotations

import difflib
import re
import string
import zoneinfo
from collections.abc import Callable, Sequence
from datetime import date, datetime
from fractions import Fraction

from ingest.errors import BadSettings
from ingest.names import shown

__all__ = ["PATTERN_FIELDS", "Table"]

PATTERN_FIELDS = ("production", "day", "date", "scene", "take", "shot", "camera", "roll", "clip")
"""What may stand in braces in `names` and `display`."""

_RATE = re.compile(r"([1-9][0-9]{0,6})(?:/([1-9][0-9]{0,6}))?")
_SIZE = re.compile(r"([1-9][0-9]{0,4})x([1-9][0-9]{0,4})")
_Wrong = Callable[[tuple[str, ...], str, str], BadSettings]


class Table:
    """Takes values out of a table by key; every method raises BadSettings naming key and line."""

    def __init__(self, told: object, path: tuple[str, ...], wrong: _Wrong) -> None:
        self._path, self._wrong = path, wrong
        self._asked: list[str] = []
        if not isinstance(told, dict):
            last = ".".join(path)
            raise self.wrong(f"{shown(last)} is a table: write [{shown(last)}] on a line.")
        self._told: dict[str, object] = told

    def wrong(self, says: str, key: str = "", do: str = "") -> BadSettings:
        """The error for a key of this table, or for the table itself."""
        return self._wrong((*self._path, key) if key else self._path, says, do)

    def end(self) -> None:
        """Every key must have been asked for by now."""
        for key in self._told:
            if key not in self._asked:
                near = difflib.get_close_matches(key, self._asked, 1)
                inside = f" in [{shown('.'.join(self._path))}]" if self._path else ""
                raise self.wrong(
                    f"the key {shown(key)} is not known{inside}.",
                    key,
                    f"write {near[0]}, if that was meant"
                    if near
                    else f"use one of {', '.join(self._asked)}",
                )

    def table(self, key: str) -> Table:
        """The table under `key`; an empty one when it isn't there."""
        return Table(self._take(key, {}), (*self._path, key), self._wrong)

    def tables(self, key: str) -> dict[str, Table]:
        """The tables under `key`, by name, in the file's order."""
        outer = self.table(key)
        return {
            name: Table(told, (*outer._path, name), self._wrong)
            for name, told in outer._told.items()
        }

    def text(self, key: str) -> str | None:
        value = self._take(key)
        if value is None:
            return None
        if not isinstance(value, str) or not value.strip():
            raise self.wrong(f'{key} is a text, such as {key} = "Salt Wind".', key)
        return value

    def flag(self, key: str) -> bool | None:
        value = self._take(key)
        if value is None or isinstance(value, bool):
            return value
        raise self.wrong(f"{key} is true or false.", key)

    def optional(self, key: str, low: int, high: int) -> int | None:
        """A whole number from `low` to `high`, or None."""
        value = self._take(key)
        if value is None:
            return None
        if not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
            raise self.wrong(f"{key} is a whole number from {low} to {high}.", key)
        return value

    def number(self, key: str, low: int, high: int, default: int) -> int:
        value = self.optional(key, low, high)
        return default if value is None else value

    def rate(self, key: str) -> Fraction | None:
        """Frames a second, exactly: a whole number or a text such as "24000/1001"."""
        value = self._take(key)
        if value is None:
            return None
        if isinstance(value, int) and not isinstance(value, bool):
            value = str(value)
        found = _RATE.fullmatch(value) if isinstance(value, str) else None
        if found is None:
            raise self.wrong(
                f'{key} is frames a second: 25, "25" or "24000/1001".',
                key,
                'write 23.976 as "24000/1001" and 29.97 as "30000/1001"',
            )
        return Fraction(int(found[1]), int(found[2] or 1))

    def picture_size(self, key: str) -> tuple[int, int] | None:
        """Width and height in pixels."""
        value = self._take(key)
        if value is None:
            return None
        found = _SIZE.fullmatch(value) if isinstance(value, str) else None
        if found is None:
            raise self.wrong(f'{key} is width and height, such as {key} = "3840x2160".', key)
        return int(found[1]), int(found[2])

    def day(self, key: str) -> date | None:
        value = self._take(key)
        if value is None:
            return None
        day = _date(value)
        if day is None:
            raise self.wrong(f"{key} is a date, such as {key} = 2026-12-31.", key)
        return day

    def days(self, key: str) -> tuple[date, ...]:
        """Dates in order, each once."""
        value = self._take(key, [])
        days = [_date(one) for one in value] if isinstance(value, list) else [None]
        found = [day for day in days if day is not None]
        if len(found) != len(days):
            raise self.wrong(
                f'{key} is a list of dates, such as ["2026-03-14", "2026-03-15"].', key
            )
        if found != sorted(set(found)):
            raise self.wrong(f"{key} stand in order, each once.", key)
        return tuple(found)

    def choices(self, key: str, known: Sequence[str], default: Sequence[str]) -> tuple[str, ...]:
        """One or more of `known`; one named twice counts once."""
        value = self._take(key, list(default))
        if not isinstance(value, list) or not value or any(one not in known for one in value):
            raise self.wrong(f"{key} is a list of {', '.join(known)}.", key)
        return tuple(dict.fromkeys(value))

    def pattern(self, key: str) -> str | None:
        """A text with fields in braces, at least one."""
        value = self.text(key)
        if value is None:
            return None
        try:
            parts = list(string.Formatter().parse(value))
        except ValueError:
            parts = []
        fields = [(name, how, turn) for _, name, how, turn in parts if name is not None]
        if not fields or any(
            name not in PATTERN_FIELDS or turn is not None for name, _, turn in fields
        ):
            raise self.wrong(
                f'{key} is a pattern with fields in braces, such as {key} = "{{scene}}-{{take}}".',
                key,
                "use the fields " + ", ".join(f"{{{name}}}" for name in PATTERN_FIELDS),
            )
        return value

    def time_zone(self, key: str) -> str | None:
        """A zone of the IANA time zone database (RFC 6557)."""
        value = self.text(key)
        if value is None:
            return None
        try:
            zoneinfo.ZoneInfo(value)
        except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
            near = difflib.get_close_matches(value, zoneinfo.available_timezones(), 1)
            raise self.wrong(
                f'{key} is a zone by its IANA name, such as {key} = "Europe/Lisbon", '
                f"not {shown(value)}.",
                key,
                f"write {near[0]}, if that was meant" if near else "",
            ) from None
        return value

    def _take(self, key: str, default: object = None) -> object:
        self._asked.append(key)
        return self._told.get(key, default)


def _date(value: object) -> date | None:
    if isinstance(value, datetime):
        return None
    if isinstance(value, date):
        return value
    try:
        return date.fromisoformat(value) if isinstance(value, str) else None
    except ValueError:
        return None
