"""Reads a shot list, and says which of several lists' shots are planned now."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from ingest.catalog.records import PlannedShot
from ingest.errors import BadLog
from ingest.slate.cells import read_cameras, read_name
from ingest.slate.headings import assign, heading_key
from ingest.slate.names import name_key, scene_key
from ingest.slate.reading import CellReader, Problem, bad_rows
from ingest.slate.sheet import read_sheet
from ingest.slate.table import Days, check_headings, extra_columns, find_headings, read_days

__all__ = ["read_shot_list", "standing"]

# Best first; common practice, no source.
_MEANINGS: dict[str, tuple[str, ...]] = {
    "scene": ("scene", "sceneno", "scenenumber", "scenename", "sc", "scn", "scno", "scenes"),
    "shot": (
        *("shot", "shotno", "shotnumber", "shotid", "board", "boardno", "frame", "frameno"),
        *("panel", "slate", "slateno", "no", "setup", "setupno", "setupnumber"),
    ),
    "setup": ("setup", "setupno", "setupnumber", "setupletter"),
    "day": ("day", "shootday", "shootingday", "dayno", "daynumber", "sd"),
    "date": ("date", "shootdate", "shootingdate"),
    "size": ("size", "shotsize", "framing", "shottype", "type", "fieldsize"),
    "location": ("location", "loc", "place", "set", "setting", "where"),
    "cameras": ("cameras", "camera", "cams", "cam", "units"),
    "note": ("note", "notes", "description", "action", "comments", "comment", "remarks", "desc"),
}
_OF_LOGS = frozenset({"take", "takeno", "takenumber", "tk"})
_HEADINGS = "give the columns headings: scene, shot, day, size, cameras, location, note"


def read_shot_list(
    path: str, *, sheet: str | None = None, shoot_dates: Mapping[str, int] | None = None
) -> tuple[PlannedShot, ...]:
    """The shots of a list, in its order. A row needs a scene or a shot; where a list has no
    column for scenes, the shot's name is its scene's too.

    `sheet` names a workbook's sheet. `shoot_dates`: ISO date to shoot day, for lists that say the
    day by its date. Raises BadLog, naming rows and columns: nothing is half-read.
    """
    table = read_sheet(path, _weight, sheet=sheet)
    at = find_headings(table, _weight, "a scene or a shot", _HEADINGS)
    headings = table.rows[at]
    found = assign(headings, _MEANINGS)
    if set(map(heading_key, headings)) & _OF_LOGS:
        raise BadLog(
            f"{table.name} has a column of takes: it is a slate log, not a shot list.",
            do=f"ingest slate load {table.name}",
        )
    extra = extra_columns(headings, set(found.of.values()))
    check_headings(table, at, found.twice, counted=len(found.of) + len(extra))
    days = read_days(table, at, found, shoot_dates or {})
    problems: list[Problem] = [days.problem] if days.problem else []
    shots: list[PlannedShot] = []
    for number, cells in enumerate(table.rows[at + 1 :], start=at + 2):
        if not any(cell.strip() for cell in cells):
            continue
        reader = CellReader(cells, found.of, headings, number, table.merged)
        shots.append(_shot(reader, days, extra, table.name))
        problems.extend(reader.problems)
    kept, doubles = _doubles(shots)
    problems.extend(doubles)
    if problems:
        raise bad_rows(table.name, problems)
    if not kept:
        raise BadLog(
            f"{table.name} has headings and no shots under them; nothing was loaded.",
            do="check that the right sheet was saved",
        )
    return kept


def standing(lists: Sequence[Sequence[PlannedShot]]) -> tuple[PlannedShot, ...]:
    """The shots planned now, of lists in the order of their loading. Pure.

    A list takes the place of what earlier ones said of the days that it plans, and of every shot
    that it names: a list a day, and a list that moves a shot to another day, both come out right.
    """
    kept: list[PlannedShot] = []
    days: set[int | str | None] = set()
    named: set[tuple[str, str]] = set()
    for shots in reversed(lists):
        kept[:0] = [shot for shot in shots if _day(shot) not in days and _key(shot) not in named]
        days |= {_day(shot) for shot in shots}
        named |= {_key(shot) for shot in shots}
    return tuple(kept)


def _day(shot: PlannedShot) -> int | str | None:
    return shot.day or shot.date


def _key(shot: PlannedShot) -> tuple[str, str]:
    return scene_key(shot.scene), name_key(f"{shot.shot or ''} {shot.setup or ''}")


def _shot(
    reader: CellReader, days: Days, extra: Sequence[tuple[int, str]], name: str
) -> PlannedShot:
    scene, shot = reader.name("scene", read_name), reader.name("shot", read_name)
    if not scene and not shot and not reader.problems:
        reader.complain("scene", "no scene", "write the scene into every row")
    day, date = days.of(reader)
    return PlannedShot(
        scene=scene or shot,
        shot=shot or None,
        setup=reader.name("setup") or None,
        day=day,
        date=date,
        size=reader.name("size") or None,
        location=reader.name("location") or None,
        cameras=reader.read("cameras", read_cameras, ()),
        note=reader.text("note") or None,
        extra=reader.extra(extra),
        list=name,
        row=reader.number,
    )


def _doubles(shots: Sequence[PlannedShot]) -> tuple[tuple[PlannedShot, ...], list[Problem]]:
    """Rows that stand twice count once; the same shot told otherwise is a problem."""
    seen: dict[object, PlannedShot] = {}
    problems = []
    for shot in shots:
        first = seen.setdefault((_key(shot), _day(shot)), shot)
        if replace(first, row=shot.row) != shot:
            what = f"the same shot as row {first.row}, told otherwise"
            problems.append(Problem(shot.row, None, "", what, "keep the row that is right"))
    return tuple(seen.values()), problems


def _weight(headings: Sequence[str]) -> int:
    found = assign(headings, _MEANINGS).of
    # A list of bare scenes is one too: one heading is enough where it says what the list is of.
    if "scene" in found or "shot" in found:
        return max(len(found), 2)
    return 0
