"""Facts of recordings in several files. Durations are arithmetic."""

from __future__ import annotations

from fractions import Fraction

import pytest

from ingest.media.facts import AudioTrack, ClipFacts, ClipKind, SoundNotes
from ingest.media.joining import goes_on, joined_facts, sequence_facts

FILM = Fraction(24000, 1001)
NTSC = Fraction(30000, 1001)


def span(start: str | None, frames: int | None, rate: Fraction | None = FILM) -> ClipFacts:
    return ClipFacts(
        kind=ClipKind.PICTURE,
        frame_rate=rate,
        duration_frames=frames,
        duration_seconds=frames / rate if rate and frames else None,
        start_timecode=start,
    )


def sound(seconds: int, at: int | None) -> ClipFacts:
    return ClipFacts(
        kind=ClipKind.SOUND,
        duration_seconds=Fraction(seconds),
        audio=(AudioTrack(channels=1, sample_rate=48_000),),
        sound=SoundNotes(time_reference=at),
    )


def test_spans_add_up_from_the_start_of_the_first() -> None:
    """Frames summed, seconds exact."""
    whole = joined_facts([span("10:00:00:00", 240), span("10:00:10:00", 120)])
    assert whole.duration_frames == 360
    assert whole.duration_seconds == Fraction(360 * 1001, 24000)
    assert whole.start_timecode == "10:00:00:00"


def test_one_file_is_as_it_is() -> None:
    """Nothing is joined, nothing changes."""
    facts = span("10:00:00:00", 240)
    assert joined_facts([facts]) is facts


def test_a_span_of_unknown_length_leaves_the_whole_unknown() -> None:
    """Never the length of the rest for that of the whole."""
    whole = joined_facts([span("10:00:00:00", 240), span(None, None)])
    assert (whole.duration_frames, whole.duration_seconds) == (None, None)


def test_spans_that_differ_are_said_to() -> None:
    """Both are kept; the first counts."""
    whole = joined_facts([span("10:00:00:00", 240), span("10:00:10:00", 120, NTSC)])
    (said,) = whole.disagreements
    assert (said.what, dict(said.values), said.taken) == (
        "frame rate",
        {"part 1": "23.976", "part 2": "29.97"},
        "part 1",
    )


def test_tracks_stand_side_by_side() -> None:
    """Two files of one moment: two channels, the length of the longer."""
    whole = joined_facts([sound(10, 480), sound(11, 480)])
    assert (len(whole.audio), whole.duration_seconds) == (2, 11)


def test_sound_that_goes_on_in_the_next_file_adds_up() -> None:
    """One recording cut by the recorder."""
    whole = joined_facts([sound(10, 0), sound(11, 480_000)])
    assert (len(whole.audio), whole.duration_seconds) == (1, 21)


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [
        (span("10:00:00:00", 240), span("10:00:10:00", 1), True),
        (span("10:00:00:00", 240), span("10:00:10:01", 1), True),
        (span("10:00:00:00", 240), span("10:00:09:23", 1), True),
        (span("10:00:00:00", 240), span("10:00:10:02", 1), False),
        (span("10:00:00:00", 240), span("10:00:00:00", 1), False),
        (span("23:59:59:23", 1), span("00:00:00:00", 1), True),
        # SMPTE ST 12-1: the frame after 00:00:59;29 is 00:01:00;02.
        (span("00:00:59;29", 1, NTSC), span("00:01:00;02", 1, NTSC), True),
        (span("00:00:59;29", 1, NTSC), span("00:01:00;02", 1, FILM), False),
        (span("00:00:59;29", 1, NTSC), span("00:01:00:00", 1, NTSC), False),
        (span(None, 240), span("10:00:10:00", 1), None),
        (span("10:00:00:00", None), span("10:00:10:00", 1), None),
        (span("10:00:00:00", 240, None), span("10:00:10:00", 1), None),
        (span("10:00:00:99", 240), span("10:00:10:00", 1), None),
    ],
)
def test_a_span_goes_on_where_the_last_one_ended(
    before: ClipFacts, after: ClipFacts, told: bool | None
) -> None:
    """By timecode, to a frame; None where the files don't tell."""
    assert goes_on(before, after) is told


def test_an_image_sequence_lasts_its_count_at_its_rate() -> None:
    """The picture's own rate, else the project's, which is said; without both it has no length."""
    picture = ClipFacts(kind=ClipKind.STILL, width=2048)
    own = sequence_facts(span(None, 1, Fraction(25)), 50, (), FILM)
    assert (own.duration_frames, own.duration_seconds, own.doubts) == (50, 2, ())
    assumed = sequence_facts(picture, 48, (), Fraction(24))
    assert (assumed.kind, assumed.duration_seconds) == (ClipKind.PICTURE, 2)
    assert assumed.doubts == ("Its pictures state no frame rate: taken to be 24 fps.",)
    assert sequence_facts(picture, 48, (), None).duration_seconds is None


def test_gaps_in_the_numbering_are_said_and_not_counted() -> None:
    """Frames that are not there are not on the card."""
    facts = sequence_facts(span(None, 1), 6, ((89, 90), (93, 93)), None)
    assert facts.duration_frames == 6
    assert facts.doubts == ("Its numbering lacks 3 pictures: 89 to 90, 93.",)
