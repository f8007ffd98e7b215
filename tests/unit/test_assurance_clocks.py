"""Which clock is wrong: worked out from clips of the same takes."""

from __future__ import annotations

from fractions import Fraction

from ingest.assurance.clocks import Sighting, clock_offsets

NOON = 12 * 3600.0


def seen(take: int, timecode: bool = True, **offsets: float) -> list[Sighting]:
    """A take at noon and `take` hours: each device starts a second after the one before it."""
    return [
        Sighting(
            device,
            ("12", str(take)),
            NOON + 3600 * take + at + offset,
            Fraction(3600 * (12 + take) + at) if timecode else None,
        )
        for at, (device, offset) in enumerate(offsets.items())
    ]


def test_the_clock_that_differs_from_two_that_agree_is_the_wrong_one() -> None:
    """B is 3 min 12 s slow, and it doesn't matter who pressed the button first."""
    told = clock_offsets([*seen(1, A=0, B=-192, S=0), *seen(2, A=0, B=-192, S=0)])
    assert [(one.device, one.seconds, one.takes) for one in told] == [("B", -192, 2)]
    assert told[0].against == ("A", "S")


def test_a_camera_a_day_ahead_is_found_and_one_in_another_zone_is_right() -> None:
    """Whole quarters of an hour may be a zone, as may a file that states UTC; a day is none."""
    (told,) = clock_offsets(seen(1, A=0, B=86400, S=0))
    assert (told.device, told.seconds) == ("B", 86400)
    assert clock_offsets(seen(1, A=-3600, B=-3600, S=0)) == ()
    assert clock_offsets(seen(1, A=0, B=5.75 * 3600, S=0)) == ()
    # Slow, and in another zone than the recorder: those that write alike tell by how much.
    (told,) = clock_offsets(seen(1, A=-3600, B=-3792, S=0))
    assert (told.device, told.seconds, told.against) == ("B", -192, ("A",))


def test_nothing_is_said_where_nothing_can_be_known() -> None:
    """Two clocks that differ: either may be right. A few seconds: the buttons."""
    assert clock_offsets(seen(1, A=0, B=-192)) == ()
    assert clock_offsets([]) == ()
    assert clock_offsets(seen(1, timecode=False, A=0, B=12, S=0)) == ()


def test_without_timecode_a_clock_is_told_by_its_takes_alone() -> None:
    """The seconds between two buttons stay in it."""
    (told,) = clock_offsets([*seen(1, False, A=0, D=-400, S=0), *seen(2, False, A=0, D=-400, S=0)])
    assert told.device == "D" and abs(told.seconds + 400) <= 3
