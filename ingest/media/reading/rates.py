"""The pace of a clip's frames, from the times at which they stand.

A header's rate is a claim; the frames' times decide whether it varies.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

__all__ = ["Pace", "pace"]

_USUAL_BASES = (12, 15, 24, 25, 30, 48, 50, 60, 72, 75, 90, 96, 100, 120, 200, 240)
_USUAL = tuple(
    rate for base in _USUAL_BASES for rate in (Fraction(base), Fraction(base * 1000, 1001))
)


@dataclass(frozen=True, slots=True)
class Pace:
    """Frames a second. `usual` is the rate of the most frequent interval where it varies."""

    varies: bool
    usual: Fraction
    lowest: Fraction
    highest: Fraction
    slack: Fraction
    """How far, as a share of the rate, the clock's steps leave it open."""

    def agrees(self, rate: Fraction) -> bool:
        """Whether the frames can have been recorded at `rate`, within the clock's steps."""
        return abs(rate - self.usual) <= self.usual * self.slack


def pace(times: Sequence[int], tick: Fraction) -> Pace | None:
    """The pace of frames that stand at `times` (in steps of `tick` seconds, any order).

    None for fewer than three frames, or times that can't be (equal ones).
    Intervals may differ by one step: 1001/24000 s is 41 or 42 steps of a millisecond.
    """
    ordered = sorted(times)
    gaps = sorted(later - earlier for earlier, later in pairwise(ordered))
    if len(gaps) < 2 or gaps[0] <= 0:
        return None
    whole = ordered[-1] - ordered[0]
    average = len(gaps) / (whole * tick)
    lowest, highest = 1 / (gaps[-1] * tick), 1 / (gaps[0] * tick)
    if gaps[-1] - gaps[0] <= 1:
        slack = Fraction(1, whole) if gaps[-1] != gaps[0] else Fraction(1, 2 * len(gaps) * gaps[0])
        slack = max(slack, Fraction(1, 1_000_000))
        return Pace(False, _snapped(average, slack), lowest, highest, slack)
    middle = gaps[len(gaps) // 2]
    usual = _snapped(1 / (middle * tick), Fraction(1, 2 * middle))
    return Pace(True, usual, lowest, highest, Fraction(0))


def _snapped(rate: Fraction, slack: Fraction) -> Fraction:
    """The trade's rate that the clock's steps can't tell from this one, else this one."""
    near = [each for each in _USUAL if abs(each - rate) <= rate * slack]
    return min(near, key=lambda each: abs(each - rate)) if near else rate
