"""Which clock is wrong: worked out from clips of the same takes."""

from __future__ import annotations

from fractions import Fraction

import pytest

from ingest.assurance.clocks import Offset, Sighting, agreed, as_told, clock_offsets
from ingest.slate.matching import ClockOffset

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


# One number for one clock ---------------------------------------------------------------------


def laid(slow: float, device: str = "B", sure: bool = True) -> ClockOffset:
    """What the matching worked out."""
    return ClockOffset(
        device=device,
        day=1,
        slow=slow,
        drift=0.0,
        spread=0.5,
        within=2.0,
        clip_ids=(1, 2),
        against="the recorder's clock",
        is_sure=sure,
    )


def voted(seconds: int, *, exact: bool) -> Offset:
    return Offset("B", seconds, ("A", "S"), 3, exact)


@pytest.mark.parametrize(
    ("vote", "by_matching", "told"),
    [
        (voted(-192, exact=True), laid(191.4), -192),  # timecode: exact to the second
        (voted(-196, exact=False), laid(191.4), -191),  # the lag of the buttons is out of it
        (voted(-192, exact=True), laid(3791.4), -3792),  # an hour besides, by the zone
        (voted(-196, exact=False), laid(3791.4), -3791),
    ],
)
def test_of_one_clock_one_number_is_told(vote: Offset, by_matching: ClockOffset, told: int) -> None:
    """At the end of the day and beside the links."""
    (at_the_end,) = agreed([vote], [by_matching])
    (beside_the_links,) = as_told([by_matching], [vote])
    assert at_the_end.seconds == told == round(-beside_the_links.slow)


def test_a_clock_that_the_matching_does_not_know_or_takes_for_another_is_told_by_the_vote() -> None:
    """With few clips the matching may be astray; then its number is told nowhere."""
    vote = voted(-192, exact=False)
    assert agreed([vote], [laid(60, "A")]) == (vote,)
    assert agreed([vote], [laid(4000, sure=False)]) == (vote,)
    assert as_told([laid(4000, sure=False), laid(1, "A")], [vote]) == (laid(1, "A"),)
    assert as_told([laid(0.4)], []) == (laid(0.4),)


def test_a_clock_set_anew_in_the_day_is_told_as_it_stands_at_the_end() -> None:
    """Put right at noon, it needs no setting; put wrong at noon, it does."""
    vote = voted(-192, exact=True)
    assert agreed([vote], [laid(192), laid(0.4)]) == ()
    (told,) = agreed([vote], [laid(0.4), laid(192)])
    assert told.seconds == -192
    assert as_told([laid(192), laid(0.4)], [vote]) == (laid(192), laid(0.4))


def test_a_vote_is_exact_where_timecode_told_every_take() -> None:
    """Else the buttons are in it."""
    takes = [*seen(1, A=0, B=-192, S=0), *seen(2, A=0, B=-192, S=0)]
    assert [one.exact for one in clock_offsets(takes)] == [True]
    takes += seen(3, False, A=0, B=-192, S=0)
    assert [one.exact for one in clock_offsets(takes)] == [False]
