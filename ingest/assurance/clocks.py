"""Which device's clock is wrong, and by how much, from clips of the same takes. Pure.

Devices that hold one take were running at one moment, a few seconds apart. What each wrote as the
time of day then tells their clocks apart; what timecode both have is used to take those seconds
out. A clock that is off by whole quarters of an hour, up to fourteen hours, may be right in
another time zone: that much is left out of the difference.

This judges takes that are linked already, any device against all others, the recorder too.
`ingest.slate.matching.by_clock` finds what a camera's clips are by laying its clock on the
recorder's or the log's, which it takes for right. Of one clock one number is told, on every
screen: `agreed` settles which.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import combinations
from statistics import median_low

from ingest.slate.matching.clocks import ClockOffset

__all__ = ["LEAST", "Offset", "Sighting", "agreed", "as_told", "clock_offsets"]

LEAST = 20
"""Seconds from which a clock is told to be off: people press the buttons that far apart (from
memory, common practice, no source)."""
_CLOSE = 1.0
"""Seconds within which a clock's offset needs no rounding to those of the vote."""
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
    exact: bool = True
    """Timecode told when each clip of those takes began, so that no lag of the buttons is in it."""


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
            other: _without_zone(_median(told))
            for other in sorted(best)
            if (told := pairs.get((device, other)))
        }
        if not by_other:
            continue
        nearest = min(by_other, key=lambda other: abs(by_other[other]))
        seconds = by_other[nearest]
        if abs(seconds) >= LEAST:
            used = tuple(o for o, told in by_other.items() if abs(told - seconds) < LEAST)
            most = max(len(pairs[device, o]) for o in used)
            exact = all(one.exact for one in pairs[device, nearest])
            found.append(Offset(device, seconds, used, most, exact))
    return tuple(found)


def agreed(voted: Sequence[Offset], laid: Sequence[ClockOffset]) -> tuple[Offset, ...]:
    """The vote on one day's clocks, each with the number that is told of it.

    `laid`: the offsets that `ingest.slate.matching` worked out of the same day. Where timecode
    makes the vote exact, its number stands, unless the matching's is as close and of every clip;
    else that of the matching does, which has every clip in it and the lag of the buttons taken
    out, as long as it means the same (but for a zone). Of a
    clock that was set anew in the day, the last stretch tells how it stands; one that is right by
    then is told no more.
    """
    told = []
    for one in voted:
        own = [each for each in laid if each.device == one.device]
        last = round(-own[-1].slow) if own else one.seconds
        if len(own) > 1 and own[-1].is_sure:
            if abs(_without_zone(last)) >= LEAST:
                told.append(replace(one, seconds=last))
        elif not _same(one.seconds, last):
            told.append(one)
        elif one.exact and not _is_close(own[-1]):  # the vote knows no zones, and the matching may
            zones = round((last - one.seconds) / _QUARTER) * _QUARTER
            told.append(replace(one, seconds=one.seconds + zones))
        else:
            told.append(replace(one, seconds=last))
    return tuple(told)


def as_told(laid: Sequence[ClockOffset], voted: Sequence[Offset]) -> tuple[ClockOffset, ...]:
    """The same day's offsets of the matching, with the number that is told of each clock.

    Left out is what isn't sure and contradicts the vote.
    """
    numbers = {one.device: one.seconds for one in agreed(voted, laid)}
    several = {one.device for one in laid if sum(each.device == one.device for each in laid) > 1}
    told = []
    for one in laid:
        number = numbers.get(one.device)
        if number is None or one.device in several:
            told.append(one)
        elif _same(number, round(-one.slow)):
            # Two ways give two numbers; the truth lies within what they differ by, too.
            within = max(one.within, abs(one.slow + number))
            close = _is_close(one)
            told.append(one if close else replace(one, slow=float(-number), within=within))
        elif one.is_sure:
            told.append(one)
    return tuple(told)


def _is_close(one: ClockOffset) -> bool:
    return one.is_sure and one.within <= _CLOSE


def _same(one: int, other: int) -> bool:
    return abs(_without_zone(one - other)) < LEAST


@dataclass(frozen=True, slots=True)
class _Ahead:
    """By how much one device's clock is ahead of another's, on one take."""

    seconds: int
    exact: bool
    """Both have timecode, and it was taken out."""


_Pairs = Mapping[tuple[str, str], Sequence[_Ahead]]


def _differences(seen: Sequence[Sighting]) -> _Pairs:
    by_take: defaultdict[tuple[str, str], dict[str, Sighting]] = defaultdict(dict)
    for one in seen:
        by_take[one.take].setdefault(one.device, one)
    pairs: defaultdict[tuple[str, str], list[_Ahead]] = defaultdict(list)
    for devices in by_take.values():
        for one, other in combinations(devices.values(), 2):
            ahead = _ahead(one, other)
            pairs[one.device, other.device].append(ahead)
            pairs[other.device, one.device].append(replace(ahead, seconds=-ahead.seconds))
    return pairs


def _ahead(one: Sighting, other: Sighting) -> _Ahead:
    apart, exact = one.clock - other.clock, False
    if one.timecode_seconds is not None and other.timecode_seconds is not None:
        between = one.timecode_seconds - other.timecode_seconds
        if abs(between) < 3600:  # counters that were never set together say nothing
            apart, exact = apart - float(between), True
    return _Ahead(round(apart), exact)


def _median(told: Sequence[_Ahead]) -> int:
    return median_low(one.seconds for one in told)


def _agreeing(device: str, devices: Sequence[str], pairs: _Pairs) -> frozenset[str]:
    return frozenset(
        other
        for other in devices
        if other == device
        or ((told := pairs.get((device, other))) and abs(_without_zone(_median(told))) < LEAST)
    )


def _without_zone(seconds: int) -> int:
    """The difference less the whole quarters of an hour that a time zone may explain."""
    quarters = round(seconds / _QUARTER) * _QUARTER
    if quarters and abs(quarters) <= _FARTHEST_ZONE and abs(seconds - quarters) <= 60:
        return seconds - quarters
    return seconds
