"""The paper of the shoot in the catalog: slate logs and shot lists, every loading of them kept."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Row, func, insert, select

from ingest.catalog.door import Door
from ingest.catalog.intake import production_id
from ingest.catalog.records import Mark, Observer, PlannedShot, Rating, SlateRow
from ingest.catalog.tables import (
    PRODUCTION,
    SHOT_LIST_LOAD,
    SHOT_LIST_ROW,
    SLATE_LOAD,
    SLATE_ROW,
)

__all__ = ["Paper"]

_SAME = (
    *("row", "scene", "take", "shot", "day", "camera", "roll", "sound_roll", "clip"),
    *("start_timecode", "end_timecode", "mos", "note", "date", "start_clock", "end_clock"),
    *("frame_rate", "lens", "stop", "filter", "iso", "white_balance", "shutter"),
)
"""Fields of a slate row that its table holds under the same name and as they are."""


class Paper(Door):
    """The part of `Catalog` that knows logs and shot lists."""

    def load_slate(
        self,
        production: str,
        log: str,
        rows: Sequence[SlateRow],
        observer: Observer | None = None,
    ) -> None:
        """Replace what the log of this name said before, in one transaction; the old rows are
        kept as history (superseded), never deleted. `log` counts, whatever the rows' own says."""
        now = self._clock()
        with self._writing() as connection:
            done = connection.execute(
                insert(SLATE_LOAD).values(
                    production_id=production_id(connection, production),
                    log=log,
                    loaded=now,
                    who=observer and observer.who,
                    machine=observer and observer.machine,
                    boot=observer and observer.boot,
                )
            ).inserted_primary_key
            assert done is not None
            values = [
                {name: getattr(row, name) for name in _SAME}
                | {
                    "load_id": done[0],
                    "rating": None if row.rating is None else row.rating.value,
                    "extra": dict(row.extra),
                    "marks": [mark.value for mark in row.marks],
                }
                for row in rows
            ]
            if values:
                connection.execute(insert(SLATE_ROW), values)

    def slate(self, production: str) -> tuple[SlateRow, ...]:
        """The rows that count now, in order of log and row."""
        latest = (
            select(func.max(SLATE_LOAD.c.id))
            .join(PRODUCTION, PRODUCTION.c.id == SLATE_LOAD.c.production_id)
            .where(PRODUCTION.c.name == production)
            .group_by(SLATE_LOAD.c.log)
        )
        query = (
            select(SLATE_LOAD.c.log, SLATE_ROW)
            .join(SLATE_ROW, SLATE_ROW.c.load_id == SLATE_LOAD.c.id)
            .where(SLATE_LOAD.c.id.in_(latest))
            .order_by(SLATE_ROW.c.id)
        )
        with self._reading() as connection:
            found = [_slate_row_of(row) for row in connection.execute(query)]
        return tuple(sorted(found, key=lambda row: (row.log, row.row)))

    def load_shot_list(
        self, production: str, name: str, shots: Sequence[PlannedShot], observer: Observer
    ) -> None:
        """Replace what the shot list of this name said before, in one transaction; the old rows
        are kept as history. `name` counts, whatever the shots' own `list` says."""
        now = self._clock()
        with self._writing() as connection:
            done = connection.execute(
                insert(SHOT_LIST_LOAD).values(
                    production_id=production_id(connection, production),
                    list=name,
                    loaded=now,
                    who=observer.who,
                    machine=observer.machine,
                    boot=observer.boot,
                )
            ).inserted_primary_key
            assert done is not None
            values = [
                {
                    "load_id": done[0],
                    "row": shot.row,
                    "scene": shot.scene,
                    "shot": shot.shot,
                    "setup": shot.setup,
                    "day": shot.day,
                    "date": shot.date,
                    "size": shot.size,
                    "location": shot.location,
                    "cameras": list(shot.cameras),
                    "note": shot.note,
                    "extra": dict(shot.extra),
                }
                for shot in shots
            ]
            if values:
                connection.execute(insert(SHOT_LIST_ROW), values)

    def shot_lists(self, production: str) -> tuple[tuple[PlannedShot, ...], ...]:
        """The shot lists as last loaded, the one loaded last being the last; rows in their order.

        Which of their shots are planned now is for `ingest.slate.planned.standing` to say.
        """
        latest = (
            select(func.max(SHOT_LIST_LOAD.c.id))
            .join(PRODUCTION, PRODUCTION.c.id == SHOT_LIST_LOAD.c.production_id)
            .where(PRODUCTION.c.name == production)
            .group_by(SHOT_LIST_LOAD.c.list)
        )
        query = (
            select(SHOT_LIST_LOAD.c.list, SHOT_LIST_ROW)
            .join(SHOT_LIST_ROW, SHOT_LIST_ROW.c.load_id == SHOT_LIST_LOAD.c.id)
            .where(SHOT_LIST_LOAD.c.id.in_(latest))
            .order_by(SHOT_LIST_LOAD.c.id, SHOT_LIST_ROW.c.id)
        )
        lists: dict[int, list[PlannedShot]] = {}
        with self._reading() as connection:
            for row in connection.execute(query):
                lists.setdefault(row.load_id, []).append(_planned_of(row))
        return tuple(tuple(shots) for shots in lists.values())


def _slate_row_of(row: Row[Any]) -> SlateRow:
    return SlateRow(
        **{name: getattr(row, name) for name in _SAME},
        rating=None if row.rating is None else Rating(row.rating),
        extra=row.extra,
        log=row.log,
        marks=tuple(Mark(word) for word in row.marks or ()),
    )


def _planned_of(row: Row[Any]) -> PlannedShot:
    return PlannedShot(
        scene=row.scene,
        shot=row.shot,
        setup=row.setup,
        day=row.day,
        date=row.date,
        size=row.size,
        location=row.location,
        cameras=tuple(row.cameras),
        note=row.note,
        extra=row.extra,
        list=row.list,
        row=row.row,
    )
