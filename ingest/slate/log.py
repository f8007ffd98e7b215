"""Reads a slate log out of a CSV file or a workbook: all of it, or nothing and every bad row named.

Rows and columns are counted as a spreadsheet shows them: the first row is 1, the first column A.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from ingest.catalog.records import SlateRow
from ingest.errors import BadLog
from ingest.slate.columns import settle_times, understand
from ingest.slate.label_rates import LabelRates
from ingest.slate.reading import CellReader, Problem, bad_rows
from ingest.slate.rows import find_clashes, read_row
from ingest.slate.sheet import read_sheet
from ingest.slate.table import check_headings, find_headings, read_days

__all__ = ["Log", "read_log"]

_HEADINGS = "give the columns headings: scene, take, camera, roll, clip, circled, notes"


@dataclass(frozen=True, slots=True)
class Log:
    """What a file says: at least one row."""

    rows: tuple[SlateRow, ...]
    """In their order, rows that say the same only once."""
    guessed: str | None
    """As `Sheet.guessed`."""


def read_log(
    path: str,
    *,
    sheet: str | None = None,
    shoot_dates: Mapping[str, int] | None = None,
    rates: LabelRates | None = None,
) -> Log:
    """The slate log at `path`.

    Comma, semicolon or tab; UTF-8 with or without mark, UTF-16 with mark, else Windows-1252 or
    Latin-1; or a workbook, whose `sheet` may be named. A row needs a scene and a take; `12A-3` in
    the scene's cell is both. `shoot_dates`: ISO date to shoot day, for logs that say the day by
    its date. `rates`: without them no frame of a timecode is refused. Raises BadLog, naming rows
    and columns, for anything that can't be read: nothing is half-loaded.
    """
    table = read_sheet(path, _weight, sheet=sheet)
    at = find_headings(table, _weight, "a scene and a take", _HEADINGS)
    headings, under = table.rows[at], table.rows[at + 1 :]
    columns = settle_times(understand(headings), headings, under)
    counted = columns.known + len(columns.extra)
    check_headings(table, at, columns.twice, counted=counted)
    days = read_days(table, at, columns.of, shoot_dates or {})
    problems: list[Problem] = [days.problem] if days.problem else []
    rows: list[SlateRow] = []
    for number, cells in enumerate(under, start=at + 2):
        if any(cell.strip() for cell in cells):
            reader = CellReader(cells, columns.of, headings, number, table.merged)
            rows += read_row(reader, columns, days, rates or LabelRates(), log=table.name)
            problems.extend(reader.problems)
    kept, clashes = find_clashes(rows)
    problems.extend(clashes)
    if problems:
        raise bad_rows(table.name, problems)
    if not kept:
        raise BadLog(
            f"{table.name} has headings and no takes under them; nothing was loaded.",
            do="check that the right sheet was saved",
        )
    return Log(kept, table.guessed)


def _weight(headings: Sequence[str]) -> int:
    columns = understand(headings)
    # A slate alone (`12A-3`) holds both; any other scene needs a take, or more headings.
    return columns.known if "scene" in columns.of and columns.known > 1 else 0
