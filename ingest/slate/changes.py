"""What a log says otherwise than when it was last loaded: for the person who corrected it."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass, fields

from ingest.catalog.records import SlateRow
from ingest.slate.names import camera_key, name_key, scene_key, take_key

__all__ = ["Changed", "Changes", "compare_rows"]

_PLACE = ("log", "row")
"""Where a row stands is no part of what it says."""


@dataclass(frozen=True, slots=True)
class Changed:
    """One row, before and after."""

    before: SlateRow
    after: SlateRow

    @property
    def fields(self) -> tuple[str, ...]:
        """Names of the fields that differ."""
        return tuple(
            field.name
            for field in fields(SlateRow)
            if field.name not in _PLACE
            and getattr(self.before, field.name) != getattr(self.after, field.name)
        )


@dataclass(frozen=True, slots=True)
class Changes:
    new: tuple[SlateRow, ...]
    changed: tuple[Changed, ...]
    gone: tuple[SlateRow, ...]
    """Kept as history; they count no more."""


def compare_rows(before: Sequence[SlateRow], after: Sequence[SlateRow]) -> Changes:
    """Rows are the same when they say the same, wherever they stand; else by take, camera and
    clip; else by clip; else by their place in the sheet. Pure."""
    old, new = list(before), list(after)
    pairs: list[tuple[SlateRow, SlateRow]] = []
    for key in (_all, _take_and_clip, _take, _clip, _place):
        old, new = _pair(old, new, key, pairs)
    changed = [Changed(one, other) for one, other in pairs]
    return Changes(
        new=tuple(new),
        changed=tuple(
            sorted((one for one in changed if one.fields), key=lambda one: one.after.row)
        ),
        gone=tuple(old),
    )


def _pair(
    old: list[SlateRow],
    new: list[SlateRow],
    key: Callable[[SlateRow], Hashable],
    pairs: list[tuple[SlateRow, SlateRow]],
) -> tuple[list[SlateRow], list[SlateRow]]:
    """Pairs what has one key, in order; returns what is left of both."""
    waiting: dict[Hashable, list[SlateRow]] = {}
    for row in old:
        waiting.setdefault(key(row), []).append(row)
    left = []
    for row in new:
        fitting = waiting.get(key(row)) if key(row) is not None else None
        if fitting:
            pairs.append((fitting.pop(0), row))
        else:
            left.append(row)
    met = {id(one) for one, _ in pairs}
    return [row for row in old if id(row) not in met], left


def _all(row: SlateRow) -> Hashable:
    values = [getattr(row, field.name) for field in fields(row) if field.name not in _PLACE]
    return tuple(tuple(sorted(v.items())) if isinstance(v, dict) else v for v in values)


def _take_and_clip(row: SlateRow) -> Hashable:
    return (*_take(row), name_key(row.roll or ""), name_key(row.clip or ""), row.start_timecode)


def _take(row: SlateRow) -> tuple[Hashable, ...]:
    return scene_key(row.scene), take_key(row.take), row.day, camera_key(row.camera or "")


def _clip(row: SlateRow) -> Hashable:
    return (row.roll, row.camera, row.day, row.clip) if row.clip else None


def _place(row: SlateRow) -> Hashable:
    return row.row, row.camera
