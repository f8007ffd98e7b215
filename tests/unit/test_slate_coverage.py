"""Planned against shot: what is covered, what is still owed, and what counts for no shot."""

from dataclasses import replace

import pytest

from ingest.catalog.records import (
    Clip,
    Mark,
    PlannedShot,
    Rating,
    Roll,
    SlateRow,
    Sure,
    TakeLink,
)
from ingest.media.facts import ClipFacts, ClipKind
from ingest.slate.coverage import Covered, coverage

PLAN = (
    PlannedShot("12", "1", day=1, cameras=("A", "B")),
    PlannedShot("12A", "2", day=1, cameras=("A",)),
    PlannedShot("18", "9", day=2, cameras=("A", "B")),
)
CIRCLED = SlateRow("12", "2", shot="1", day=1, camera="A", rating=Rating.CIRCLED)


def clip(number=1, kind=ClipKind.PICTURE, camera="A", day=1):
    roll = Roll(1, "Saltmarsh", f"{camera}001", day, "2026-03-14", camera, "card")
    return Clip(number, roll, f"C{number:04}", (), ClipFacts(kind=kind), None)


def link(take="2", scene="12", shot="1", rating=Rating.CIRCLED, sure=Sure.SURE, **more):
    return TakeLink(1, scene, take, shot, rating, sure, "log", **more)


def states(told):
    return [shot.state for shot in told.shots]


@pytest.mark.parametrize(
    ("ratings", "state"),
    [
        ([], Covered.NOT_SHOT),
        ([Rating.NG, Rating.NG], Covered.NG),
        ([Rating.NG, None], Covered.NOT_RATED),
        ([Rating.NG, None, Rating.KEEP], Covered.KEEP),
        ([Rating.KEEP, Rating.CIRCLED, Rating.NG], Covered.CIRCLED),
    ],
)
def test_when_a_shot_has_takes_then_the_best_rating_covers_it(ratings, state):
    """Circled, keep, not rated, only NG, not shot: in this order."""
    rows = [
        SlateRow("12", str(number), shot="1", rating=rating)
        for number, rating in enumerate(ratings, start=1)
    ]
    told = coverage(PLAN[:1], rows, (), ())
    assert states(told) == [state]
    assert bool(told.owed) == (state in (Covered.NG, Covered.NOT_SHOT))


def test_when_a_day_is_asked_about_then_only_its_shots_are_missing():
    """Shot 9 is owed on day 2 and still to come on day 1."""
    rows = [CIRCLED, replace(CIRCLED, scene="12A", shot="2")]
    assert [shot.planned.shot for shot in coverage(PLAN, rows, (), (), day=2).missing] == ["9"]
    first = coverage(PLAN, rows, (), (), day=1)
    assert first.missing == ()
    assert [shot.planned.shot for shot in first.later] == ["9"]


def test_when_no_day_is_asked_about_then_days_that_have_come_count():
    """What is planned for a day that nobody has shot on yet is still to come."""
    assert coverage(PLAN, [CIRCLED], (), ()).last_day == 1
    assert [s.planned.shot for s in coverage(PLAN, [CIRCLED], (), ()).missing] == ["2"]
    later = coverage(PLAN, [CIRCLED], [clip(2, day=2)], ())
    assert [shot.planned.shot for shot in later.missing] == ["2", "9"]


def test_when_only_the_log_has_a_take_then_it_covers_and_is_not_in_hand():
    """The card may still be in the camera."""
    told = coverage(PLAN, [CIRCLED], (), ()).shots[0]
    assert (told.state, told.in_hand) == (Covered.CIRCLED, False)
    told = coverage(PLAN, [CIRCLED], [clip()], [link()]).shots[0]
    assert (told.in_hand, told.best[0].clips) == (True, ("A001/C0001",))


@pytest.mark.parametrize(
    ("row", "clips", "links"),
    [
        (replace(CIRCLED, marks=(Mark.FALSE_START,)), (), ()),
        (replace(CIRCLED, take="WT2"), (), ()),
        (None, [clip(kind=ClipKind.SOUND)], [link()]),
        (None, [clip()], [link(sure=Sure.OPEN)]),
    ],
)
def test_when_there_is_no_picture_of_a_take_then_it_covers_nothing(row, clips, links):
    """A false start, a wild track, sound alone, a link that is still open."""
    assert coverage(PLAN, [row] if row else [], clips, links).shots[0].state is Covered.NOT_SHOT


def test_when_a_rating_was_set_by_hand_then_it_beats_the_log():
    """The director changed her mind; a person said so."""
    row = replace(CIRCLED, rating=Rating.CIRCLED)
    told = coverage(PLAN, [row], [clip()], [link(rating=Rating.NG, by_hand=True)])
    assert told.shots[0].state is Covered.NG


def test_when_fewer_cameras_shot_it_than_planned_then_the_missing_ones_are_told():
    """Covered, by A alone."""
    shot = coverage(PLAN, [CIRCLED], (), ()).shots[0]
    assert (shot.owed, shot.cameras_missing) == (False, ("B",))
    both = coverage(PLAN, [CIRCLED, replace(CIRCLED, camera="cam B")], (), ()).shots[0]
    assert both.cameras_missing == ()


@pytest.mark.parametrize(
    ("planned", "row"),
    [
        (PlannedShot("12", "A"), SlateRow("12A", "1")),
        (PlannedShot("12", setup="A"), SlateRow("12A", "1")),
        (PlannedShot("12"), SlateRow("12A", "1")),
        (PlannedShot("12", "4"), SlateRow("12A", "1", shot="4")),
        (PlannedShot("12A", "4"), SlateRow("12a", "1")),
        (PlannedShot("12", "4"), SlateRow("12", "1", shot="104")),
        (PlannedShot("7", "7"), SlateRow("7", "1", shot="7")),
    ],
)
def test_when_plan_and_slate_are_written_in_different_ways_then_they_meet(planned, row):
    """Set-up letters (US), running slate numbers (UK), a scene alone, storyboard frames."""
    assert coverage([planned], [row], (), ()).shots[0].state is Covered.NOT_RATED


@pytest.mark.parametrize(
    ("row", "why"),
    [
        (SlateRow("12", "5"), "which of 2 planned shots"),
        (SlateRow("12", "5", shot="9"), "its shot is planned for scene 18"),
        (SlateRow("99", "5"), "its scene is not planned"),
        (SlateRow("12B", "5", shot="77"), "no such shot is planned"),
    ],
)
def test_when_a_take_fits_no_single_shot_then_it_covers_none_and_says_why(row, why):
    """Nothing is guessed: a shot held for covered is struck."""
    plan = [*PLAN, PlannedShot("12", "1a", day=1)]
    told = coverage(plan, [CIRCLED, row], (), ())
    assert [(take.take, why in take.why_unplaced) for take in told.unplaced] == [("5", True)]
    assert states(told) == [Covered.CIRCLED, *[Covered.NOT_SHOT] * 3]


def test_when_one_take_number_stands_for_two_shots_then_each_gets_its_own():
    """Where takes count anew for every frame of a scene."""
    plan = [PlannedShot("3", "7"), PlannedShot("3", "8")]
    rows = [
        SlateRow("3", "1", shot="7", rating=Rating.NG),
        SlateRow("3", "1", shot="8", rating=Rating.CIRCLED),
    ]
    assert states(coverage(plan, rows, (), ())) == [Covered.NG, Covered.CIRCLED]
