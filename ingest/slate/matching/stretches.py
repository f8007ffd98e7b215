"""A clock that was set anew in the middle of the day: its clips in stretches, each with an offset.

A battery taken out, or somebody who puts the clock right: from then on all clips lie elsewhere.
Clips stand in the order in which the camera counted them, so a stretch is a run of them.
"""

from __future__ import annotations

from collections.abc import Container, Mapping, Sequence

from ingest.slate.matching.alignment import Alignment, Stretch, align

__all__ = ["stretches"]

_FEWEST = 8
"""Clips that a further stretch needs, to be told from chance."""
_OTHER = 30.0
"""Seconds by which two offsets must differ to be two."""
_MOST_ASTRAY = 0.15
"""Share of the lesser stretch's clips that may lie on the wrong side of the break."""
_DEEPEST = 3


def stretches(
    clips: Sequence[Stretch], takes: Sequence[Stretch], known: Mapping[int, Container[int]]
) -> list[tuple[tuple[int, ...], Alignment]]:
    """Runs of clips (by place, in the camera's order) with the alignment of each.

    `known`: by a clip's place the takes that something else says it holds. Empty where nothing
    fits. The pairs of each alignment name clips by their place in `clips`.
    """
    return _split(clips, takes, known, tuple(range(len(clips))), _DEEPEST)


def _split(
    clips: Sequence[Stretch],
    takes: Sequence[Stretch],
    known: Mapping[int, Container[int]],
    part: tuple[int, ...],
    deep: int,
) -> list[tuple[tuple[int, ...], Alignment]]:
    whole = _aligned(clips, takes, known, part)
    if whole is None:
        return []
    at = _break(clips, takes, known, part, whole) if deep else None
    if at is None:
        return [(part, whole)]
    first = _split(clips, takes, known, part[:at], deep - 1)
    return first + _split(clips, takes, known, part[at:], deep - 1)


def _aligned(
    clips: Sequence[Stretch],
    takes: Sequence[Stretch],
    known: Mapping[int, Container[int]],
    part: Sequence[int],
    around: tuple[float, float] | None = None,
) -> Alignment | None:
    told = {index: known[place] for index, place in enumerate(part) if place in known}
    own = [clips[place] for place in part]
    found = align(own, takes, known=told, quarter_hours=True, around=around)
    return found.at_places(part) if found is not None else None


def _break(
    clips: Sequence[Stretch],
    takes: Sequence[Stretch],
    known: Mapping[int, Container[int]],
    part: Sequence[int],
    whole: Alignment,
) -> int | None:
    """Where in the part another offset begins, or None where one is enough."""
    fitting = {pair.clip for pair in whole.pairs}
    rest = [place for place in part if place not in fitting]
    if len(rest) < _FEWEST:
        return None
    other = _aligned(clips, takes, known, rest)
    if (
        other is None
        or len(other.pairs) < _FEWEST
        or not other.is_sure
        or abs(other.offset - whole.offset) < _OTHER
    ):
        return None
    # Some lie on a take by chance at either offset: they tell nothing of the break.
    again = _aligned(clips, takes, known, part, (other.offset, _OTHER / 2))
    of_other = {pair.clip for pair in (again or other).pairs}
    marks = [(place in of_other) - (place in fitting) for place in part]
    best: tuple[int, int] | None = None
    for at in range(1, len(part)):
        before, after = marks[:at], marks[at:]
        for sign in (1, -1):
            astray = before.count(-sign) + after.count(sign)
            if best is None or astray < best[0]:
                best = astray, at
    fewest = min(len(fitting), len(of_other))
    return best[1] if best is not None and best[0] <= _MOST_ASTRAY * fewest else None
