"""Timecode that goes back or overlaps within a camera's roll. Pure.

That timecode goes forwards from clip to clip is common practice, no source; its count of frames
and real seconds is SMPTE ST 12-1's, held elsewhere.
"""

from __future__ import annotations

from fractions import Fraction

from ingest.assurance.footage.timecodes import Fault, timecode_faults
from ingest.catalog.records import Clip, Roll
from ingest.media.facts import ClipFacts, ClipKind

FILM = Fraction(24000, 1001)


def clip(
    number: int,
    start: str | None,
    *,
    seconds: int = 60,
    rate: Fraction = FILM,
    roll: str = "A001",
    sensor: Fraction | None = None,
) -> Clip:
    facts = ClipFacts(
        kind=ClipKind.PICTURE,
        frame_rate=rate,
        sensor_rate=sensor,
        duration_seconds=Fraction(seconds),
        start_timecode=start,
    )
    at = Roll(int.from_bytes(roll.encode(), "big"), "Saltmarsh", roll, 1, "2026-03-14", "A", "card")
    return Clip(number, at, f"C{number}", (), facts, None)


def faults(*clips: Clip) -> list[tuple[str, Fault]]:
    return [(one.clip, one.fault) for one in timecode_faults(clips)]


def test_timecode_that_goes_forwards_is_well() -> None:
    """Clip 2 stands before clip 10, whatever order they come in; a gap is no fault."""
    clips = [clip(10, "12:00:00:00"), clip(2, "10:00:00:00"), clip(3, "10:01:00:00")]
    assert faults(*clips) == []


def test_a_counter_set_back_is_found() -> None:
    """The later clip is named, with both timecodes."""
    clips = [clip(1, "10:00:00:00"), clip(2, "09:00:00:00"), clip(3, "09:30:00:00")]
    assert faults(*clips) == [("A001/C2", Fault.BACKWARDS)]
    (one,) = timecode_faults(clips)
    assert one.words == (
        "A001/C2 starts at 09:00:00:00, before the start of A001/C1 (10:00:00:00)."
    )


def test_clips_that_overlap_are_found() -> None:
    """Two clips of one camera can't have run at once."""
    assert faults(clip(1, "10:00:00:00"), clip(2, "10:00:30:00")) == [("A001/C2", Fault.OVERLAP)]


def test_over_midnight_is_forwards() -> None:
    """The count starts again at 0, in the middle of a clip too."""
    clips = [clip(1, "23:50:00:00"), clip(2, "23:59:30:00"), clip(3, "00:00:29:00")]
    assert faults(*clips) == [("A001/C3", Fault.OVERLAP)]
    assert faults(*clips[:2], clip(3, "00:10:00:00")) == []


def test_a_counter_that_restarts_with_each_clip_is_said_once() -> None:
    """Nothing can be matched by it."""
    clips = [clip(number, "00:00:00:00") for number in range(1, 6)]
    assert faults(*clips) == [("A001/C1", Fault.RESTARTS)]
    assert "each of its 5 clips" in timecode_faults(clips)[0].words


def test_rates_are_compared_by_real_time_and_only_where_their_labels_keep_step() -> None:
    """29.97 non-drop and 23.976 keep step. Beside 25 or drop-frame, labels drift: not judged."""
    ntsc = Fraction(30000, 1001)
    assert faults(clip(1, "10:00:00:00"), clip(2, "10:00:58:00", rate=ntsc)) == [
        ("A001/C2", Fault.OVERLAP)
    ]
    assert faults(clip(1, "10:00:00:00"), clip(2, "10:00:58:00", rate=Fraction(25))) == []
    assert faults(clip(1, "10:00:00:00"), clip(2, "10:00:30;00", rate=ntsc)) == []


def test_off_speed_and_clips_without_timecode_are_left_out() -> None:
    """Their labels don't tell when they ran."""
    slow = clip(2, "09:00:00:00", sensor=Fraction(96))
    assert faults(clip(1, "10:00:00:00"), slow, clip(3, None), clip(4, "10:05:00:00")) == []


def test_rolls_are_judged_apart() -> None:
    """Two cards may start anywhere."""
    assert faults(clip(1, "10:00:00:00"), clip(2, "08:00:00:00", roll="B001")) == []
