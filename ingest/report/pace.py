"""How fast a drive took the bytes, as a sentence: the rate, and from when it fell. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from fractions import Fraction

from ingest.wording import speed

__all__ = ["Leg", "fall", "say_pace"]

_FELL = Fraction(3, 5)
"""Below this part of the rate before, a rate counts as fallen (common practice, no source)."""
_LEAST_S = 20.0
"""Either side of a fall must last so long: a drive that flushes pauses for seconds."""


@dataclass(frozen=True, slots=True)
class Leg:
    """One offload's way to one drive: bytes read back so far, at so many seconds after `started`.

    `points` rise in both, and begin with the first measurement."""

    started: datetime
    seconds: float
    bytes: int
    points: tuple[tuple[float, int], ...] = ()


def say_pace(legs: Sequence[Leg]) -> str:
    """`190 MB/s`, `190 MB/s, fell to 40 MB/s from 00:52 UTC`; empty when nothing was measured."""
    seconds = sum(leg.seconds for leg in legs)
    count = sum(leg.bytes for leg in legs)
    if seconds <= 0 or count <= 0:
        return ""
    falls = [(leg, found) for leg in legs if (found := fall(leg.points)) is not None]
    if not falls:
        return speed(Fraction(count) / Fraction(seconds))
    said = []
    for leg, (at, before, after) in falls:
        when = (leg.started + timedelta(seconds=at)).astimezone(UTC).strftime("%H:%M UTC")
        said.append(f"{speed(before)}, fell to {speed(after)} from {when}")
    return "; ".join(said)


def fall(points: Sequence[tuple[float, int]]) -> tuple[float, Fraction, Fraction] | None:
    """Where the rate fell for good: seconds, and bytes a second before and after; None if it
    didn't.

    Of all places to cut the run in two, the one where the rates differ most; both sides must last,
    and both halves of what follows must be slow: a pause, or the last small files, is no fall.
    """
    best: tuple[float, Fraction, Fraction] | None = None
    if len(points) < 3:
        return None
    first, last = points[0], points[-1]
    for number, place in enumerate(points[1:-1], 1):
        if place[0] - first[0] < _LEAST_S or last[0] - place[0] < _LEAST_S:
            continue
        half = points[(number + len(points)) // 2]
        before, after = _rate(first, place), _rate(place, last)
        slow = max(_rate(place, half), _rate(half, last)) <= _FELL * before
        if before > 0 and slow and (best is None or after * best[1] < best[2] * before):
            best = (place[0], before, after)
    return best


def _rate(one: tuple[float, int], other: tuple[float, int]) -> Fraction:
    seconds = Fraction(other[0]) - Fraction(one[0])
    return Fraction(other[1] - one[1]) / seconds if seconds > 0 else Fraction(0)
