"""The dates of one column: all in one style, or none of them is believed.

`03/04/2026` is a day in March to one half of the world and one in April to the other. A column
tells by its other cells which it is; where it doesn't, or where it holds several styles, the
reading stops, since a wrong day is worse than none.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

__all__ = ["DateTrouble", "read_dates"]

_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_ISO = re.compile(r"(\d{4})([-/.]?)(\d{1,2})\2(\d{1,2})(?:[T ][\d:.]+)?", re.ASCII)
_NUMBERS = re.compile(r"(\d{1,2})\s*([-/.])\s*(\d{1,2})\s*\2\s*(\d{4}|\d{2})\.?", re.ASCII)
_DAY_WORD = re.compile(r"(\d{1,2})\.?[\s-]*([a-z]{3,9})\.?[\s,-]*(\d{4}|\d{2})", re.ASCII)
_WORD_DAY = re.compile(r"([a-z]{3,9})\.?[\s-]*(\d{1,2})(?:st|nd|rd|th)?[\s,-]+(\d{4})", re.ASCII)
_WEEKDAY = re.compile(r"^(?:mon|tue|wed|thu|fri|sat|sun)[a-z]*\.?,?\s+", re.ASCII)


class _Style(StrEnum):
    YEAR_FIRST = "year first"
    DAY_FIRST = "day first"
    MONTH_FIRST = "month first"
    MONTH_IN_WORDS = "the month in words"
    EITHER = "day or month first"


@dataclass(frozen=True, slots=True)
class DateTrouble:
    """Why the dates of a column can't be read; `row` is the first that shows it."""

    row: int
    what: str
    do: str = "write all dates as 2026-03-14"


def read_dates(
    cells: Mapping[int, str], known: Collection[str] = ()
) -> tuple[dict[int, str], DateTrouble | None]:
    """The dates of a column as ISO 8601, by row; what isn't a date is left out.

    `cells`: row to text. `known`: the shoot days' dates, ISO 8601; they settle a column that
    could be read either way. Pure.
    """
    read = {row: found for row, text in cells.items() if (found := _read(text))}
    first: dict[_Style, int] = {}
    for row, (written, _, _) in read.items():
        if written is not _Style.EITHER:
            first.setdefault(written, row)
    if len(first) > 1:
        told = ", ".join(f"{_bare(cells[row])} in row {row}" for row in first.values())
        return {}, DateTrouble(max(first.values()), f"dates in {len(first)} styles ({told})")
    style = next(iter(first), None)
    unclear = [row for row, (one, _, _) in read.items() if one is _Style.EITHER]
    if unclear and style in (_Style.YEAR_FIRST, _Style.MONTH_IN_WORDS):
        row = unclear[0]
        told = f"{_bare(cells[first[style]])} in row {first[style]}, {_bare(cells[row])} here"
        return {}, DateTrouble(row, f"dates in 2 styles ({told})")
    if unclear and style is None:
        day_first = {read[row][1] for row in unclear}
        month_first = {read[row][2] for row in unclear}
        fits = (day_first <= set(known), month_first <= set(known))
        if day_first == month_first or fits == (True, False):
            style = _Style.DAY_FIRST
        elif fits == (False, True):
            style = _Style.MONTH_FIRST
        else:
            row = unclear[0]
            what = f"{_bare(cells[row])} may be {read[row][1]} or {read[row][2]}"
            return {}, DateTrouble(row, what)
    at = 2 if style is _Style.MONTH_FIRST else 1
    return {row: found[at] for row, found in read.items()}, None


def _read(text: str) -> tuple[_Style, str, str] | None:
    """The style, and the date with the day first and with the month first; None for no date."""
    bare = _WEEKDAY.sub("", " ".join(text.casefold().split()))
    if found := _ISO.fullmatch(bare):
        return _one(_Style.YEAR_FIRST, found[1], found[3], found[4])
    if found := _NUMBERS.fullmatch(bare):
        one, other, year = found[1], found[3], found[4]
        day_first, month_first = _iso(year, other, one), _iso(year, one, other)
        if found[2] == "." or month_first is None:  # dots: the day first (common practice)
            return (_Style.DAY_FIRST, day_first, day_first) if day_first else None
        if day_first is None:
            return _Style.MONTH_FIRST, month_first, month_first
        return _Style.EITHER, day_first, month_first
    for form, (day, word) in ((_DAY_WORD, (1, 2)), (_WORD_DAY, (2, 1))):
        found = form.fullmatch(bare)
        if found and found[word][:3] in _MONTHS:
            month = str(_MONTHS.index(found[word][:3]) + 1)
            return _one(_Style.MONTH_IN_WORDS, found[3], month, found[day])
    return None


def _bare(text: str) -> str:
    return " ".join(text.split())


def _one(style: _Style, year: str, month: str, day: str) -> tuple[_Style, str, str] | None:
    iso = _iso(year, month, day)
    return (style, iso, iso) if iso else None


def _iso(year: str, month: str, day: str) -> str | None:
    try:
        return date(int(year) + (2000 if len(year) == 2 else 0), int(month), int(day)).isoformat()
    except ValueError:
        return None
