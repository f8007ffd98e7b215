"""Names for the editor, made of scene, take and camera."""

import pytest

from ingest.catalog.records import Clip, Roll, Sure, TakeLink
from ingest.media.facts import ClipFacts
from ingest.slate.display import display_name, display_names


def clip(number=1, camera="A"):
    roll = Roll(1, "Saltmarsh", f"{camera or 'S'}001", 2, "2026-03-15", camera, "card")
    return Clip(number, roll, f"C{number:04}", (), ClipFacts(), None)


def link(take="3", scene="12A", sure=Sure.SURE, shot=None):
    return TakeLink(1, scene, take, shot, None, sure, "log")


@pytest.mark.parametrize(
    ("pattern", "camera", "links", "name"),
    [
        (None, "A", [link()], "12A-3-A"),
        (None, None, [link("WT1")], "12A-WT1"),
        (None, "A", [link("2"), link("10"), link("1")], "12A-1+2+10-A"),
        ("{camera}_{scene}_{take}", None, [link()], "12A_3"),
        ("{scene}{camera}/{take}", "B", [link()], "12AB/3"),
        ("Sc {scene} T{take}, {roll} {clip}", "A", [link()], "Sc 12A T3, A001 C0001"),
        ("D{day:02} {scene}-{shot}-{take}", "A", [link(shot="7")], "D02 12A-7-3"),
        ("D{day:02} {scene}-{shot}-{take}", "A", [link()], "D02 12A-3"),
        (None, "A", [], None),
        (None, "A", [link(sure=Sure.OPEN)], None),
        (None, "A", [link(), link("9", sure=Sure.OPEN)], "12A-3-A"),
    ],
)
def test_when_a_clip_holds_takes_then_its_name_follows_the_pattern(pattern, camera, links, name):
    """What isn't there is left out with the mark before it; an open link gives no name."""
    assert display_name(clip(camera=camera), links, pattern) == name


def test_when_two_clips_would_have_one_name_then_the_later_is_numbered():
    """A take that went on in a second clip; case makes no difference to an editor's bin."""
    clips = [clip(3), clip(1), clip(2)]
    links = {1: [link()], 2: [link(scene="12a")], 3: [link()]}
    assert display_names(clips, links) == {1: "12A-3-A", 2: "12a-3-A (2)", 3: "12A-3-A (3)"}
