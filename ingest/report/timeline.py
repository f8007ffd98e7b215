"""What ran when, as shapes to draw: one strip a shoot day, one lane a camera or sound roll.

Placed by the timecode that each device wrote, as written. Devices that were not jammed together
don't line up, and a clip without timecode is not placed: both are said beside the picture. No
device's wall clock is read.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from ingest.report.facts import ClipLine
from ingest.wording import length, natural, shortened

__all__ = ["Bar", "Lane", "Mark", "Strip", "Tick", "draw"]

WIDTH = 1000
"""Width of a strip in its own units; LEFT of it holds the lane names."""
LEFT = 96
LANE = 48
TOP = 26
_DAY = 86400
_TIMECODE = re.compile(r"([0-9]{2}):([0-9]{2}):([0-9]{2})[:;.,]([0-9]{2,3})")
_STEPS = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 21600)


@dataclass(frozen=True, slots=True)
class Bar:
    x: float
    width: float
    y: int
    label: str
    """Scene and take, where there is room for it."""
    title: str
    """The same and more, for a pointer that rests on it."""
    circled: bool
    sound: bool


@dataclass(frozen=True, slots=True)
class Mark:
    """Which scene begins here, under the bars."""

    x: float
    label: str


@dataclass(frozen=True, slots=True)
class Lane:
    name: str
    y: int
    bars: tuple[Bar, ...]
    marks: tuple[Mark, ...]


@dataclass(frozen=True, slots=True)
class Tick:
    x: float
    label: str


@dataclass(frozen=True, slots=True)
class Strip:
    day: int
    lanes: tuple[Lane, ...]
    ticks: tuple[Tick, ...]
    height: int
    unplaced: int
    """Clips of the day without a timecode or a length."""


@dataclass(frozen=True, slots=True)
class _Placed:
    clip: ClipLine
    start: Fraction
    seconds: Fraction


def draw(clips: Sequence[ClipLine]) -> tuple[Strip, ...]:
    """The strips of all days that have a clip with a timecode."""
    days: defaultdict[int, list[ClipLine]] = defaultdict(list)
    for clip in clips:
        days[clip.day].append(clip)
    return tuple(
        strip for day, its in sorted(days.items()) if (strip := _strip(day, its)) is not None
    )


def _strip(day: int, clips: Sequence[ClipLine]) -> Strip | None:
    placed = [place for clip in clips if (place := _place(clip)) is not None]
    if not placed:
        return None
    begin = _quiet_hour([place.start for place in placed])
    placed = [_Placed(each.clip, (each.start - begin) % _DAY, each.seconds) for each in placed]
    first = min(each.start for each in placed)
    last = max(each.start + each.seconds for each in placed)
    step = next((step for step in _STEPS if (last - first) / step <= 10), _STEPS[-1])
    # Begin and end on a whole tick of the clock.
    from_ = (first + begin) // step * step
    until = -(-(last + begin) // step) * step
    scale = Fraction(WIDTH - LEFT - 8) / max(until - from_, step)
    lanes: defaultdict[str, list[_Placed]] = defaultdict(list)
    for each in placed:
        lanes[_lane(each.clip)].append(each)
    drawn = []
    for number, name in enumerate(sorted(lanes, key=natural)):
        y = TOP + number * LANE
        its = sorted(lanes[name], key=lambda each: each.start)
        at = [LEFT + (each.start + begin - from_) * scale for each in its]
        bars = tuple(_bar(each, x, scale, y) for each, x in zip(its, at, strict=True))
        drawn.append(Lane(name=name, y=y, bars=bars, marks=_marks(its, at)))
    ticks = tuple(
        Tick(float(LEFT + (at - from_) * scale), _clock(at, step))
        for at in range(int(from_), int(until) + 1, step)
    )
    height = TOP + len(drawn) * LANE + 6
    return Strip(day, tuple(drawn), ticks, height, len(clips) - len(placed))


def _place(clip: ClipLine) -> _Placed | None:
    found = _TIMECODE.fullmatch(clip.start_timecode or "")
    if found is None or clip.duration_seconds is None:
        return None
    hours, minutes, seconds, frames = (int(part) for part in found.groups())
    if hours > 23 or minutes > 59 or seconds > 59:
        return None
    # Frames count within the nominal second of the label: 24 of them at 24000/1001.
    nominal = max(1, round(clip.frame_rate)) if clip.frame_rate else 25
    within = Fraction(min(frames, nominal - 1), nominal)
    start = hours * 3600 + minutes * 60 + seconds + within
    return _Placed(clip, start, min(max(clip.duration_seconds, Fraction(0)), Fraction(_DAY)))


def _quiet_hour(starts: Sequence[Fraction]) -> Fraction:
    """Where to cut the clock open: the end of the longest pause, so that midnight cuts nothing."""
    order = sorted(set(starts))
    gaps = [
        ((order[(index + 1) % len(order)] - start) % _DAY, order[(index + 1) % len(order)])
        for index, start in enumerate(order)
    ]
    return max(gaps)[1] if len(order) > 1 else order[0]


def _lane(clip: ClipLine) -> str:
    if clip.kind == "sound":
        return f"Sound {clip.camera or clip.roll}"
    return f"Camera {clip.camera}" if clip.camera else clip.roll


def _bar(each: _Placed, x: Fraction, scale: Fraction, y: int) -> Bar:
    clip = each.clip
    takes = ", ".join(f"{take.scene}/{take.take}" for take in clip.takes)
    width = max(float(each.seconds * scale), 2.5)
    said = [clip.name, takes, clip.start_timecode or "", length(each.seconds)]
    if clip.circled:
        said.insert(2, "circled")
    return Bar(
        x=float(x),
        width=width,
        y=y,
        label=takes if takes and len(takes) * 6.4 + 6 <= width else "",
        title=", ".join(part for part in said if part),
        circled=clip.circled,
        sound=clip.kind == "sound",
    )


def _marks(its: Sequence[_Placed], at: Sequence[Fraction]) -> tuple[Mark, ...]:
    """A mark where the scene changes, as far as there is room for its label."""
    marks: list[Mark] = []
    said: str | None = None
    free = 0.0
    for each, x in zip(its, at, strict=True):
        scene = each.clip.scene
        if scene is None or scene == said or x < free:
            continue
        label = shortened(scene, 12)
        said, free = scene, float(x) + len(label) * 6.5 + 5
        marks.append(Mark(float(x), label))
    return tuple(marks)


def _clock(at: int, step: int) -> str:
    hours, rest = divmod(at % _DAY, 3600)
    minutes, seconds = divmod(rest, 60)
    return f"{hours:02}:{minutes:02}:{seconds:02}" if step < 60 else f"{hours:02}:{minutes:02}"
