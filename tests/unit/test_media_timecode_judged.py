"""Timecode against OpenTimelineIO's opentime (Apache-2.0): another hand's reading of SMPTE ST 12-1.

It knows rates up to 60. It is no judge of labels that don't exist: it takes 00:01:00;00 at 29.97
for frame 1798. Nor is it one of the last 86 seconds of a day of non-drop labels at 29.97 and
59.94: it starts again at 0 after a drop-frame day's frames, though its own `from_timecode` reads
23:59:59:29 as a later frame. Beyond 60 the count is compared with plain arithmetic.
"""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from opentimelineio import opentime

from ingest.media.timecode import Timecode, from_label

FILM = Fraction(24000, 1001)
NTSC = Fraction(30000, 1001)
NTSC_60 = Fraction(60000, 1001)
JUDGED = [
    (FILM, False),
    (Fraction(24), False),
    (Fraction(25), False),
    (NTSC, False),
    (NTSC, True),
    (Fraction(30), False),
    (Fraction(48), False),
    (Fraction(50), False),
    (NTSC_60, False),
    (NTSC_60, True),
    (Fraction(60), False),
]
HIGH = [Fraction(72), Fraction(96), Fraction(100), Fraction(120000, 1001), Fraction(120)]


def last_frame(rate: Fraction, drop: bool) -> int:
    return from_label(f"23:59:59{';' if drop else ':'}{round(rate) - 1:02}", rate).frames


def last_judged(rate: Fraction, drop: bool) -> int:
    """The last frame that opentime has a label for (0.18.1)."""
    return last_frame(rate, drop=drop or rate in (NTSC, NTSC_60))


@pytest.mark.parametrize(("rate", "drop"), JUDGED)
@given(data=st.data())
def test_every_frame_of_a_day_has_the_label_that_opentime_gives(
    rate: Fraction, drop: bool, data: st.DataObject
) -> None:
    """And the label leads back to the frame, here and there."""
    frame = data.draw(st.integers(0, last_judged(rate, drop)))
    label = Timecode(frame, rate, drop).label
    judge = opentime.RationalTime(frame, float(rate))
    assert label == opentime.to_timecode(judge, float(rate), drop)
    assert from_label(label, rate).frames == frame
    assert opentime.from_timecode(label, float(rate)).value == frame


@pytest.mark.parametrize(("rate", "drop"), JUDGED)
@pytest.mark.parametrize("minute", [0, 1, 9, 10, 59, 60, 599, 600, 1439])
def test_the_frames_around_a_minute_have_the_labels_that_opentime_gives(
    rate: Fraction, drop: bool, minute: int
) -> None:
    """Where drop-frame leaves labels out."""
    middle = from_label(f"{minute // 60:02}:{minute % 60:02}:00:10", rate).frames
    for frame in range(max(0, middle - 200), min(middle + 200, last_judged(rate, drop))):
        judge = opentime.RationalTime(frame, float(rate))
        assert Timecode(frame, rate, drop).label == opentime.to_timecode(judge, float(rate), drop)


@given(
    one=st.sampled_from(JUDGED),
    other=st.sampled_from(JUDGED),
    frames=st.tuples(st.integers(0, 2_000_000), st.integers(0, 2_000_000)),
)
def test_clips_of_different_rates_come_in_the_order_that_opentime_gives(
    one: tuple[Fraction, bool], other: tuple[Fraction, bool], frames: tuple[int, int]
) -> None:
    """Real time since the label zero, compared across rates; opentime counts in floats, so what
    lies closer than a microsecond is left out."""
    mine = [Timecode(frame, *mode) for frame, mode in zip(frames, (one, other), strict=True)]
    theirs = [
        opentime.RationalTime(frame, float(mode[0])).to_seconds()
        for frame, mode in zip(frames, (one, other), strict=True)
    ]
    if abs(theirs[0] - theirs[1]) > 1e-6:
        assert (mine[0].seconds < mine[1].seconds) == (theirs[0] < theirs[1])
    for time, seconds in zip(mine, theirs, strict=True):
        assert abs(float(time.seconds) - seconds) < 1e-6


@pytest.mark.parametrize("rate", HIGH)
@given(data=st.data())
def test_above_sixty_frames_go_on_counting_past_thirty(rate: Fraction, data: st.DataObject) -> None:
    """Labels of 72 to 120 a second (common practice, no source; ST 12-1 ends at 30, its frame pairs
    at 60): plain arithmetic."""
    base = round(rate)
    frame = data.draw(st.integers(0, 86_400 * base - 1))
    seconds, rest = divmod(frame, base)
    minutes, second = divmod(seconds, 60)
    label = f"{minutes // 60:02}:{minutes % 60:02}:{second:02}:{rest:02}"
    assert Timecode(frame, rate).label == label
    assert from_label(label, rate).frames == frame
    assert Timecode(frame, rate).seconds == frame / rate


@given(
    mode=st.sampled_from(JUDGED),
    before=st.integers(1, 100_000),
    on=st.integers(1, 200_000),
)
def test_a_clip_over_midnight_ends_where_opentime_says_the_next_day_begins(
    mode: tuple[Fraction, bool], before: int, on: int
) -> None:
    """The label after the last of the day is 00:00:00:00; opentime is asked for the day after."""
    rate, drop = mode
    last = last_frame(rate, drop)
    start = Timecode(last + 1 - before, rate, drop)
    end = start.plus(before + on)
    assert end.label == opentime.to_timecode(
        opentime.RationalTime(on, float(rate)), float(rate), drop
    )
    assert start.frames_until(end) == before + on
