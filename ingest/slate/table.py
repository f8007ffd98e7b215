"""Finds the row of headings in a sheet, and what a whole column says about the days."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from ingest.errors import BadLog
from ingest.slate.cells import BadCell, read_day
from ingest.slate.dates import read_dates
from ingest.slate.headings import Assigned, column_letter
from ingest.slate.reading import CellReader, Problem, shortened
from ingest.slate.sheet import HEADING_WITHIN, Sheet

__all__ = ["Days", "check_headings", "extra_columns", "find_headings", "read_days"]

_MAX_COLUMNS = 250


def find_headings(sheet: Sheet, weigh: Callable[[Sequence[str]], int], wanted: str, do: str) -> int:
    """The row (from 0) that makes most sense as headings, at least two of them.

    `weigh`: how many cells are understood, 0 for a row that can't be it. Raises BadLog with what
    is `wanted` and what to `do`.
    """
    weights = [weigh(cells) for cells in sheet.rows[:HEADING_WITHIN]]
    best = max(weights, default=0)
    if best < 2:
        raise BadLog(
            f"{sheet.name} has no row of headings with {wanted}; nothing was loaded.", do=do
        )
    return weights.index(best)


def check_headings(
    sheet: Sheet, at: int, twice: Sequence[tuple[int, int]], *, counted: int
) -> None:
    """Raises BadLog for one heading over two columns, and for more columns than paper has."""
    if twice:
        one, other = twice[0]
        raise BadLog(
            f"{sheet.name}, row {at + 1}: columns {column_letter(one)} and {column_letter(other)} "
            f"are both called {shortened(sheet.rows[at][one].strip())}; nothing was loaded.",
            do="give each column a heading of its own",
        )
    if counted > _MAX_COLUMNS:
        raise BadLog(
            f"{sheet.name} has {counted:,} columns with headings; nothing was loaded.",
            do="keep the columns that are needed, and save it again",
        )


def extra_columns(headings: Sequence[str], known: set[int]) -> tuple[tuple[int, str], ...]:
    """The columns without a meaning here that have a heading, with it as written."""
    return tuple(
        (at, heading.strip())
        for at, heading in enumerate(headings)
        if at not in known and heading.strip()
    )


@dataclass(frozen=True, slots=True)
class Days:
    """What the columns for days and dates say, by row as a spreadsheet counts."""

    in_day: Mapping[int, str]
    """Dates that stand in the column for days, ISO 8601."""
    in_date: Mapping[int, str]
    numbers: Mapping[str, int]
    """Date to shoot day, as far as the production's days are known."""
    problem: Problem | None

    def of(self, reader: CellReader) -> tuple[int | None, str | None]:
        """Shoot day and date of a row; None where it says neither."""
        date = self.in_date.get(reader.number)
        if date is None and self.problem is None:
            reader.read("date", _no_date, None)
        day = None
        if found := self.in_day.get(reader.number):
            date = date or found
        elif self.problem is None:
            day = reader.read("day", read_day, None)
        if day is None and date is not None:
            day = self.numbers.get(date)
        return day, date


def read_days(
    sheet: Sheet, at: int, columns: Assigned | Mapping[str, int], shoot_dates: Mapping[str, int]
) -> Days:
    """The days of all rows under the headings in row `at` (from 0). `shoot_dates`: ISO date to
    shoot day."""
    of = columns.of if isinstance(columns, Assigned) else columns
    found: dict[str, dict[int, str]] = {"day": {}, "date": {}}
    for meaning, dates in found.items():
        place = of.get(meaning)
        if place is None:
            continue
        cells = {
            number: cells[place]
            for number, cells in enumerate(sheet.rows[at + 1 :], start=at + 2)
            if place < len(cells) and cells[place].strip()
        }
        read, trouble = read_dates(cells, shoot_dates)
        if trouble is not None:
            heading = sheet.rows[at][place].strip()
            problem = Problem(trouble.row, place, heading, trouble.what, trouble.do)
            return Days({}, {}, shoot_dates, problem)
        dates.update(read)
    return Days(found["day"], found["date"], shoot_dates, None)


def _no_date(text: str) -> None:
    raise BadCell("no date", "write it as 2026-03-14, or leave the cell empty")
