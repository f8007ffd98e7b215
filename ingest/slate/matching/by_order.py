"""Continuity: what is left between two links of one camera, in the order of the day.

Between two rows whose clips are known, as many rows as clips are without a link: then they follow
each other as the clips do. Likely at most.
"""

from __future__ import annotations

from collections import defaultdict
from itertools import pairwise

from ingest.catalog.records import Clip, SlateRow, Sure
from ingest.media.facts import ClipKind
from ingest.slate.names import camera_key, parse_take
from ingest.slate.pool import Pool, row_key, said_row

__all__ = ["link_by_order"]

_MOST = 3
"""Clips in one gap: with more, one that nobody slated is likely among them."""


def link_by_order(pool: Pool) -> None:
    """Claims takes for clips that stand in a gap of as many rows as clips."""
    clips: defaultdict[tuple[int | None, str], list[Clip]] = defaultdict(list)
    rows: defaultdict[tuple[int | None, str], list[SlateRow]] = defaultdict(list)
    for clip in pool.clips:
        if clip.facts.kind is ClipKind.PICTURE and clip.roll.camera:
            clips[clip.roll.day, camera_key(clip.roll.camera)].append(clip)
    for row in pool.rows:
        if row.camera and parse_take(row.take).has_picture:
            rows[row.day, camera_key(row.camera)].append(row)
    for device, logged in rows.items():
        order = sorted(clips[device], key=lambda clip: (clip.roll.name, clip.name))
        logged.sort(key=lambda row: (row.log, row.row))
        _link_gaps(pool, order, logged)


def _link_gaps(pool: Pool, clips: list[Clip], rows: list[SlateRow]) -> None:
    holder: dict[tuple[str, str], int] = {}
    free: set[int] = set()
    for place, clip in enumerate(clips):
        keys = pool.keys(clip)
        if not keys:
            free.add(place)
        for key in keys:
            holder.setdefault(key, place)
    known = [(at, holder[row_key(row)]) for at, row in enumerate(rows) if row_key(row) in holder]
    for (at, before), (later, following) in pairwise(known):
        gap = [row for row in rows[at + 1 : later] if not row.clip]
        between = [place for place in range(before + 1, following) if place in free]
        if not gap or len(gap) != later - at - 1 or len(gap) != len(between):
            continue
        if len(gap) > _MOST or len(between) != following - before - 1:
            continue
        for row, place in zip(gap, between, strict=True):
            basis = f"stands where {said_row(row)} does, between clips whose takes are known"
            pool.claim(clips[place], row.scene, row.take, Sure.LIKELY, basis, row)
