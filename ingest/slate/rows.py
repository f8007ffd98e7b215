"""One row of a slate log: from its cells to `SlateRow`s, and what is wrong with it."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterable
from dataclasses import replace
from functools import partial

from ingest.catalog.records import Mark, Rating, SlateRow
from ingest.media.timecode import parse_label
from ingest.slate.cells import (
    BadCell,
    read_cameras,
    read_clock,
    read_flag,
    read_label,
    read_name,
    read_rating,
)
from ingest.slate.columns import Columns
from ingest.slate.label_rates import LabelRates
from ingest.slate.marks import in_order, marks_in, marks_of_take, split_marks
from ingest.slate.names import camera_key, name_key, scene_key, split_slate, take_key
from ingest.slate.reading import CellReader, Problem
from ingest.slate.table import Days

__all__ = ["find_clashes", "read_row"]

_DAY = 24 * 3600
_LONGEST = 12 * 3600
"""Seconds: a take that seems longer than half a day ends before it begins."""
_MOST_TAKES = 20
_NO_NAMES: tuple[str, ...] = ()
_NOT_RATED: tuple[Rating | None, frozenset[Mark]] = (None, frozenset())
_RANGE = re.compile(r"([0-9]{1,3})\s*[-–]\s*([0-9]{1,3})", re.ASCII)
_LIST = re.compile(r"[0-9]{1,3}(?:\s*[,+&/]\s*[0-9]{1,3})+", re.ASCII)
_ENCLOSED = re.compile("[①-⑳]")
_TOLD_ONCE = ("rating", "shot", "end_timecode", "end_clock", "mos")


def read_row(
    reader: CellReader, columns: Columns, days: Days, rates: LabelRates, *, log: str
) -> tuple[SlateRow, ...]:
    """The row as far as it can be read; what is wrong with it stands in `reader.problems`.

    More than one where it tells of several takes (`1-3`: a series in one clip) or cameras.
    """
    scene, take, marks, mos = _slate(reader)
    if not reader.problems:
        if not scene:
            reader.complain("scene", "no scene", "write the scene into every row")
        if not take:
            reader.complain("take", "no take", "write the take into every row")
    start, end = _span(reader, "start", "end", read_label)
    start_clock, end_clock = _span(reader, "start_clock", "end_clock", read_clock)
    note, sound_roll = reader.text("note"), reader.name("sound_roll")
    mute = sound_roll.casefold() == "mos" or "MOS" in note.replace(".", "").split()
    rating, rated = _rating(reader, columns)
    marks |= rated | marks_in(note) | marks_in(reader.text("slated"), short=True)
    for place, mark in columns.marks:
        if reader.read_at(place, read_flag, False):
            marks.add(mark)
    if rating is None and _ENCLOSED.search(take):
        rating = Rating.CIRCLED
    take = unicodedata.normalize("NFKC", take) if _ENCLOSED.search(take) else take
    day, date = days.of(reader)
    row = SlateRow(
        scene=scene,
        take=take,
        shot=reader.name("shot", read_name) or None,
        day=day,
        camera=None,
        roll=reader.name("roll") or None,
        sound_roll=sound_roll or None,
        clip=reader.name("clip") or None,
        start_timecode=start,
        end_timecode=end,
        rating=rating,
        mos=reader.read("mos", read_flag, False) or mute or mos,
        note=note or None,
        extra=reader.extra(columns.extra),
        log=log,
        row=reader.number,
        date=date,
        start_clock=start_clock,
        end_clock=end_clock,
        frame_rate=reader.name("frame_rate") or None,
        lens=reader.name("lens") or None,
        stop=reader.name("stop") or None,
        filter=reader.name("filter") or None,
        iso=reader.name("iso") or None,
        white_balance=reader.name("white_balance") or None,
        shutter=reader.name("shutter") or None,
    )
    takes = _takes(take)
    if len(takes) > 1:
        marks.add(Mark.SERIES)
    cameras = _of_cameras(reader, row)
    _check_frames(reader, row, rates.highest([one.camera for one in cameras]))
    return tuple(
        replace(one, take=each, marks=in_order(marks | marks_of_take(each)))
        for one in cameras
        for each in takes
    )


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
            row.start_clock,
        )
        first = seen.setdefault(key, row)
        if first is row:
            kept.append(row)
        elif any(getattr(first, name) != getattr(row, name) for name in _TOLD_ONCE):
            what = f"the same take as row {first.row}, told otherwise"
            problems.append(Problem(row.row, None, "", what, "keep the row that is right"))
        elif replace(first, row=row.row) != row:
            kept.append(row)
    return tuple(kept), problems


def _slate(reader: CellReader) -> tuple[str, str, set[Mark], bool]:
    """Scene and take, the marks behind the take's number, and whether MOS is among them."""
    scene, take = reader.name("scene", read_name), reader.name("take", read_name)
    if scene and not take:
        scene, split = split_slate(scene)
        take = split or ""
    elif scene:
        # `12A-3` beside the take 3 says the take twice; anything else is the scene's own name.
        bare, split = split_slate(scene)
        if split is not None and take_key(split) == take_key(take):
            scene = bare
    take, marks, mos = split_marks(take)
    return scene, take, set(marks), mos


def _span(
    reader: CellReader, first: str, last: str, read: Callable[[str], str | None]
) -> tuple[str | None, str | None]:
    start, end = reader.read(first, read, None), reader.read(last, read, None)
    if start and end and (_seconds(end) - _seconds(start)) % _DAY > _LONGEST:
        what = f"it ends at {end}, before it begins at {start}"
        reader.complain(last, what, "correct the start or the end")
    return start, end


def _check_frames(reader: CellReader, row: SlateRow, rate: int | None) -> None:
    """A frame that no timecode at this rate (frames a second) has is a problem."""
    for meaning, label in (("start", row.start_timecode), ("end", row.end_timecode)):
        if label and rate and (frame := parse_label(label)[3]) >= rate:
            what = f"{label} has frame {frame}, but {rate} frames a second end at {rate - 1:02}"
            do = "correct the timecode, or frame_rate in ingest.toml (the project's, the camera's)"
            reader.complain(meaning, what, do)


def _rating(reader: CellReader, columns: Columns) -> tuple[Rating | None, set[Mark]]:
    """What the columns for ratings say, marks among it too; two ratings are a problem."""
    found: dict[Rating, int] = {}
    marks: set[Mark] = set()
    told: list[tuple[int, Rating | None]] = [(place, None) for place in columns.ratings]
    for place, meant in (*told, *columns.ticks):
        read = partial(_read_rated, tick=meant)
        rating, also = reader.read_at(place, read, _NOT_RATED)
        marks |= also
        if rating is not None:
            found.setdefault(rating, place)
    if len(found) > 1:
        words = " and ".join(rating.value for rating in found)
        reader.complain_at(max(found.values()), f"{words} at once", "keep one of them")
    return next(iter(found), None), marks


def _read_rated(text: str, tick: Rating | None = None) -> tuple[Rating | None, frozenset[Mark]]:
    """A rating, or a mark in the place of one: `false start`."""
    try:
        return read_rating(text, tick), frozenset()
    except BadCell:
        if marks := marks_in(text, short=tick is None):
            return None, marks
        raise


def _takes(take: str) -> tuple[str, ...]:
    """`1-3` and `1, 2, 3` as the takes of a series; anything else is one take."""
    if found := _RANGE.fullmatch(take):
        first, last = int(found[1]), int(found[2])
        if first < last < first + _MOST_TAKES:
            return tuple(str(number) for number in range(first, last + 1))
    elif _LIST.fullmatch(take):
        return tuple(dict.fromkeys(re.findall(r"[0-9]+", take)))
    return (take,)


def _of_cameras(reader: CellReader, row: SlateRow) -> list[SlateRow]:
    """A row a camera, where one row tells of several; rolls and clips then go camera by camera."""
    cameras = reader.read("camera", read_cameras, _NO_NAMES)
    if len(cameras) < 2:
        return [replace(row, camera=cameras[0] if cameras else None)]
    parts: dict[str, list[str | None]] = {}
    for name, text in (("roll", row.roll), ("clip", row.clip)):
        told = re.split(r"\s*[,;/+&]\s*|\s+", text) if text else []
        if told and len(told) != len(cameras):
            what = f"{len(told)} for {len(cameras)} cameras"
            reader.complain(name, what, "write a row for each camera")
            return [row]
        parts[name] = list(told) or [None] * len(cameras)
    return [
        replace(row, camera=camera, roll=roll, clip=clip)
        for camera, roll, clip in zip(cameras, parts["roll"], parts["clip"], strict=True)
    ]


def _seconds(time: str) -> int:
    """Seconds since midnight of a label (frames left out) or of a time of day."""
    hour, minute, second = parse_label(time)[:3] if len(time) > 8 else map(int, time.split(":"))
    return (hour * 60 + minute) * 60 + second
