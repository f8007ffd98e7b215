"""When clips and takes ran, on the one axis that cameras and recorders share: timecode.

A span is counted in microseconds of real time since the label 00:00:00:00, so that timecodes
of different rates can be compared (one hour of labels at 24000/1001 lasts 3603.6 s). It is
never a wall clock: only what ran on common timecode can be compared at all.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from itertools import pairwise

from ingest.catalog.records import Clip, SlateRow
from ingest.media.facts import ClipFacts, ClipKind
from ingest.media.timecode import BadTimecode, from_label, nominal

__all__ = ["Span", "clip_span", "free_running", "holds_label", "overlap", "row_span"]

_SECOND = 1_000_000
_DAY = 86_400 * _SECOND


@dataclass(frozen=True, slots=True)
class Span:
    """From `start` to `end`, microseconds on the timecode's axis; `end` may lie past midnight.

    A span that ends where it starts is a moment: a logged start without an end.
    """

    start: int
    end: int
    day: int = _DAY
    """How long a day of labels lasts at this rate: at 24000/1001 more than a day."""

    @property
    def length(self) -> int:
        return self.end - self.start


def clip_span(clip: Clip) -> Span | None:
    """When the clip ran by its own timecode, or None where it doesn't say.

    Sound goes by its time reference (EBU Tech 3285: samples since midnight) at its sample rate.
    A clip recorded faster or slower than it plays has no timecode that can be compared.
    """
    facts = clip.facts
    length = _length(facts)
    if length is None or length <= 0:
        return None
    if facts.kind is ClipKind.SOUND and facts.sound and facts.sound.time_reference is not None:
        rate = next((track.sample_rate for track in facts.audio if track.sample_rate), None)
        if rate:
            start = _micros(Fraction(facts.sound.time_reference, rate))
            return Span(start, start + _micros(length), _day(_rate(facts), drop=_drop(facts)))
    if facts.start_timecode is None or _off_speed(facts):
        return None
    count = _label_micros(facts.start_timecode, _rate(facts), _drop(facts))
    if count is None:
        return None
    return Span(count, count + _micros(length), _day(_rate(facts), drop=_drop(facts)))


def row_span(row: SlateRow, clip: Clip) -> Span | None:
    """When the logged take ran, its labels read at the clip's rate; None without a start.

    Also None where a label doesn't exist at that rate.
    """
    if row.start_timecode is None:
        return None
    rate, drop = _rate(clip.facts), _drop(clip.facts)
    start = _label_micros(row.start_timecode, rate, drop)
    if start is None:
        return None
    end = start
    if row.end_timecode is not None:
        told = _label_micros(row.end_timecode, rate, drop)
        if told is None:
            return None
        end = told if told >= start else told + _day(rate, drop=drop)
    return Span(start, end, _day(rate, drop=drop))


def holds_label(clip: Clip, label: str) -> bool:
    """True when the frame with this timecode lies in the clip."""
    span = clip_span(clip)
    if span is None:
        return False
    moment = _label_micros(label, _rate(clip.facts), _drop(clip.facts))
    if moment is None:
        return False
    return any(span.start <= moment + shift < span.end for shift in (0, span.day))


def overlap(one: Span, other: Span) -> int:
    """Microseconds that both ran, over midnight too. A moment inside counts as one."""
    best = 0
    for shift in (-one.day, 0, one.day):
        start = max(one.start, other.start + shift)
        end = min(one.end, other.end + shift)
        if one.length == 0 or other.length == 0:
            best = max(best, int(start <= end))
        else:
            best = max(best, end - start)
    return best


def free_running(clips: Sequence[Clip]) -> frozenset[int]:
    """Ids of those clips of one camera and day whose timecode ran on between them.

    Left out: clips whose timecodes overlap (a counter that starts again for every clip), and all
    of three or more where each starts just where the last one ended (a counter that runs only
    while recording). Neither can be compared with another machine's timecode.
    """
    spans = sorted(
        ((span, clip.id) for clip in clips if (span := clip_span(clip))),
        key=lambda each: (each[0].start, each[0].end),
    )
    again: set[int] = set()
    reach, owner = -1, 0
    for span, number in spans:
        if span.start < reach - _SECOND:
            again |= {number, owner}
        if span.end > reach:
            reach, owner = span.end, number
    gaps = [later[0].start - earlier[0].end for earlier, later in pairwise(spans)]
    if len(gaps) >= 2 and all(abs(gap) <= _SECOND // 10 for gap in gaps):
        return frozenset()
    return frozenset(number for _, number in spans) - again


def _length(facts: ClipFacts) -> Fraction | None:
    if facts.duration_seconds is not None:
        return facts.duration_seconds
    if facts.duration_frames is not None and facts.frame_rate:
        return facts.duration_frames / facts.frame_rate
    return None


def _rate(facts: ClipFacts) -> Fraction | None:
    if facts.kind is ClipKind.SOUND and facts.sound and facts.sound.timecode_rate:
        return facts.sound.timecode_rate
    return facts.frame_rate


def _drop(facts: ClipFacts) -> bool:
    if facts.start_timecode is not None:
        return facts.start_timecode[-3:-2] in (";", ".")
    return bool(facts.sound and facts.sound.drop_frame)


def _off_speed(facts: ClipFacts) -> bool:
    return facts.sensor_rate is not None and facts.sensor_rate != facts.frame_rate


@lru_cache(maxsize=4096)
def _label_micros(label: str, rate: Fraction | None, drop: bool) -> int | None:
    if rate is None:
        return None
    try:
        return _micros(from_label(label, rate, drop=drop).seconds)
    except BadTimecode:
        return None


@lru_cache(maxsize=64)
def _day(rate: Fraction | None, *, drop: bool) -> int:
    # Drop-frame labels last a day but for 86.4 ms: near enough for finding an overlap.
    if rate is None or drop:
        return _DAY
    try:
        return _micros(86_400 * nominal(rate) / rate)
    except BadTimecode:
        return _DAY


def _micros(seconds: Fraction) -> int:
    return int(seconds * _SECOND)
