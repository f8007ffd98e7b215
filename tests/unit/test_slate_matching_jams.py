"""Timecode that was never jammed, a zone that all cameras share, a gap in a log's numbers."""

from dataclasses import replace
from datetime import datetime, timedelta
from fractions import Fraction

import pytest

from ingest.catalog.records import Clip, ClipFile, ClipRole, Roll, SlateRow, Sure
from ingest.media.facts import AudioTrack, ClipFacts, ClipKind, SoundNotes
from ingest.slate.matching import match

NINE = 9 * 3600
TAKES = [
    (at, length)
    for at, length in zip(
        range(0, 2400, 240), (31, 58, 44, 90, 22, 67, 39, 75, 52, 28), strict=True
    )
]
"""Ten takes, starts and lengths in seconds after nine o'clock."""


def label(seconds):
    frames = round(seconds * 25)
    return ":".join(f"{part:02}" for part in (*_clock(frames // 25), frames % 25))


def _clock(seconds):
    return seconds // 3600, seconds // 60 % 60, seconds % 60


def stamp(seconds):
    return f"{datetime(2026, 3, 14) + timedelta(seconds=seconds):%Y-%m-%d %H:%M:%S}"


def sounds():
    """The recorder's files: its clock is right, its timecode is the time of day."""
    return [
        Clip(
            100 + place,
            Roll(9, "Saltmarsh", "S01", 1, "2026-03-14", None, "S"),
            f"T{place:02}",
            (ClipFile(f"T{place:02}.WAV", ClipRole.SPAN),),
            ClipFacts(
                kind=ClipKind.SOUND,
                duration_seconds=Fraction(length),
                recorded=stamp(NINE + at),
                sound=SoundNotes(
                    scene="12", take=str(place), time_reference=(NINE + at) * 48_000,
                    timecode_rate=Fraction(25),
                ),
                audio=(),
            ),
            None,
        )
        for place, (at, length) in enumerate(TAKES, 1)
    ]  # fmt: skip


def with_rate(clips):
    """The sample rate stands in the audio track."""
    track = AudioTrack(channels=2, sample_rate=48_000)
    return [replace(clip, facts=replace(clip.facts, audio=(track,))) for clip in clips]


def camera(letter, *, timecode=None, clock=None, first=1):
    """A camera that rolls a second after the sound and cuts a second before it.

    `timecode` and `clock`: seconds by which they are ahead; None: it has none.
    """
    return [
        Clip(
            first + place,
            Roll(ord(letter), "Saltmarsh", f"{letter}001", 1, "2026-03-14", letter, letter),
            f"C{place + 1:04}",
            (ClipFile(f"C{place + 1:04}.MOV", ClipRole.SPAN),),
            ClipFacts(
                kind=ClipKind.PICTURE,
                frame_rate=Fraction(25),
                duration_frames=(length - 2) * 25,
                duration_seconds=Fraction(length - 2),
                start_timecode=None if timecode is None else label(NINE + at + 1 + timecode),
                recorded=None if clock is None else stamp(NINE + at + 1 + clock),
            ),
            None,
        )
        for place, (at, length) in enumerate(TAKES)
    ]


def test_when_timecode_ran_free_but_was_never_jammed_then_its_jam_is_worked_out():
    """Two hours, 9 min and 3 s ahead of the sound's: every clip is sure, by its timecode alone."""
    found = match(with_rate(sounds()) + camera("A", timecode=7743), [])
    links = {link.clip_id: link for link in found.links if link.clip_id < 100}
    assert {number: link.take for number, link in links.items()} == {
        number: str(number) for number in range(1, 11)
    }
    assert all(link.sure is Sure.SURE for link in links.values())
    assert all("timecode shared" in link.basis for link in links.values())
    (jam,) = found.timecodes
    assert jam.device == "A"
    assert jam.behind == pytest.approx(-7743, abs=0.1)
    assert len(jam.clip_ids) == 10


def test_when_timecode_is_shared_then_the_clock_is_told_without_buttons():
    """The clock stands 3 min 12 s behind; the camera rolled a second late, and that isn't in it."""
    found = match(with_rate(sounds()) + camera("A", timecode=0, clock=-192), [])
    (clock,) = found.clocks
    assert clock.slow == pytest.approx(192, abs=0.1)
    assert clock.within <= 1.0
    assert clock.is_sure
    assert not found.timecodes


def test_when_the_sound_rolls_first_and_cuts_last_then_the_middle_tells_the_clock():
    """No timecode: a second late and a second early cancel, and the doubt holds that second."""
    found = match(with_rate(sounds()) + camera("B", clock=40), [])
    (clock,) = found.clocks
    assert clock.slow == pytest.approx(-40, abs=0.1)
    assert 1.0 <= clock.within <= 3.0


def test_when_all_cameras_are_an_hour_off_alike_then_the_zone_is_asked_about():
    """Not each clock is told to be an hour slow: what is left of it is."""
    clips = with_rate(sounds()) + camera("A", clock=-3600) + camera("B", clock=-3630, first=21)
    found = match(clips, [])
    (doubt,) = found.zones
    assert (doubt.day, doubt.seconds, doubt.devices) == (1, 3600, ("A", "B"))
    assert {clock.device: round(clock.slow) for clock in found.clocks} == {"A": 0, "B": 30}


def test_when_a_camera_is_the_measure_and_an_hour_wrong_then_the_zone_is_not_asked_about():
    """No sound and no times in the log: the others are held against camera A, which is wrong."""
    rows = rows_of(*((str(at), at) for at in range(1, 11)))
    clips = (
        camera("A", clock=3600) + camera("B", clock=0, first=21) + camera("C", clock=5, first=41)
    )
    found = match(clips, rows)
    assert {clock.against for clock in found.clocks} == {"the clock of camera A"}
    assert not found.zones


def test_when_a_third_camera_is_an_hour_further_off_then_that_hour_is_its_own():
    """Two of three share the hour: it is taken off all three."""
    clips = with_rate(sounds()) + camera("A", clock=-3600) + camera("B", clock=-3630, first=21)
    found = match(clips + camera("D", clock=-7200, first=41), [])
    (doubt,) = found.zones
    assert doubt.devices == ("A", "B")
    assert {clock.device: round(clock.slow) for clock in found.clocks} == {
        "A": 0, "B": 30, "D": 3600,
    }  # fmt: skip


def test_when_one_of_two_cameras_is_an_hour_off_then_it_is_that_clock():
    """The other is right: nothing is asked about the zone."""
    clips = with_rate(sounds()) + camera("A", clock=-3600) + camera("B", clock=0, first=21)
    found = match(clips, [])
    assert not found.zones
    assert {clock.device: round(clock.slow) for clock in found.clocks} == {"A": 3600, "B": 0}


def test_when_two_sound_files_bear_one_take_then_neither_is_sure():
    """Somebody forgot to count on: the recorder's word alone doesn't say on which."""
    clips = with_rate(sounds())
    notes = replace(clips[4].facts.sound, take="4")
    clips[4] = replace(clips[4], facts=replace(clips[4].facts, sound=notes))
    links = {link.clip_id: link for link in match(clips, []).links}
    assert {links[104].sure, links[105].sure} == {Sure.LIKELY}
    assert "bears the same take" in links[105].basis
    assert links[103].sure is Sure.SURE


def rows_of(*takes):
    return [
        SlateRow(
            "12", take, day=1, camera="A", roll="A001", clip=f"C{clip:04}", log="d.csv", row=at
        )
        for at, (take, clip) in enumerate(takes, 2)
    ]


def test_when_numbers_and_clips_lack_as_many_then_the_rows_beside_the_gap_are_sure():
    """Take 3 was never written down, and C0003 has no row: both counters say so."""
    rows = rows_of(("1", 1), ("2", 2), ("4", 4), ("5", 5), ("6", 6))
    links = {link.clip_id: link.sure for link in match(camera("A"), rows).links}
    assert {links[number] for number in (1, 2, 4, 5)} == {Sure.SURE}


def test_when_only_the_numbers_have_a_gap_then_its_neighbours_stay_likely():
    """No clip is left for take 3: the number may be the slip."""
    rows = rows_of(("1", 1), ("2", 2), ("4", 3), ("5", 4))
    links = {link.clip_id: link.sure for link in match(camera("A"), rows).links}
    assert (links[2], links[3]) == (Sure.LIKELY, Sure.LIKELY)
