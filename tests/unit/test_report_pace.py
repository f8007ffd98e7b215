"""How fast a drive was, as a sentence: a fall is said with its time, a pause is not one."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from ingest.report.pace import Leg, fall, say_pace

START = datetime(2026, 3, 15, 0, 40, tzinfo=UTC)
MB = 1_000_000


def course(*legs: tuple[int, int]) -> tuple[tuple[float, int], ...]:
    """Points two seconds apart: so many seconds at so many MB/s, one after the other."""
    points, at, count = [(0.0, 0)], 0, 0
    for seconds, rate in legs:
        for _ in range(seconds // 2):
            at, count = at + 2, count + 2 * rate * MB
            points.append((float(at), count))
    return tuple(points)


def leg(*legs: tuple[int, int]) -> Leg:
    points = course(*legs)
    return Leg(START, points[-1][0], points[-1][1], points)


def test_a_fall_is_said_with_its_time() -> None:
    """190 MB/s for twelve minutes, 40 from then on."""
    assert say_pace([leg((720, 190), (600, 40))]) == "190 MB/s, fell to 40 MB/s from 00:52 UTC"


@pytest.mark.parametrize(
    ("legs", "said"),
    [
        (((600, 190),), "190 MB/s"),
        # A pause of some seconds, as drives make that flush, is no fall.
        (((300, 200), (8, 0), (300, 200)), "197 MB/s"),
        # Nor is a start that was slow, nor a little less.
        (((60, 50), (600, 200)), "186 MB/s"),
        (((300, 200), (300, 150)), "175 MB/s"),
        # It fell and came back.
        (((300, 200), (60, 50), (300, 200)), "186 MB/s"),
        # The last seconds belong to the last small files.
        (((300, 200), (10, 10)), "194 MB/s"),
    ],
)
def test_what_is_no_fall_is_one_rate(legs: tuple[tuple[int, int], ...], said: str) -> None:
    """Bytes over seconds, and nothing is made of what passes."""
    assert say_pace([leg(*legs)]) == said


def test_several_offloads_are_one_rate_or_their_falls() -> None:
    """Together where none fell; else those that did."""
    assert say_pace([leg((100, 100)), leg((100, 200))]) == "150 MB/s"
    assert say_pace([leg((100, 100)), leg((720, 190), (600, 40))]).startswith("190 MB/s, fell")


def test_nothing_measured_says_nothing() -> None:
    """No offload, no bytes, or one recorded before the pace was kept."""
    assert say_pace([]) == ""
    assert say_pace([Leg(START, 0.0, 0)]) == ""
    assert say_pace([Leg(START, 10.0, 1000 * MB)]) == "100 MB/s"
    assert fall(()) is None
