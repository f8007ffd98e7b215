"""What is asked of a person: one question a clip that is open, the two best answers."""

import pytest

from ingest.catalog.records import Clip, Roll, SlateRow, Sure, TakeLink
from ingest.cli.slate_asking import question_lines, read_answer
from ingest.media.facts import ClipFacts, ClipKind
from ingest.slate.pool import Conflict
from ingest.slate.questions import Answer, Question, open_questions


def clip(number=1, kind=ClipKind.PICTURE):
    roll = Roll(1, "Saltmarsh", "A001", 1, "2026-03-14", "A", "card")
    return Clip(number, roll, f"C{number:04}", (), ClipFacts(kind=kind), "c0001.jpg")


def link(take, sure=Sure.OPEN, number=1):
    return TakeLink(number, "12A", take, None, None, sure, f"why {take}")


def test_when_links_are_open_then_the_two_first_are_the_answers():
    """Then what the matching offers besides; each take once."""
    (asked,) = open_questions([clip()], [link("3"), link("4"), link("5")])
    assert asked.answers == (Answer("12A", "3", "why 3"), Answer("12A", "4", "why 4"))
    offered = {1: [Answer("12a", "03", "again"), Answer("12B", "3", "a letter")]}
    (asked,) = open_questions([clip()], [link("3")], (), offered)
    assert [answer.scene for answer in asked.answers] == ["12A", "12B"]


def test_when_a_row_fits_several_clips_then_each_is_asked_about():
    """Names repeat from card to card."""
    row = SlateRow("12A", "3", log="day1.csv", row=5)
    conflict = Conflict("which clip", "told", (1, 2), (row,))
    asked = open_questions([clip(1), clip(2), clip(3)], [link("9", Sure.SURE, 2)], [conflict])
    assert [(one.clip.id, one.answers[0].basis) for one in asked] == [
        (1, "day1.csv row 5 names a clip of this name")
    ]


@pytest.mark.parametrize(
    ("kind", "links"),
    [
        (ClipKind.PICTURE, []),
        (ClipKind.PICTURE, [link("3", Sure.LIKELY)]),
        (ClipKind.PICTURE, [link("3"), link("4", Sure.SURE)]),
        (ClipKind.STILL, [link("3")]),
    ],
)
def test_when_nothing_is_to_be_chosen_then_nothing_is_asked(kind, links):
    """Much is shot without a slate; stills have no take."""
    assert open_questions([clip(kind=kind)], links) == ()


ASKED = Question(clip(), (Answer("12A", "3", "its digits"), Answer("12B", "3", "")))


@pytest.mark.parametrize(
    ("told", "meant"),
    [
        ("a", ("12A", "3")),
        ("B", ("12B", "3")),
        ("14 2", ("14", "2")),
        ("14-2", ("14", "2")),
        ("12A tk 3PU", ("12A", "3PU")),
        ("c", None),
        ("12A", None),
        ("ab", None),
    ],
)
def test_when_an_answer_is_typed_then_it_is_a_letter_or_a_take(told, meant):
    """Anything else is asked again."""
    assert read_answer(told, ASKED) == meant


def test_when_a_question_is_shown_then_its_picture_and_answers_fit_the_screen(tmp_path):
    """The poster's path is whole on a line of its own, to be clicked."""
    lines = question_lines(ASKED, "1 of 3", tmp_path)
    assert lines == [
        "",
        "1 of 3: A001/C0001 (day 1, camera A)",
        f"   picture: {tmp_path}/c0001.jpg",
        "   a  12A take 3 (its digits)",
        "   b  12B take 3",
    ]
