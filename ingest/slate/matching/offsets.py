"""By how much a camera's clock is off, and within what the truth lies.

Where a camera shares the sound's timecode, each of its files says so by itself: the one moment is
written by its clock and by its timecode, and in a sound file by the recorder's clock and the same
timecode. No button comes into that. Elsewhere clips are laid on takes, and what people press
remains: that one device rolls first and cuts last cancels in the middle of both; that one
button always comes after the other, at start and end alike, looks like a clock that is off.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from statistics import median

from ingest.catalog.records import Clip
from ingest.slate.matching.alignment import Alignment, Stretch, drift_of, trimmed_mean
from ingest.slate.matching.clocks import RECORDER, ClockOffset
from ingest.slate.matching.jams import Habit, TimecodeStretch
from ingest.slate.timing import Span

__all__ = ["after_midnight", "by_timecode", "doubt", "recorder_clock"]

_SECOND = 1_000_000
_DAY = 86_400
_FEWEST = 3
"""Clips that a stretch of a clock needs."""
_ANEW = 5.0
"""Seconds between one clip and the next by which a clock was set anew."""
_LEAST = 0.1
"""Seconds that nothing here can tell: clocks are written to the second, and cut."""
_UNSEEN = 0.3
"""Seconds that an unknown crew may press one button after the other at start and end alike, for
each second that the one rolls longer than the other."""
_BUTTONS = 0.4
"""Seconds besides, where buttons are all that is known."""
_BY_HAND = 5.0
"""Seconds by which a time that somebody wrote down may lie beside the buttons, always the same
way."""


def after_midnight(spans: Sequence[Span], day_ends: int) -> list[float]:
    """Starts in seconds; labels before the hour a day ends are of the next date, as long as the
    day has others too."""
    ends = day_ends * 3600 * _SECOND
    late = any(span.start >= ends for span in spans)
    return [
        (span.start + (span.day if late and span.start < ends else 0)) / _SECOND for span in spans
    ]


def recorder_clock(
    sounds: Sequence[Clip],
    spans: Mapping[int, Span],
    clocks: Mapping[int, Stretch],
    day_ends: int,
) -> float | None:
    """Add to the sound's timecode to get the recorder's clock, seconds; None: no file has both."""
    both = [clip.id for clip in sounds if clip.id in spans and clip.id in clocks]
    starts = after_midnight([spans[number] for number in both], day_ends)
    apart = [clocks[number].start - at for number, at in zip(both, starts, strict=True)]
    if not apart:
        return None
    middle = median(apart)
    return trimmed_mean([each for each in apart if abs(each - middle) < _ANEW])


def by_timecode(
    device: str,
    day: int,
    shared: Sequence[TimecodeStretch],
    spans: Mapping[int, Span],
    clocks: Mapping[int, Stretch],
    to_clock: float,
    *,
    day_ends: int,
) -> list[ClockOffset]:
    """The offsets of a camera that shares the sound's timecode, from its own files alone.

    `to_clock`: see `recorder_clock`. Empty where too few clips have both.
    """
    both = [
        number
        for stretch in shared
        for number in stretch.clip_ids
        if number in spans and number in clocks
    ]
    starts = after_midnight([spans[number] for number in both], day_ends)
    told = sorted(
        (at, at - clocks[number].start, number) for number, at in zip(both, starts, strict=True)
    )
    runs: list[list[tuple[float, float, int]]] = []
    for each in told:
        if not runs or abs(each[1] - runs[-1][-1][1]) > _ANEW:
            runs.append([])
        runs[-1].append(each)
    found = []
    for run in runs:
        if len(run) < _FEWEST:
            continue
        times, apart = [at for at, _, _ in run], [gap for _, gap, _ in run]
        middle, drift = median(times), drift_of(times, apart)
        flat = [gap - drift * (at - middle) for at, gap in zip(times, apart, strict=True)]
        offset = trimmed_mean(flat)
        grain = max(clocks[number].grain for _, _, number in run)
        found.append(
            ClockOffset(
                device=device,
                day=day,
                slow=offset + to_clock,
                drift=drift * _DAY,
                spread=median(abs(each - offset) for each in flat),
                within=_LEAST + (grain + 1) / len(run) ** 0.5,
                clip_ids=tuple(number for _, _, number in run),
                against=RECORDER,
                is_sure=True,
            )
        )
    return found


def doubt(alignment: Alignment, habit: Habit, *, by_hand: bool, grain: float) -> float:
    """Seconds either way within which a clock's offset lies, worked out from buttons.

    `habit`: of the crew, by cameras that share the sound's timecode. `by_hand`: the takes' times
    were written down by somebody; `grain`: how coarsely, in seconds.
    """
    lean = abs(alignment.lean - habit.lean)
    unseen = habit.doubt if habit.doubt is not None else _UNSEEN * lean + _BUTTONS
    lean = lean if habit.doubt is None else lean / 2
    hand = _BY_HAND + grain / 2 if by_hand else 0.0
    return _LEAST + alignment.doubt + lean + unseen + hand
