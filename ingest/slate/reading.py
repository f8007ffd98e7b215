"""Reads the cells of one row by their meaning, and collects what is wrong with them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

from ingest.errors import BadLog
from ingest.names import shown
from ingest.slate.cells import BadCell, plain_cell
from ingest.slate.headings import column_letter
from ingest.slate.sheet import Merged
from ingest.wording import counted

__all__ = ["MAX_NAME", "CellReader", "Problem", "bad_rows", "shortened"]

MAX_NAME = 200
"""Characters in a scene, take, clip and the like: more is a slipped quote, not a name."""
_MAX_TEXT = 10_000
_SHOWN_PROBLEMS = 4

_T = TypeVar("_T")


@dataclass(frozen=True, slots=True)
class Problem:
    """Why a row can't be taken, and what to write instead."""

    row: int
    """As a spreadsheet counts: the first is 1."""
    column: int | None
    """Counted from 0; None when it is about the whole row."""
    heading: str
    what: str
    do: str

    def words(self) -> str:
        """`row 4, column B (take): no take`."""
        place = f"row {self.row}"
        if self.column is not None:
            place += f", column {column_letter(self.column)}"
            if self.heading:
                place += f" ({shortened(self.heading)})"
        return f"{place}: {self.what}"


class CellReader:
    """One row of a sheet. `columns` says where which meaning stands."""

    def __init__(
        self,
        cells: Sequence[str],
        columns: Mapping[str, int],
        headings: Sequence[str],
        number: int,
        merged: Sequence[Merged] = (),
    ) -> None:
        self._cells = cells
        self._columns = columns
        self._headings = headings
        self.number = number
        self._merged = [
            block
            for block in merged
            if block.first_row <= number <= block.last_row and block.first_row < block.last_row
        ]
        self.problems: list[Problem] = []

    def name(self, meaning: str, read: Callable[[str], str] = plain_cell) -> str:
        """A short text: trimmed, runs of blanks made one, no formula."""
        text = self.read(meaning, read, "")
        if len(text) > MAX_NAME:
            what = f"{len(text):,} characters, too many for a name"
            self.complain(meaning, what, "look for a quotation mark that was not closed")
            return ""
        return " ".join(text.split())

    def text(self, meaning: str) -> str:
        """Any text: kept as written, formulas too, since nothing here works them out."""
        return self._text(self._columns.get(meaning), "a note")

    def read(self, meaning: str, read: Callable[[str], _T], empty: _T) -> _T:
        """The cell of this meaning through `read`; `empty` for an empty or a bad one."""
        return self.read_at(self._columns.get(meaning), read, empty)

    def read_at(self, place: int | None, read: Callable[[str], _T], empty: _T) -> _T:
        """Like `read`, by the column's number."""
        if block := self._block(place):
            what = f"merged over rows {block.first_row} to {block.last_row}"
            self.complain_at(place, what, "unmerge the cells, and write into every row what holds")
            return empty
        text = self.cell(place)
        if not text.strip():
            return empty
        try:
            return read(text)
        except BadCell as bad:
            self.complain_at(place, f"{shortened(text.strip())} is {bad.what}", bad.do)
            return empty

    def extra(self, columns: Sequence[tuple[int, str]]) -> dict[str, str]:
        """The cells of columns that have no meaning here, by heading as written."""
        kept: dict[str, str] = {}
        for place, heading in columns:
            if text := self._text(place, "a cell"):
                kept.setdefault(heading, text)
        return kept

    def cell(self, place: int | None) -> str:
        """The text of a column; empty where there is none."""
        return self._cells[place] if place is not None and place < len(self._cells) else ""

    def complain(self, meaning: str, what: str, do: str) -> None:
        """Something is wrong with the cell of this meaning."""
        self.complain_at(self._columns.get(meaning), what, do)

    def complain_at(self, place: int | None, what: str, do: str) -> None:
        """Like `complain`, by the column's number."""
        heading = ""
        if place is not None and place < len(self._headings):
            heading = self._headings[place].strip()
        self.problems.append(Problem(self.number, place, heading, what, do))

    def _text(self, place: int | None, what: str) -> str:
        text = self.cell(place).strip()
        if len(text) > _MAX_TEXT:
            said = f"{len(text):,} characters, too many for {what}"
            self.complain_at(place, said, "look for a quotation mark that was not closed")
            return ""
        return text

    def _block(self, place: int | None) -> Merged | None:
        if place is None:
            return None
        fitting = (b for b in self._merged if b.first_column <= place <= b.last_column)
        return next(fitting, None)


def bad_rows(name: str, problems: Sequence[Problem]) -> BadLog:
    """The error for rows that can't be taken: the first ones in words, all of them in `rows`."""
    ordered = sorted(problems, key=lambda problem: problem.row)
    count = len({problem.row for problem in ordered})
    said = "; ".join(problem.words() for problem in ordered[:_SHOWN_PROBLEMS])
    more = len(ordered) - _SHOWN_PROBLEMS
    if more > 0:
        said += f"; and {more:,} more"
    brief = f"{name} has {counted(count, 'bad row')}, nothing was loaded."
    remedies = dict.fromkeys(problem.do for problem in ordered)
    return BadLog(
        f"{brief} {said[0].upper()}{said[1:]}.",
        do="; ".join([*remedies][:_SHOWN_PROBLEMS]) + "; then load it again",
        rows=tuple(problem.words() for problem in ordered),
        brief=brief,
    )


def shortened(text: str, limit: int = 30) -> str:
    """The text shown safely, cut where it is long."""
    safe = shown(text[: limit + 1])
    return safe if len(safe) <= limit else safe[: limit - 1] + "…"
