"""Groups made from names, held against what the files say.

That a recorder writes one FAMILY_UID into the files of one take is iXML's FILE_SET (from memory of
the public iXML specification). Continuous timecode over spans: common practice, no source.
"""

from __future__ import annotations

from fractions import Fraction

from ingest.card.clips import Confirmed, confirm, group
from ingest.media.facts import ClipFacts, ClipKind, SoundNotes

FILM = Fraction(24000, 1001)
BASE = "A002C006_141024_R2EC"


def span(start: str | None, frames: int = 240, rate: Fraction = FILM) -> ClipFacts:
    return ClipFacts(
        kind=ClipKind.PICTURE, frame_rate=rate, duration_frames=frames, start_timecode=start
    )


def track(uid: str | None, at: int = 0) -> ClipFacts:
    return ClipFacts(kind=ClipKind.SOUND, sound=SoundNotes(family_uid=uid, time_reference=at))


def confirmed(facts: dict[str, ClipFacts], *more: str) -> Confirmed:
    return confirm(group([*facts, *more]).clips, facts)


def spans(found: Confirmed) -> dict[str, tuple[str, ...]]:
    return {clip.name: clip.spans for clip in found.clips}


def test_spans_whose_timecode_goes_on_stay_one_clip() -> None:
    """Each starts where the last one ended; a label off by one frame, and midnight, are no end."""
    facts = {
        f"{BASE}_001.MOV": span("23:59:45:00"),
        f"{BASE}_002.MOV": span("23:59:55:01"),
        f"{BASE}_003.MOV": span("00:00:05:00"),
    }
    found = confirmed(facts)
    assert spans(found) == {f"{BASE}_001": tuple(facts)}
    assert found.said == {}


def test_spans_whose_timecode_does_not_go_on_are_split_and_it_is_said() -> None:
    """Two takes for one would hide the second; companions go with the part that they are named
    for."""
    facts = {
        f"{BASE}_001.MOV": span("10:00:00:00"),
        f"{BASE}_002.MOV": span("10:00:10:00"),
        f"{BASE}_003.MOV": span("10:07:00:00"),
    }
    found = confirmed(facts, f"{BASE}_001.XML", f"{BASE}_003.XML", f"{BASE}.cube")
    first, second, third = facts
    assert spans(found) == {f"{BASE}_001": (first, second), f"{BASE}_003": (third,)}
    assert found.clips[0].companions == (f"{BASE}.cube", f"{BASE}_001.XML")
    assert found.clips[1].companions == (f"{BASE}_003.XML",)
    assert found.said == {
        f"{BASE}_003": f"Its timecode does not go on from {BASE}_002.MOV: a recording of its own."
    }


def test_spans_at_another_rate_are_not_one_recording() -> None:
    """No camera changes its rate in the middle."""
    facts = {
        f"{BASE}_001.MOV": span("10:00:00:00"),
        f"{BASE}_002.MOV": span("10:00:10:00", rate=Fraction(25)),
    }
    assert len(confirmed(facts).clips) == 2


def test_spans_without_timecode_stay_as_their_names_have_them() -> None:
    """What can't be told is not guessed; a file that couldn't be read says nothing."""
    facts = {f"{BASE}_001.MOV": span(None), f"{BASE}_002.MOV": span("10:00:00:00")}
    assert len(confirmed(facts).clips) == 1
    assert len(confirmed({}, *facts).clips) == 1


def test_bare_numbers_are_joined_where_the_recorder_says_one_family() -> None:
    """SC12_1 and SC12_2 may be takes; with one family they are tracks of one take, 2 before 10."""
    names = ["S/SC12_1.WAV", "S/SC12_2.WAV", "S/SC12_10.WAV"]
    found = confirmed({name: track("F1", 480) for name in names})
    assert spans(found) == {"SC12": tuple(names)}
    apart = confirmed({name: track(f"F{name}") for name in names})
    assert len(apart.clips) == 3


def test_a_family_that_goes_on_from_file_to_file_stands_in_the_order_of_time() -> None:
    """A long recording, cut by the recorder's own limit."""
    facts = {"S/B.WAV": track("F", 0), "S/A.WAV": track("F", 48_000)}
    (clip,) = confirmed(facts).clips
    assert clip.spans == ("S/B.WAV", "S/A.WAV")


def test_families_are_not_joined_over_folders_or_without_a_name() -> None:
    """Two recorders may give one number; most files give none."""
    assert len(confirmed({"S1/T1.WAV": track("F"), "S2/T2.WAV": track("F")}).clips) == 2
    assert len(confirmed({"S/T1.WAV": track(None), "S/T2.WAV": track(None)}).clips) == 2


def test_a_joined_clip_never_takes_another_clips_name() -> None:
    """SC12 is there already, and is another take."""
    facts = {
        "S/SC12.WAV": track("other"),
        "S/SC12_1.WAV": track("F"),
        "S/SC12_2.WAV": track("F"),
    }
    assert set(spans(confirmed(facts))) == {"SC12", "SC12_1"}


def test_an_image_sequence_is_never_split() -> None:
    """Its frames are no spans."""
    facts = {f"S/f_{number:04}.dpx": span("10:00:00:00", 1) for number in range(5)}
    assert len(confirmed(facts).clips) == 1


def test_hostile_names_are_harmless_in_what_is_said() -> None:
    """A line break in a span's name."""
    bundle = "N\n1.XYZ/N\n1"
    facts = {f"{bundle}_001.R3D": span("10:00:00:00"), f"{bundle}_002.R3D": span("11:00:00:00")}
    (words,) = confirmed(facts).said.values()
    assert words.isprintable()
