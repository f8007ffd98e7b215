"""Slips of the pen in a log: a row that breaks the run of takes, and what was likely meant.

A letter (12A written 12B for one take) is the likelier mistake than a digit (common practice, no
source): on a set the letter moves on from set-up to set-up and is said aloud by many mouths. What
is offered here is only offered; nothing is linked by it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import groupby

from ingest.catalog.records import Mark, SlateRow
from ingest.slate.names import TakeKind, parse_scene, parse_take, scene_key, take_key

__all__ = ["Slip", "likely_slips", "slip_cost", "without_i_and_o"]

_READ_AS = str.maketrans("io", "10")


@dataclass(frozen=True, slots=True)
class Slip:
    """A row that likely says another take than was meant."""

    row: SlateRow
    scene: str
    """What was likely meant, as its neighbour writes it."""
    take: str
    kind: str
    """letter, digits swapped, digit, or take."""


_KIND = {1: "letter", 2: "digits swapped", 3: "digit"}


def slip_cost(meant: str, written: str) -> int | None:
    """How unlikely it is that a scene's name was written for another; None for no single slip.

    1: one letter other, more or fewer, or I and O for 1 and 0; 2: two digits next to each other
    swapped; 3: one digit other. 0 where both are one scene. Pure.
    """
    one, other = scene_key(meant), scene_key(written)
    if one == other:
        return 0
    if one.translate(_READ_AS) == other.translate(_READ_AS):
        return 1
    if len(one) == len(other):
        differ = [at for at, (a, b) in enumerate(zip(one, other, strict=True)) if a != b]
        pairs = [(one[at], other[at]) for at in differ]
        if len(differ) == 1:
            return 3 if any(character.isdigit() for character in pairs[0]) else 1
        if (
            len(differ) == 2
            and differ[1] == differ[0] + 1
            and pairs[0] == pairs[1][::-1]
            and one[differ[0]].isdigit()
            and one[differ[1]].isdigit()
        ):
            return 2
        return None
    longer, shorter = sorted((one, other), key=len, reverse=True)
    for at, character in enumerate(longer):
        if character.isalpha() and longer[:at] + longer[at + 1 :] == shorter:
            return 1
    return None


def without_i_and_o(scene: str) -> str | None:
    """`12I` as `121`, `12O` as `120`: set-up letters leave out I and O, which read as 1 and 0
    (common practice, no source). None for a name that has neither behind its number."""
    key = scene_key(scene)
    parts = parse_scene(scene)
    read = key.translate(_READ_AS)
    return read if parts.number and parts.suffix and read != key else None


def likely_slips(rows: Sequence[SlateRow]) -> tuple[Slip, ...]:
    """The rows of logs (in the order of their sheets) that look like a slip. Pure.

    A row is one where the scene before it has the take before this one and lacks this one, and
    the scene that is written here lacks the take before this one, or has this one twice; or where
    the take's number alone breaks a run that goes on after it.
    """
    said = Counter(_key(row) for run in _runs(rows) for row in [run[0]])
    found = []
    for log in _logs(rows):
        runs = _runs(log)
        before: SlateRow | None = None
        for at, run in enumerate(runs):
            after = runs[at + 1][0] if at + 1 < len(runs) else None
            first = run[0]
            if before is not None and (meant := _meant(first, before, after, said)):
                found += [Slip(row, *meant) for row in run]
                # What follows goes on from what was meant.
                first = replace(first, scene=meant[0], take=meant[1])
            before = first
    return tuple(found)


def _meant(
    row: SlateRow, before: SlateRow, after: SlateRow | None, said: Counter[tuple[str, str]]
) -> tuple[str, str, str] | None:
    """Scene, take and kind of slip, where the row looks like one."""
    number, last = _number(row), _number(before)
    if number is None or last is None or Mark.FALSE_START in row.marks:
        return None
    scene, other = scene_key(row.scene), scene_key(before.scene)
    if scene != other:
        cost = slip_cost(before.scene, row.scene)
        breaks = (scene, str(number - 1)) not in said or said[scene, str(number)] > 1
        if cost and number == last + 1 and breaks and (other, str(number)) not in said:
            return before.scene, row.take, _KIND[cost]
        return None
    if after is None or scene_key(after.scene) != scene or number == last + 1:
        return None
    if _number(after) == last + 2 and (scene, str(last + 1)) not in said:
        return row.scene, str(last + 1), "take"
    return None


def _logs(rows: Sequence[SlateRow]) -> list[list[SlateRow]]:
    """The rows of one log and day after another, each in the order of its sheet."""
    ordered = sorted(rows, key=lambda row: (row.log, row.day or 0, row.row))
    return [list(some) for _, some in groupby(ordered, key=lambda row: (row.log, row.day))]


def _runs(rows: Sequence[SlateRow]) -> list[list[SlateRow]]:
    """Rows next to each other that tell of one take (its cameras); those with a number."""
    numbered = [row for row in rows if _number(row) is not None]
    return [list(some) for _, some in groupby(numbered, key=_key)]


def _key(row: SlateRow) -> tuple[str, str]:
    return scene_key(row.scene), take_key(row.take)


def _number(row: SlateRow) -> int | None:
    """The number of an ordinary take."""
    take = parse_take(row.take)
    return int(take.number) if take.kind is TakeKind.TAKE and len(take.number) < 5 else None
