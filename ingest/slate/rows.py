"""One row of a slate log: from its cells to a `SlateRow`, and what is wrong with it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import TypeVar

from ingest.catalog.records import Rating, SlateRow
from ingest.media.timecode import parse_label
from ingest.names import shown
from ingest.slate.columns import (
    BadCell,
    Columns,
    column_letter,
    plain_cell,
    read_day,
    read_flag,
    read_label,
    read_rating,
)
from ingest.slate.names import camera_key, name_key, scene_key, split_slate, take_key

__all__ = ["Problem", "find_clashes", "read_row", "shortened"]

_MAX_NAME = 200
"""Characters in a scene, take, clip and the like: more is a slipped quote, not a name."""
_MAX_TEXT = 10_000
_DAY = 24 * 3600
_LONGEST = 12 * 3600
"""Seconds: a take that seems longer than half a day ends before it begins."""

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


def shortened(text: str, limit: int = 30) -> str:
    """The text shown safely, cut where it is long."""
    safe = shown(text[: limit + 1])
    return safe if len(safe) <= limit else safe[: limit - 1] + "…"


def read_row(
    cells: Sequence[str], columns: Columns, headings: Sequence[str], *, log: str, number: int
) -> tuple[SlateRow, list[Problem]]:
    """The row as far as it can be read, and everything that is wrong with it."""
    reader = _Reader(cells, columns, headings, number)
    scene, take = reader.name("scene"), reader.name("take")
    if scene and not take:
        scene, split = split_slate(scene)
        take = split or ""
    elif scene:
        # `12A-3` beside the take 3 says the take twice; anything else is the scene's own name.
        bare, split = split_slate(scene)
        if split is not None and take_key(split) == take_key(take):
            scene = bare
    if not reader.problems:
        if not scene:
            reader.complain("scene", "no scene", "write the scene into every row")
        if not take:
            reader.complain("take", "no take", "write the take into every row")
    start = reader.read("start", read_label, None)
    end = reader.read("end", read_label, None)
    if start and end and (_seconds(end) - _seconds(start)) % _DAY > _LONGEST:
        what = f"it ends at {end}, before it begins at {start}"
        reader.complain("end", what, "correct the start or the end")
    note = reader.text("note")
    sound_roll = reader.name("sound_roll")
    mute = sound_roll.casefold() == "mos" or "MOS" in note.replace(".", "").split()
    row = SlateRow(
        scene=scene,
        take=take,
        shot=reader.name("shot") or None,
        day=reader.read("day", read_day, None),
        camera=reader.name("camera") or None,
        roll=reader.name("roll") or None,
        sound_roll=sound_roll or None,
        clip=reader.name("clip") or None,
        start_timecode=start,
        end_timecode=end,
        rating=reader.rating(),
        mos=reader.read("mos", read_flag, False) or mute,
        note=note or None,
        extra=reader.extra(),
        log=log,
        row=number,
    )
    return row, reader.problems


def find_clashes(rows: Iterable[SlateRow]) -> tuple[tuple[SlateRow, ...], list[Problem]]:
    """The rows without exact doubles; a problem for each that contradicts an earlier one.

    Contradicting: the same take, camera, roll, clip and start with another rating, shot or end.
    """
    kept: list[SlateRow] = []
    problems: list[Problem] = []
    seen: dict[tuple[object, ...], SlateRow] = {}
    for row in rows:
        key = (
            scene_key(row.scene),
            take_key(row.take),
            row.day,
            camera_key(row.camera or ""),
            name_key(row.roll or ""),
            name_key(row.clip or ""),
            row.start_timecode,
        )
        first = seen.setdefault(key, row)
        if first is row:
            kept.append(row)
        elif (first.rating, first.shot, first.end_timecode, first.mos) != (
            row.rating,
            row.shot,
            row.end_timecode,
            row.mos,
        ):
            what = f"the same take as row {first.row}, told otherwise"
            problems.append(Problem(row.row, None, "", what, "keep the row that is right"))
        elif replace(first, row=row.row) != row:
            kept.append(row)
    return tuple(kept), problems


class _Reader:
    """Reads cells by their meaning and collects what is wrong with them."""

    def __init__(
        self, cells: Sequence[str], columns: Columns, headings: Sequence[str], number: int
    ) -> None:
        self._cells = cells
        self._columns = columns
        self._headings = headings
        self._number = number
        self.problems: list[Problem] = []

    def complain(self, meaning: str, what: str, do: str) -> None:
        self._complain(self._columns.of.get(meaning), what, do)

    def name(self, meaning: str) -> str:
        """A short text: trimmed, runs of blanks made one, no formula."""
        text = self.read(meaning, plain_cell, "")
        if len(text) > _MAX_NAME:
            what = f"{len(text):,} characters, too many for a name"
            self.complain(meaning, what, "look for a quotation mark that was not closed")
            return ""
        return " ".join(text.split())

    def text(self, meaning: str) -> str:
        """Any text: kept as written, formulas too, since nothing here works them out."""
        text = self._cell(self._columns.of.get(meaning)).strip()
        if len(text) > _MAX_TEXT:
            what = f"{len(text):,} characters, too many for a note"
            self.complain(meaning, what, "look for a quotation mark that was not closed")
        return text

    def read(self, meaning: str, read: Callable[[str], _T], empty: _T) -> _T:
        place = self._columns.of.get(meaning)
        return self._read(place, read, empty)

    def rating(self) -> Rating | None:
        """What the columns for ratings say; two that differ are a problem."""
        found: dict[Rating, int] = {}
        for place in self._columns.ratings:
            rating = self._read(place, read_rating, None)
            if rating is not None:
                found.setdefault(rating, place)
        for place, meant in self._columns.ticks:
            rating = self._read(place, partial(read_rating, tick=meant), None)
            if rating is not None:
                found.setdefault(rating, place)
        if len(found) > 1:
            words = " and ".join(rating.value for rating in found)
            self._complain(max(found.values()), f"{words} at once", "keep one of them")
        return next(iter(found), None)

    def extra(self) -> dict[str, str]:
        kept: dict[str, str] = {}
        for place, heading in self._columns.extra:
            text = self._cell(place).strip()
            if len(text) > _MAX_TEXT:
                what = f"{len(text):,} characters, too many for a cell"
                self._complain(place, what, "look for a quotation mark that was not closed")
            elif text:
                kept.setdefault(heading, text)
        return kept

    def _cell(self, place: int | None) -> str:
        return self._cells[place] if place is not None and place < len(self._cells) else ""

    def _read(self, place: int | None, read: Callable[[str], _T], empty: _T) -> _T:
        text = self._cell(place)
        if not text.strip():
            return empty
        try:
            return read(text)
        except BadCell as bad:
            self._complain(place, f"{shortened(text.strip())} is {bad.what}", bad.do)
            return empty

    def _complain(self, place: int | None, what: str, do: str) -> None:
        heading = ""
        if place is not None and place < len(self._headings):
            heading = self._headings[place].strip()
        self.problems.append(Problem(self._number, place, heading, what, do))


def _seconds(label: str) -> int:
    hour, minute, second, _, _ = parse_label(label)
    return (hour * 60 + minute) * 60 + second
