"""Timecode: a count of frames since midnight's label, with its rate.

The rule for labels is SMPTE ST 12-1's, as restated publicly. In drop-frame, at the start of
every minute whose number is no multiple of ten, the first two labels (at 30000/1001; four at
60000/1001) are left out. No frame is dropped, only labels, so that the count stays near the
clock. Non-drop at 1000/1001 rates runs slow: 3.6 s in an hour of labels.

`;` or `.` before the frames marks drop-frame, `:` marks non-drop.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction
from math import floor

__all__ = [
    "BadTimecode",
    "Timecode",
    "from_label",
    "from_samples",
    "from_seconds",
    "nominal",
    "parse_label",
]

_LABEL = re.compile(r"(\d{2})[:;.](\d{2})[:;.](\d{2})([:;.])(\d{2,3})", re.ASCII)

# 1000/1001 and 2997/100 lie 0.1 % from their whole rate; anything much farther is no timecode rate.
_TOLERANCE = Fraction(1, 500)


class BadTimecode(ValueError):
    """A label that doesn't exist at its rate, or a rate that has no timecode."""


@dataclass(frozen=True, slots=True)
class Timecode:
    """One frame's place in the day. Equal only when count, rate and mode are equal.

    Compare different rates by `seconds`. Raises BadTimecode for a count outside the day, a rate
    that has no timecode, and drop-frame outside the 30/1.001 family.
    """

    frames: int
    """Frames since the label 00:00:00:00, from 0 up to one less than a day's labels."""
    rate: Fraction
    """Frames a second, exact."""
    drop: bool = False

    def __post_init__(self) -> None:
        day = _frames_a_day(self.rate, drop=self.drop)
        if not 0 <= self.frames < day:
            raise BadTimecode(f"{self.frames} is no frame of a day of {day} frames")

    def __str__(self) -> str:
        return self.label

    @property
    def label(self) -> str:
        """HH:MM:SS:FF, with `;` before the frames for drop-frame."""
        base = nominal(self.rate)
        count = self.frames
        if self.drop:
            left_out = base // 15
            tens, rest = divmod(count, 600 * base - 9 * left_out)
            # The first minute of each ten is whole, the other nine are short.
            minutes = 0 if rest < 60 * base else (rest - 60 * base) // (60 * base - left_out) + 1
            count += left_out * (9 * tens + minutes)
        seconds, frame = divmod(count, base)
        minutes, second = divmod(seconds, 60)
        hour, minute = divmod(minutes, 60)
        return f"{hour:02}:{minute:02}:{second:02}{';' if self.drop else ':'}{frame:02}"

    @property
    def seconds(self) -> Fraction:
        """Real seconds from the label 00:00:00:00 to the start of this frame, exact."""
        return self.frames / self.rate

    def plus(self, frames: int) -> Timecode:
        """The timecode so many frames later (or earlier): past midnight it starts again at 0."""
        day = _frames_a_day(self.rate, drop=self.drop)
        return Timecode((self.frames + frames) % day, self.rate, self.drop)

    def frames_until(self, later: Timecode) -> int:
        """Frames from here on to `later`, over midnight where `later` has the lower count.

        Raises BadTimecode when rate or mode differ: then only `seconds` can be compared.
        """
        if (self.rate, self.drop) != (later.rate, later.drop):
            raise BadTimecode("timecodes of different rate or mode can't be subtracted")
        return (later.frames - self.frames) % _frames_a_day(self.rate, drop=self.drop)


def nominal(rate: Fraction) -> int:
    """The whole number of labels a second: 24 for 24000/1001. Raises BadTimecode."""
    base = round(rate)
    if base < 1 or abs(rate - base) > base * _TOLERANCE:
        raise BadTimecode(f"{rate} frames a second is no timecode rate")
    return base


def from_label(text: str, rate: Fraction, *, drop: bool | None = None) -> Timecode:
    """The timecode of a label at a rate (frames a second).

    `drop` overrides what the separator says, for files that keep the flag elsewhere.
    Raises BadTimecode for text that is no label and for labels that don't exist.
    """
    hour, minute, second, frame, marked = parse_label(text)
    if drop is None:
        drop = marked
    base = nominal(rate)
    if frame >= base:
        raise BadTimecode(f"{text}: frame {frame} does not exist at {base} frames a second")
    minutes = 60 * hour + minute
    count = (60 * minutes + second) * base + frame
    if drop:
        left_out = _left_out(rate)
        if second == 0 and frame < left_out and minute % 10:
            raise BadTimecode(f"{text} does not exist in drop-frame")
        count -= left_out * (minutes - minutes // 10)
    return Timecode(count, rate, drop)


def parse_label(text: str) -> tuple[int, int, int, int, bool]:
    """Hour, minute, second, frame, and whether the separator marks drop-frame.

    The rate isn't needed, so the frame is not judged. Raises BadTimecode.
    """
    match = _LABEL.fullmatch(text.strip())
    if match is None:
        raise BadTimecode(f"{text!r} is no timecode (HH:MM:SS:FF)")
    hour, minute, second = int(match[1]), int(match[2]), int(match[3])
    if hour > 23 or minute > 59 or second > 59:
        raise BadTimecode(f"{text} is past the end of the day, hour or minute")
    return hour, minute, second, int(match[5]), match[4] != ":"


def from_seconds(seconds: Fraction, rate: Fraction, *, drop: bool = False) -> Timecode:
    """The frame that runs at so many real seconds after the label 00:00:00:00; wraps at a day."""
    return Timecode(floor(seconds * rate) % _frames_a_day(rate, drop=drop), rate, drop)


def from_samples(samples: int, sample_rate: int, rate: Fraction, *, drop: bool = False) -> Timecode:
    """The frame at a bext or iXML time reference (samples at `sample_rate` Hz since midnight).

    The reference is the timecode count in real seconds, not the wall clock. Where a frame starts
    between two samples, the earlier sample counts as its start: a recorder writes whole samples.
    """
    if sample_rate <= 0 or samples < 0:
        raise BadTimecode(f"{samples} samples at {sample_rate} Hz is no time")
    count = floor(samples * rate / sample_rate)
    if floor((count + 1) * sample_rate / rate) == samples:
        count += 1
    return Timecode(count % _frames_a_day(rate, drop=drop), rate, drop)


def _left_out(rate: Fraction) -> int:
    """Labels left out a minute: 2 at 30000/1001, 4 at 60000/1001, in step above (119.88: 8).

    ST 12-1 knows the first, the second follows it; the third is common practice, no source.
    """
    base = nominal(rate)
    if base % 30 or rate == base:
        raise BadTimecode(f"there is no drop-frame at {rate} frames a second")
    return base // 15


def _frames_a_day(rate: Fraction, *, drop: bool) -> int:
    whole = 86400 * nominal(rate)
    return whole - (1440 - 144) * _left_out(rate) if drop else whole
