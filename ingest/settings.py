"""`ingest.toml`: what the production is, read strictly. An option beats it.

production = "Salt Wind"
days = ["2026-03-14", "2026-03-15"]   # the shoot days, in order
day_ends = 5                          # a clip before this hour belongs to the day before
copies = 2                            # wanted, on different physical devices
checksums = ["xxh128", "md5"]
layout = "{production}/D{day:02}_{date}/{roll}"
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

from ingest.checksums import DEFAULT_KINDS, KINDS
from ingest.errors import BadSettings
from ingest.names import shown

__all__ = ["FILE", "LAYOUT", "Settings", "find_settings", "shoot_date"]

FILE = "ingest.toml"
LAYOUT = "{production}/D{day:02}_{date}/{roll}"
_KEYS = ("production", "days", "day_ends", "copies", "checksums", "layout")


@dataclass(frozen=True, slots=True)
class Settings:
    """The values of one ingest.toml, or the defaults."""

    place: str = ""
    """The file they came from, or empty."""
    production: str | None = None
    days: tuple[date, ...] = ()
    day_ends: int = 5
    """Hour of the clock, 0 to 12, at which a shoot day ends."""
    copies: int = 2
    checksums: tuple[str, ...] = DEFAULT_KINDS
    layout: str = LAYOUT


def find_settings(start: Path) -> Settings:
    """The settings in `start` or the nearest folder above it; the defaults when there are none.

    Raises BadSettings with the key that is wrong.
    """
    for folder in (start, *start.parents):
        place = folder / FILE
        if place.is_file():
            return _read(place)
    return Settings()


def shoot_date(now: datetime, day_ends: int) -> date:
    """The shoot day's date for a local time: before `day_ends` it is still the day before."""
    return (now - timedelta(hours=day_ends)).date()


def _read(place: Path) -> Settings:
    name = shown(str(place))
    try:
        told = tomllib.loads(place.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise BadSettings(f"{name}: {error}.", do="mend the line that is named") from error
    except OSError as error:
        raise BadSettings(f"{name} can't be read: {error.strerror}.") from error
    for key in told:
        if key not in _KEYS:
            raise BadSettings(
                f"{name}: the key {shown(key)} is not known.", do=f"use one of {', '.join(_KEYS)}"
            )
    return Settings(
        place=str(place),
        production=_text(name, told, "production"),
        days=_days(name, told.get("days", [])),
        day_ends=_number(name, told, "day_ends", 5, 0, 12),
        copies=_number(name, told, "copies", 2, 1, 9),
        checksums=_kinds(name, told.get("checksums", list(DEFAULT_KINDS))),
        layout=_text(name, told, "layout") or LAYOUT,
    )


def _text(name: str, told: dict[str, Any], key: str) -> str | None:
    value = told.get(key)
    if value is not None and (not isinstance(value, str) or not value.strip()):
        raise BadSettings(f'{name}: {key} is a text, such as {key} = "Salt Wind".')
    return value


def _number(name: str, told: dict[str, Any], key: str, default: int, low: int, high: int) -> int:
    value = told.get(key, default)
    if not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
        raise BadSettings(f"{name}: {key} is a whole number from {low} to {high}.")
    return value


def _days(name: str, told: object) -> tuple[date, ...]:
    wrong = BadSettings(f'{name}: days is a list of dates, such as ["2026-03-14", "2026-03-15"].')
    if not isinstance(told, list):
        raise wrong
    days = []
    for one in told:
        try:
            days.append(one if type(one) is date else date.fromisoformat(one))
        except (TypeError, ValueError):
            raise wrong from None
    if days != sorted(set(days)):
        raise BadSettings(f"{name}: days stand in order, each once.")
    return tuple(days)


def _kinds(name: str, told: object) -> tuple[str, ...]:
    if not isinstance(told, list) or not told or any(kind not in KINDS for kind in told):
        raise BadSettings(f"{name}: checksums is a list of {', '.join(KINDS)}.")
    return tuple(dict.fromkeys(told))
