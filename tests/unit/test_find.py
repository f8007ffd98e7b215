"""What is looked for, and whether a clip fits it."""

import pytest

from ingest.catalog.records import Clip, ClipFile, ClipRole, Rating, Roll, Sure, TakeLink
from ingest.jobs.find import Wanted, fits, understand_words
from ingest.media.facts import ClipFacts, ClipKind

CLIP = Clip(
    1,
    Roll(1, "Saltmarsh", "A003", 2, "2026-03-15", "A", "card"),
    "C0007",
    (ClipFile("CLIP/C0007.MOV", ClipRole.SPAN),),
    ClipFacts(kind=ClipKind.PICTURE),
    None,
)


def link(scene, take, rating=None, shot=None, note=None):
    return TakeLink(1, scene, take, shot, rating, Sure.SURE, "the log", note)


SERIES = (link("12A", "1", note="wind in the reeds"), link("12A", "2", Rating.CIRCLED, "7"))


@pytest.mark.parametrize(
    ("words", "scene", "take", "text"),
    [
        (("12A", "3"), "12A", "3", ()),
        (("12a", "T3"), "12a", "T3", ()),
        (("12A-3",), "12A", "3", ()),
        (("scene", "12A", "take", "3"), "12A", "3", ()),
        (("12A",), "12A", None, ()),
        (("12A", "reeds"), "12A", None, ("reeds",)),
        (("12A", "3", "reeds"), "12A", "3", ("reeds",)),
        (("12A", "99"), "12A", "99", ()),
        (("reeds",), None, None, ("reeds",)),
        (("C0007",), None, None, ("C0007",)),
        ((), None, None, ()),
    ],
)
def test_when_words_are_free_then_a_known_scene_and_its_take_are_understood(
    words, scene, take, text
):
    """Scene, then take, else text."""
    wanted = understand_words(Wanted(), words, [link("12A", "3")])
    assert (wanted.scene, wanted.take, wanted.text) == (scene, take, text)


def test_when_an_option_names_the_scene_then_words_do_not_change_it():
    """Options beat words."""
    wanted = understand_words(Wanted(scene="14"), ("12A",), [link("12A", "3")])
    assert (wanted.scene, wanted.text) == ("14", ("12A",))


@pytest.mark.parametrize(
    ("wanted", "fitting"),
    [
        (Wanted(), True),
        (Wanted(scene="012a", take="02"), True),
        (Wanted(scene="12B"), False),
        (Wanted(take="1", circled=True), False),
        (Wanted(take="2", circled=True), True),
        (Wanted(shot="7", take="1"), False),
        (Wanted(camera="cam a", day=2, roll="a003"), True),
        (Wanted(camera="B"), False),
        (Wanted(day=1), False),
        (Wanted(roll="A00"), False),
        (Wanted(text=("REEDS", "c0007")), True),
        (Wanted(text=("reeds", "rain")), False),
        (Wanted(timecode="10:00:00:00"), False),
    ],
)
def test_when_a_clip_is_asked_about_then_all_must_hold_of_one_take(wanted, fitting):
    """Circled and take 1 must be one take's: take 1 isn't the circled one."""
    assert fits(CLIP, SERIES, wanted) is fitting
