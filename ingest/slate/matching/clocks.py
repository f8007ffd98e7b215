"""Each device's wall clock: what a file says of it, and how far it is off.

A clock is read in seconds of its own date and time, with no zone: that of the file's zone where
it says one and the production's isn't known, else turned into the production's zone. It is never
compared with another device's clock but through an alignment.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from fractions import Fraction

from ingest.catalog.records import Clip, SlateRow
from ingest.media.facts import ClipFacts, ClipKind
from ingest.slate.matching.alignment import Stretch

__all__ = [
    "LOG",
    "RECORDER",
    "ClockOffset",
    "clip_clocks",
    "evened",
    "is_zone_open",
    "read_clock",
    "row_clock",
    "steady",
]

_CLOCK = re.compile(
    r"(\d{4})[-:/.](\d\d)[-:/.](\d\d)[T ]+(\d\d):(\d\d):(\d\d)(\.\d+)?\s*"
    r"(Z|UTC|[+-]\d\d:?\d\d)?",
    re.ASCII,
)
RECORDER = "the recorder's clock"
LOG = "the log's clock"
"""Whose clock it mostly is that others are held against."""
_QUARTER = 900
_BY_HAND = 120.0
"""Seconds by which a clock set by hand is off, besides its zone."""
_FARTHEST_ZONE = 14 * 3600
_FEWEST = 3
"""Clips of a camera that must say so."""
_NOTHING = datetime(1970, 1, 1)


@dataclass(frozen=True, slots=True)
class ClockOffset:
    """How far a device's clock was off on one day, and what says so."""

    device: str
    """Camera letter, or the roll's name where it has none."""
    day: int
    slow: float
    """Seconds that its clock was behind; negative when it was fast. Whole quarters of an hour are
    left out where the files tell a zone and the production's isn't known."""
    drift: float
    """Seconds a day that it lost besides."""
    spread: float
    """Seconds: the median distance of its clips from this."""
    within: float
    """Seconds either way within which the truth lies, on at least 95 of 100 days."""
    clip_ids: tuple[int, ...]
    """The clips that support it."""
    against: str
    """Whose clock it was compared with: `the recorder's clock`, `the log's clock`."""
    is_sure: bool
    """Enough clips say so, and no other offset explains half as many."""


@dataclass(frozen=True, slots=True)
class ZoneDoubt:
    """The cameras of a day are off by the same quarters of an hour: a wrong zone, more likely than
    so many clocks set wrong alike."""

    day: int
    seconds: int
    """By which they seem slow; negative: fast."""
    against: str
    devices: tuple[str, ...]
    """Those that are off by it, and by no more than hands set clocks wrong."""


def doubt_zones(
    offsets: Sequence[ClockOffset],
) -> tuple[tuple[ClockOffset, ...], tuple[ZoneDoubt, ...]]:
    """The offsets less what most cameras of a day (two at least) share of whole quarters of an
    hour, up to fourteen hours, and what that was, day by day. Pure.

    Against the recorder's clock or the log's: where another camera's clock is what they are held
    against, it is that one which may be wrong.
    """
    told, doubts = list(offsets), []
    for day in sorted({each.day for each in offsets}):
        own = [each for each in offsets if each.day == day and each.against in (RECORDER, LOG)]
        shared: defaultdict[int, set[str]] = defaultdict(set)
        for each in own:
            quarters = round(each.slow / _QUARTER)
            near = abs(each.slow - _QUARTER * quarters) < _BY_HAND
            if near and len(each.clip_ids) >= _FEWEST:
                shared[quarters].add(each.device)
        most = max(shared, key=lambda quarters: len(shared[quarters]), default=0)
        devices, seconds = shared[most], _QUARTER * most
        of_all = len({each.device for each in own})
        if not seconds or abs(seconds) > _FARTHEST_ZONE or len(devices) < 2:
            continue
        if 2 * len(devices) <= of_all:
            continue
        doubts.append(ZoneDoubt(day, seconds, own[0].against, tuple(sorted(devices))))
        told = [replace(each, slow=each.slow - seconds) if each in own else each for each in told]
    return tuple(told), tuple(doubts)


def read_clock(text: str, zone: tzinfo | None = None) -> tuple[float, bool] | None:
    """Seconds of the written date and time, and whether they are told finer than a second.

    A time that says its zone is turned into `zone`, where one is given. None where the text holds
    no date with a time, or one that no clock shows.
    """
    found = _CLOCK.search(text)
    if found is None:
        return None
    year, month, day, hour, minute, second = (int(part) for part in found.groups()[:6])
    try:
        at = datetime(year, month, day, hour, minute, second)
    except ValueError:
        return None
    stated = found[8] or ("UTC" if text.lstrip().startswith("UTC") else "")
    if stated and zone is not None:
        at = at.replace(tzinfo=_stated(stated)).astimezone(zone).replace(tzinfo=None)
    part = float(found[7] or 0)
    return (at - _NOTHING).total_seconds() + part, bool(part)


def _stated(text: str) -> tzinfo:
    if text in ("Z", "UTC"):
        return UTC
    minutes = int(text[1:3]) * 60 + int(text[-2:])
    return timezone(timedelta(minutes=-minutes if text[0] == "-" else minutes))


def clip_clocks(
    clips: Sequence[Clip], modified: Mapping[int, int], zone: tzinfo | None = None
) -> dict[int, Stretch]:
    """By clip id, when each clip of one device started by the device's own clock, in seconds.

    The date that the file states (EXIF, bext and the containers' fields alike), else the time of
    the file, which is written at its end, less its length. `modified`: by clip id nanoseconds
    since 1970 (UTC). A whole second is taken for its middle: clocks cut, they don't round.
    """
    stated = {
        clip.id: told
        for clip in clips
        if clip.facts.recorded and (told := read_clock(clip.facts.recorded, zone)) is not None
    }
    if len({at for at, _ in stated.values()}) <= len(stated) // 2:
        stated = {}  # one and the same date in all: of the card or the project, of no clip
    fine = any(part for _, part in stated.values())
    found: dict[int, Stretch] = {}
    for clip in clips:
        length = _length(clip.facts)
        if clip.id in stated:
            at, _ = stated[clip.id]
            found[clip.id] = Stretch(at + (0 if fine else 0.5), length, 0 if fine else 1)
    ends = {
        clip.id: modified[clip.id]
        for clip in clips
        if clip.id in modified and clip.id not in found and _length(clip.facts) is not None
    }
    if len(set(ends.values())) <= len(ends) // 2:
        return found  # copied before it came here: all files bear one time
    grain = next(
        (each for each in (2, 1) if all(not ns % (each * 10**9) for ns in ends.values())), 0
    )
    for clip in clips:
        if clip.id in ends:
            length = _length(clip.facts) or 0.0
            ended = datetime.fromtimestamp(0, UTC) + timedelta(microseconds=ends[clip.id] // 1000)
            local = ended.astimezone(zone or UTC).replace(tzinfo=None)
            seconds = (local - _NOTHING).total_seconds() + grain / 2
            found[clip.id] = Stretch(seconds - length, length, grain)
    return found


def steady(zone: tzinfo | None, date: str) -> tzinfo | None:
    """The zone as it stood at noon of a shoot day (ISO 8601), all day and night: in the night in
    which summer time begins or ends most devices go on as they were set."""
    if zone is None:
        return None
    try:
        offset = datetime.fromisoformat(f"{date}T12:00:00").replace(tzinfo=zone).utcoffset()
    except ValueError:
        return zone
    return timezone(offset) if offset is not None else zone


def is_zone_open(clips: Sequence[Clip], zone: tzinfo | None) -> bool:
    """Whether files tell their zone (mostly UTC) and the production's isn't known: then nobody
    knows which whole quarters of an hour of their clock's offset are a fault."""
    return zone is None and any(
        (found := _CLOCK.search(clip.facts.recorded or "")) is not None
        and (found[8] is not None or (clip.facts.recorded or "").lstrip().startswith("UTC"))
        for clip in clips
    )


def row_clock(row: SlateRow, date: str, day_ends: int) -> Stretch | None:
    """When a logged take ran by the clock of whoever kept the log.

    `date`: of its shoot day, ISO 8601. A time before the hour at which the shoot day ends lies on
    the next date.
    """
    if row.start_clock is None:
        return None
    start = _seconds(row.start_clock)
    if start < day_ends * 3600:
        start += 86_400
    told = read_clock(f"{date} 00:00:00")
    if told is None:
        return None
    length = None
    if row.end_clock is not None:
        length = float((_seconds(row.end_clock) - _seconds(row.start_clock)) % 86_400)
    coarse = row.start_clock.endswith(":00")
    return Stretch(told[0] + start, length or None, 60 if coarse else 1)


def evened(clocks: Iterable[Stretch]) -> list[Stretch]:
    """Times of one log: told to the minute only where every one of them is."""
    each = list(clocks)
    grain = 60.0 if each and all(one.grain == 60 for one in each) else 1.0
    return [
        Stretch(one.start + grain / 2, one.length if grain == 1 else None, grain) for one in each
    ]


def _length(facts: ClipFacts) -> float | None:
    length: Fraction | None = facts.duration_seconds
    if length is None and facts.duration_frames is not None and facts.frame_rate:
        length = facts.duration_frames / facts.frame_rate
    if length is None or length <= 0:
        return None
    if facts.kind is ClipKind.PICTURE and facts.sensor_rate and facts.frame_rate:
        length = length * facts.frame_rate / facts.sensor_rate
    return float(length)


def _seconds(clock: str) -> int:
    hour, minute, second = (int(part) for part in clock.split(":")[:3])
    return (hour * 60 + minute) * 60 + second
