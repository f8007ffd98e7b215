"""Timecode against SMPTE ST 12-1.

The standard's text is sold; the tables are the public restatement of its rule, listed label by
label and compared with two independent libraries (opentimelineio 0.18.1, timecode 1.5.1).
"""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.media.timecode import (
    BadTimecode,
    Timecode,
    from_label,
    from_samples,
    from_seconds,
)

FILM = Fraction(24000, 1001)
NTSC = Fraction(30000, 1001)
NTSC_60 = Fraction(60000, 1001)

# SMPTE ST 12-1, drop-frame at 30000/1001 and 60000/1001.
DROP_29_97 = {
    "00:00:00;00": 0,
    "00:00:59;29": 1799,
    "00:01:00;02": 1800,
    "00:01:59;29": 3597,
    "00:02:00;02": 3598,
    "00:08:59;29": 16183,
    "00:09:00;02": 16184,
    "00:09:59;29": 17981,
    "00:10:00;00": 17982,
    "00:10:59;29": 19781,
    "00:11:00;02": 19782,
    "00:59:59;29": 107891,
    "01:00:00;00": 107892,
    "10:00:00;00": 1078920,
    "12:34:56;12": 1357534,
    "23:59:59;29": 2589407,
}
DROP_59_94 = {
    "00:00:00;00": 0,
    "00:00:59;59": 3599,
    "00:01:00;04": 3600,
    "00:01:59;59": 7195,
    "00:02:00;04": 7196,
    "00:08:59;59": 32367,
    "00:09:00;04": 32368,
    "00:09:59;59": 35963,
    "00:10:00;00": 35964,
    "00:10:59;59": 39563,
    "00:11:00;04": 39564,
    "00:59:59;59": 215783,
    "01:00:00;00": 215784,
    "10:00:00;00": 2157840,
    "12:34:56;12": 2715056,
    "23:59:59;59": 5178815,
}


@pytest.mark.parametrize(("label", "frame"), DROP_29_97.items())
def test_drop_frame_label_at_29_97_is_the_published_frame(label: str, frame: int) -> None:
    """SMPTE ST 12-1: both ways."""
    assert from_label(label, NTSC).frames == frame
    assert Timecode(frame, NTSC, drop=True).label == label


@pytest.mark.parametrize(("label", "frame"), DROP_59_94.items())
def test_drop_frame_label_at_59_94_is_the_published_frame(label: str, frame: int) -> None:
    """SMPTE ST 12-1: both ways."""
    assert from_label(label, NTSC_60).frames == frame
    assert Timecode(frame, NTSC_60, drop=True).label == label


@pytest.mark.parametrize(("rate", "left_out"), [(NTSC, 2), (Fraction(2997, 100), 2), (NTSC_60, 4)])
def test_every_label_of_a_day_comes_once_and_in_order(rate: Fraction, left_out: int) -> None:
    """All minutes of a day, listed by the rule instead of by the formula."""
    base = round(rate)
    frame = 0
    for minute in range(24 * 60):
        first = left_out if minute % 10 else 0
        text = f"{minute // 60:02}:{minute % 60:02}:00;{first:02}"
        assert from_label(text, rate).frames == frame
        assert Timecode(frame, rate, drop=True).label == text
        if frame:
            assert Timecode(frame - 1, rate, drop=True).label.endswith(f":59;{base - 1}")
        frame += 60 * base - first
    assert frame == {30: 2589408, 60: 5178816}[base]  # SMPTE ST 12-1, frames in 24 h
    with pytest.raises(BadTimecode):
        Timecode(frame, rate, drop=True)


@pytest.mark.parametrize(
    ("label", "rate"),
    [
        *((f"00:01:00;{frame:02}", NTSC) for frame in range(2)),
        *((f"00:01:00;{frame:02}", NTSC_60) for frame in range(4)),
        ("00:01:00.01", NTSC),
        ("01:00:00:24", FILM),
        ("01:00:00:25", Fraction(25)),
        ("24:00:00:00", Fraction(25)),
        ("00:60:00:00", Fraction(25)),
        ("00:00:60:00", Fraction(25)),
        ("01:00:00;00", FILM),  # drop-frame exists only in the 30/1.001 family
        ("01:00:00;00", Fraction(30)),
        ("01:00:00;00", Fraction(25)),
        ("1:00:00:00", Fraction(25)),
        ("01:00:00", Fraction(25)),
        ("-1:00:00:00", Fraction(25)),
        ("٠١:00:00:00", Fraction(25)),
        ("", Fraction(25)),
        ("00:00:00:00", Fraction(25, 2)),
        ("00:00:00:00", Fraction(2500, 83)),
    ],
)
def test_a_label_that_does_not_exist_is_refused(label: str, rate: Fraction) -> None:
    """SMPTE ST 12-1; the first two labels of most drop-frame minutes among others."""
    with pytest.raises(BadTimecode):
        from_label(label, rate)


def test_both_habits_of_marking_drop_frame_are_read() -> None:
    """`;` or `.` before the frames: a habit, not part of the recorded word."""
    assert from_label("01:00:00.00", NTSC) == from_label("01:00:00;00", NTSC)
    assert not from_label("01:00:00:00", NTSC).drop
    assert from_label("01:00:00:00", NTSC, drop=True) == from_label("01:00:00;00", NTSC)


def test_mixing_up_drop_and_non_drop_gives_the_published_labels() -> None:
    """SMPTE ST 12-1 table: frame 107892 counted non-drop, frame 108000 counted drop."""
    assert Timecode(107892, NTSC).label == "00:59:56:12"
    assert Timecode(108000, NTSC, drop=True).label == "01:00:03;18"


def test_real_seconds_are_exact() -> None:
    """SMPTE ST 12-1 worked values: 86399.9136 s in a day of labels, 3603.6 s in an hour."""
    last = from_label("23:59:59;29", NTSC)
    assert last.seconds + 1 / NTSC == Fraction("86399.9136")
    assert from_label("01:00:00:00", FILM).seconds == Fraction("3603.6")
    assert from_label("01:00:00:00", NTSC).seconds == Fraction("3603.6")


def test_after_midnight_the_count_starts_again() -> None:
    """A clip that runs over midnight, forwards, backwards and measured."""
    last = from_label("23:59:59;29", NTSC)
    assert last.plus(1).label == "00:00:00;00"
    assert from_label("00:00:00:00", FILM).plus(-1).label == "23:59:59:23"
    assert last.frames_until(from_label("00:00:01;00", NTSC)) == 31
    with pytest.raises(BadTimecode):
        last.frames_until(from_label("00:00:01:00", NTSC))


@pytest.mark.parametrize("base", [24, 25, 30, 48, 50, 60, 100, 120])
@pytest.mark.parametrize("slow", [False, True])
@given(data=st.data())
def test_label_and_frame_are_each_others_inverse(
    base: int, slow: bool, data: st.DataObject
) -> None:
    """At every rate of the trade, drop-frame where there is one."""
    rate = Fraction(base * 1000, 1001) if slow else Fraction(base)
    drop = data.draw(st.booleans()) if slow and base % 30 == 0 else False
    time = from_seconds(Fraction(data.draw(st.integers(0, 86_399))), rate, drop=drop)
    time = time.plus(data.draw(st.integers(0, base * 90)))
    assert from_label(time.label, rate) == time


@pytest.mark.parametrize(
    ("rate", "samples"),
    [
        (FILM, Fraction(2002)),
        (Fraction(24), Fraction(2000)),
        (Fraction(25), Fraction(1920)),
        (NTSC, Fraction(8008, 5)),
        (Fraction(30), Fraction(1600)),
        (Fraction(50), Fraction(960)),
        (NTSC_60, Fraction(4004, 5)),
        (Fraction(60), Fraction(800)),
    ],
)
def test_one_frame_lasts_the_published_number_of_samples(rate: Fraction, samples: Fraction) -> None:
    """Samples in one frame at 48 kHz (arithmetic, exact fractions)."""
    assert Timecode(1, rate).seconds * 48000 == samples


@pytest.mark.parametrize(
    ("samples", "sample_rate", "rate", "drop", "label"),
    [
        # EBU Tech 3285: TimeReference counts samples since midnight.
        (1_728_000_000, 48_000, Fraction(25), False, "10:00:00:00"),
        (1_587_600_000, 44_100, Fraction(25), False, "10:00:00:00"),
        (4_492_800_000, 96_000, Fraction(24), False, "13:00:00:00"),
        (1_729_728_000, 48_000, FILM, False, "10:00:00:00"),
        (1_727_998_272, 48_000, NTSC, True, "10:00:00;00"),
        # A recorded file: frame 1,094,376, while its clock said 12:40:00.
        (2_190_940_753, 48_000, FILM, False, "12:39:59:00"),
        # 29.97 non-drop, frame 1 starts at sample 1601.6: written as 1601 or as 1602.
        (1600, 48_000, NTSC, False, "00:00:00:00"),
        (1601, 48_000, NTSC, False, "00:00:00:01"),
        (1602, 48_000, NTSC, False, "00:00:00:01"),
    ],
)
def test_a_time_reference_is_the_timecode_in_real_seconds(
    samples: int, sample_rate: int, rate: Fraction, drop: bool, label: str
) -> None:
    """EBU Tech 3285 worked values, with the count taken at the file's own frame rate."""
    assert from_samples(samples, sample_rate, rate, drop=drop).label == label
