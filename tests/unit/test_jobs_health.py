"""What a person is told of the clips' health when a card is in."""

from __future__ import annotations

from ingest.jobs.health import health_lines
from ingest.media.facts import ClipFacts, ClipKind
from ingest.media.health import Depth, Finding, Health, Severity
from ingest.media.judging import judge
from ingest.media.looking.seen import Seen

LEFT_FOR_LATER = judge(ClipFacts(kind=ClipKind.STILL), Seen(depth=Depth.NONE), name="NIMB0001.JPG")


def test_stills_left_for_a_deep_look_take_one_line_and_ask_for_nothing() -> None:
    """Every offload of stills ends so: their names would be noise."""
    stills = [(f"P001/NIMB{number:04}", LEFT_FOR_LATER) for number in range(1, 401)]
    assert health_lines(stills) == ["  Not decoded: 400 stills (--deep does that)."]


def test_a_clip_that_nothing_here_decodes_is_named_apart_from_the_stills() -> None:
    """Nobody has looked at it, nor can: its camera's own player is what is left."""
    closed = Health(findings=(), unchecked="Camera RAW that can't be decoded here.")
    assert health_lines([("P001/NIMB0001", LEFT_FOR_LATER), ("A001/A001C001", closed)]) == [
        "  Not decoded: 1 clip (A001/A001C001).",
        "  Not decoded: 1 still (--deep does that).",
    ]


def test_what_is_the_same_of_many_clips_is_said_once() -> None:
    """A whole card with one trouble must not push the answer off the screen."""
    words = "It says that it was recorded on another day."
    late = Health(findings=(Finding("date", Severity.LOOK, words),))
    clips = [(f"A001/C{number:04}", late) for number in range(1, 8)]
    assert health_lines(clips) == [
        "  LOOK AT A001/C0001, A001/C0002, A001/C0003 and 4 more",
        f"      {words}",
    ]
