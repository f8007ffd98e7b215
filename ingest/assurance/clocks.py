"""Which device's clock is wrong, and by how much, from clips of the same takes. Pure.

Devices that hold one take were running at one moment, a few seconds apart. What each wrote as the
time of day then tells their clocks apart; what timecode both have is used to take those seconds
out. A clock that is off by whole quarters of an hour, up to fourteen hours, may be right in
another time zone: that much is left out of the difference.

This judges takes that are linked already, any device against all others, the recorder too.
`ingest.slate.matching.by_clock` finds what a camera's clips are by laying its clock on the
recorder's or the log's, which it takes for right; a lag of the buttons stays in its offset.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import combinations
from statistics import median_low

__all__ = ["Offset", "Sighting", "clock_offsets"]

_LEAST = 20
"""Seconds. People press the buttons that far apart (from memory, common practice, no source)."""
_QUARTER = 15 * 60
_FARTHEST_ZONE = 14 * 3600


@dataclass(frozen=True, slots=True)
class Sighting:
    """A device that was recording a take."""

    device: str
    take: tuple[str, str]
    clock: float
    """What its own clock said at the start of the clip, in seconds of its own date and time."""
    timecode_seconds: Fraction | None = None
    """Its timecode at the start, as seconds of real time since label zero; None without."""


@dataclass(frozen=True, slots=True)
class Offset:
    device: str
    seconds: int
    """Positive: fast."""
    against: tuple[str, ...]
    """The devices whose clocks agree with each other."""
    takes: int
    """How many takes it was worked out from."""


def clock_offsets(seen: Sequence[Sighting]) -> tuple[Offset, ...]:
    """The devices whose clock is off by more than 20 seconds, by letter.

    Right is what the most devices agree on; of as many, what the device does that has seen the
    most takes. Nothing is said of two devices alone that differ: either may be right, unless one
    of them was seen in a take with a third.
    """
    pairs = _differences(seen)
    devices = sorted({one.device for one in seen})
    takes = {device: len({s.take for s in seen if s.device == device}) for device in devices}
    best = max(
        (_agreeing(device, devices, pairs) for device in devices),
        key=lambda group: (len(group), sum(takes[one] for one in group)),
        default=frozenset[str](),
    )
    if len(best) < 2:
        return ()
    found = []
    for device in devices:
        if device in best:
            continue
        # Devices that write their times alike tell best: the difference of zones drops out.
        by_other = {
            other: _without_zone(median_low(told))
            for other in sorted(best)
            if (told := pairs.get((device, other)))
        }
        if not by_other:
            continue
        seconds = min(by_other.values(), key=abs)
        if abs(seconds) >= _LEAST:
            used = tuple(o for o, told in by_other.items() if abs(told - seconds) < _LEAST)
            found.append(Offset(device, seconds, used, max(len(pairs[device, o]) for o in used)))
    return tuple(found)


def _differences(seen: Sequence[Sighting]) -> Mapping[tuple[str, str], list[int]]:
    """Seconds by which one device's clock is ahead of another's, a number for each take."""
    by_take: defaultdict[tuple[str, str], dict[str, Sighting]] = defaultdict(dict)
    for one in seen:
        by_take[one.take].setdefault(one.device, one)
    pairs: defaultdict[tuple[str, str], list[int]] = defaultdict(list)
    for devices in by_take.values():
        for one, other in combinations(devices.values(), 2):
            ahead = _ahead(one, other)
            pairs[one.device, other.device].append(ahead)
            pairs[other.device, one.device].append(-ahead)
    return pairs


def _ahead(one: Sighting, other: Sighting) -> int:
    apart = one.clock - other.clock
    if one.timecode_seconds is not None and other.timecode_seconds is not None:
        between = one.timecode_seconds - other.timecode_seconds
        if abs(between) < 3600:  # counters that were never set together say nothing
            apart -= float(between)
    return round(apart)


def _agreeing(
    device: str, devices: Sequence[str], pairs: Mapping[tuple[str, str], list[int]]
) -> frozenset[str]:
    return frozenset(
        other
        for other in devices
        if other == device
        or ((told := pairs.get((device, other))) and abs(_without_zone(median_low(told))) < _LEAST)
    )


def _without_zone(seconds: int) -> int:
    """The difference less the whole quarters of an hour that a time zone may explain."""
    quarters = round(seconds / _QUARTER) * _QUARTER
    if quarters and abs(quarters) <= _FARTHEST_ZONE and abs(seconds - quarters) <= 60:
        return seconds - quarters
    return seconds
