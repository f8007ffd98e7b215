"""Slips of the pen: a letter is the likelier one, and only what breaks a run is one at all."""

import pytest

from ingest.catalog.records import Mark, SlateRow
from ingest.slate.slips import likely_slips, slip_cost


def rows(text, **more):
    """`12A 1, 12A 2` as rows of one log."""
    return [
        SlateRow(*one.split(), log="day1.csv", row=number, **more)
        for number, one in enumerate(text.split(","), start=2)
    ]


def slips(text):
    return [(slip.row.row, slip.scene, slip.take, slip.kind) for slip in likely_slips(rows(text))]


@pytest.mark.parametrize(
    ("meant", "written", "cost"),
    [
        ("12A", "12a", 0),
        ("12A", "12B", 1),
        ("12A", "12", 1),
        ("A12", "B12", 1),
        ("12AA", "12A", 1),
        ("121", "12I", 1),
        ("120", "12o", 1),
        ("12", "21", 2),
        ("12A", "13A", 3),
        ("12A", "13B", None),
        ("12", "112", None),
        ("12", "the quay", None),
    ],
)
def test_when_one_scene_is_written_for_another_then_a_letter_costs_least(meant, written, cost):
    """A letter, two digits swapped, one digit; anything else is no single slip."""
    assert slip_cost(meant, written) == cost


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("12A 1,12A 2,12B 3,12A 4", [(4, "12A", "3", "letter")]),
        ("12A 1,12A 2,12B 3", [(4, "12A", "3", "letter")]),
        ("12B 1,12B 2,12B 3,12A 1,12A 2,12B 3,12A 4", [(7, "12A", "3", "letter")]),
        ("12 1,12 2,21 3,12 4", [(4, "12", "3", "digits swapped")]),
        ("12 1,12 2,13 3,12 4", [(4, "12", "3", "digit")]),
        ("12A 1,12A 2,12A 8,12A 4", [(4, "12A", "3", "take")]),
    ],
)
def test_when_a_row_breaks_the_run_then_what_was_likely_meant_is_offered(text, found):
    """12A logged as 12B for one take, and its like."""
    assert slips(text) == found


@pytest.mark.parametrize(
    "text",
    [
        "12A 1,12A 2,12B 1,12B 2",
        "12A 1,12B 1,12A 2,12B 2",
        "12A 1,12A 3,12A 4",
        "12A 1,12A 2,12A 5,12A 6",
        "12A 1,12A 2,99 3,12A 3",
        "12A 2,12B 3,12A 3",
        "12A 2,12A WT1,12A 3PU,12B 1",
        "12A 1",
        "",
    ],
)
def test_when_set_ups_follow_each_other_or_numbers_are_left_out_then_nothing_is_a_slip(text):
    """Two set-ups in turn, a take that nobody logged, a new scene."""
    assert slips(text) == [] if text else likely_slips(()) == ()


def test_when_two_cameras_log_a_slip_then_both_rows_are_one():
    """A row a camera, one run."""
    logged = [
        SlateRow("12A", "2", camera="A", row=2),
        SlateRow("12B", "3", camera="A", row=3),
        SlateRow("12B", "3", camera="B", row=4),
    ]
    assert [slip.row.row for slip in likely_slips(logged)] == [3, 4]


def test_when_a_row_is_a_false_start_then_it_breaks_no_run():
    """Its number may be anything."""
    logged = [SlateRow("12A", "2", row=2), SlateRow("12B", "3", marks=(Mark.FALSE_START,), row=3)]
    assert likely_slips(logged) == ()
