"""Take numbers that a log lacks, where the camera's own count of clips lacks as many.

A take that nobody wrote down leaves a gap in the numbers and, in the middle of the named clips, a
clip that no row names. Two counters that say the same, the slate's and the camera's: then neither
of them slipped, as long as the takes after the gap count on.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Container, Iterable, Mapping

from ingest.catalog.records import Clip, SlateRow
from ingest.slate.names import TakeKind, parse_take
from ingest.slate.pool import Key, row_key

__all__ = ["told_gaps"]

_MOST = 2
"""Takes in a row that a crew may forget to write down."""


def told_gaps(
    rows: Iterable[SlateRow],
    order: Mapping[int, int],
    named: Mapping[int, tuple[Clip, SlateRow]],
) -> tuple[frozenset[int], frozenset[int]]:
    """Places of the rows before which a gap is told by the clips, and the places of those clips.

    Only takes that no row of any camera bears were forgotten: another camera's row means that this
    one didn't roll. `order`: by clip id its place in the order of the day, camera by camera.
    `named`: by the row's place the clip that it names.
    """
    logged = {row_key(row) for row in rows}
    rolls: defaultdict[tuple[int, str, str], list[int]] = defaultdict(list)
    for place, (clip, row) in named.items():
        if clip.id in order and parse_take(row.take).kind is TakeKind.TAKE:
            rolls[clip.roll.day, clip.roll.name, row.log].append(place)
    claimed = {order[clip.id] for clip, _ in named.values() if clip.id in order}
    after: set[int] = set()
    free: set[int] = set()
    for places in rolls.values():
        places.sort(key=lambda place: (named[place][1].row, place))
        runs = [(row_key(named[at][1]), order[named[at][0].id]) for at in places]
        for at in range(1, len(runs) - 1):
            between = _between(runs[at - 1], runs[at], logged)
            if between and not between & claimed and _counts_on(runs[at], runs[at + 1]):
                after.add(places[at])
                free |= between
    return frozenset(after), frozenset(free)


_Run = tuple[Key, int]
"""A take and the place of its clip."""


def _between(before: _Run, after: _Run, logged: Container[Key]) -> set[int]:
    """Places of the clips of a gap, as many as numbers are missing; else none."""
    ((scene, first), start), ((other, second), end) = before, after
    if scene != other or not (first.isdigit() and second.isdigit()):
        return set()
    lacking = range(int(first[-9:]) + 1, int(second[-9:]))
    if not 0 < len(lacking) <= _MOST or end - start - 1 != len(lacking):
        return set()
    if any((scene, str(number)) in logged for number in lacking):
        return set()
    return set(range(start + 1, end))


def _counts_on(one: _Run, other: _Run) -> bool:
    ((scene, first), start), ((same, second), end) = one, other
    if scene != same or not (first.isdigit() and second.isdigit()):
        return False
    return int(second[-9:]) - int(first[-9:]) == end - start > 0
