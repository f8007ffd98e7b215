"""Dates on paper become shoot days, as far as the production's days are known."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date
from typing import TypeVar

from ingest.catalog.records import PlannedShot, Roll, SlateRow

__all__ = ["shoot_days", "with_days"]

_Paper = TypeVar("_Paper", SlateRow, PlannedShot)


def shoot_days(days: Sequence[date], rolls: Iterable[Roll]) -> dict[str, int]:
    """ISO date to shoot day: those of the settings in order from 1, and those that rolls tell.

    What came in beats the plan. Pure.
    """
    numbers = {day.isoformat(): number for number, day in enumerate(days, start=1)}
    return numbers | {roll.date: roll.day for roll in rolls if roll.date}


def with_days(rows: Iterable[_Paper], numbers: Mapping[str, int]) -> tuple[_Paper, ...]:
    """Rows that say only a date get its shoot day, where it is known by now. Pure."""
    return tuple(
        replace(row, day=numbers[row.date])
        if row.day is None and row.date is not None and row.date in numbers
        else row
        for row in rows
    )
