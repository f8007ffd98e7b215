"""What can't all be true: each kind is seen and named with its likely remedy, and nothing else."""

from dataclasses import replace
from fractions import Fraction

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
from ingest.media.facts import AudioTrack, ClipFacts, ClipKind, SoundNotes
from ingest.slate.conflicts import find_conflicts
from ingest.slate.pool import Conflict

HOUR = 3600 * 48_000


def picture(number, start="10:00:00:00", roll="A001", camera="A", serial=None, day=1):
    facts = ClipFacts(
        kind=ClipKind.PICTURE,
        frame_rate=Fraction(25),
        duration_seconds=Fraction(40),
        start_timecode=start,
        camera_serial=serial,
    )
    told = Roll(sum(map(ord, roll)), "Saltmarsh", roll, day, f"2026-03-{13 + day}", camera, "")
    return Clip(number, told, f"C{number:04}", (), facts, None)


def sound(number, scene="12A", take="3", seconds=0, **notes):
    facts = ClipFacts(
        kind=ClipKind.SOUND,
        duration_seconds=Fraction(44),
        audio=(AudioTrack(channels=1, sample_rate=48_000),),
        sound=SoundNotes(
            scene=scene,
            take=take,
            timecode_rate=Fraction(25),
            time_reference=10 * HOUR + seconds * 48_000,
            **notes,
        ),
    )
    return Clip(
        number, Roll(9, "Saltmarsh", "S001", 1, "2026-03-14", None, ""), "T01", (), facts, None
    )


def link(clip, scene="12A", take="3", by_hand=False, rating=None):
    return TakeLink(clip.id, scene, take, None, rating, Sure.SURE, "log", None, by_hand)


def row(scene="12A", take="3", number=5, **more):
    return SlateRow(scene, take, log="day1.csv", row=number, **more)


def kinds(*found, **more):
    return [conflict.kind for conflict in find_conflicts(*found, **more)]


def test_when_log_and_recorder_differ_by_a_letter_then_the_letter_is_the_likely_slip():
    """The recorder heard 12A; the log says 12B for this one take."""
    clip, heard = picture(1), sound(2)
    logged = row("12B")
    (found,) = find_conflicts([clip, heard], [logged], [link(clip, "12B"), link(heard)])
    assert (found.kind, found.clip_ids, found.rows) == ("log or sound", (1, 2), (logged,))
    assert "day1.csv row 5 says 12B take 3" in found.words
    assert "(S001/T01) says 12A take 3" in found.words
    assert "one letter is the likelier slip" in found.words
    assert found.do == ("if the slate in the picture says 12A take 3, write it into day1.csv row 5")


@pytest.mark.parametrize(
    ("logged", "heard", "set_by_hand"),
    [
        (row("12B", mos=True), sound(2), False),
        (row("12B"), sound(2, take="WT1"), False),
        (row("12B"), sound(2, take_type=("WILD_TRACK",)), False),
        (row("12B"), sound(2, take="RT"), False),
        (row("12B"), sound(2, seconds=30), False),
        (row("12B"), sound(2, scene="12b"), False),
        (row("12B"), sound(2), True),
    ],
)
def test_when_sound_is_not_of_the_take_then_it_is_no_conflict(logged, heard, set_by_hand):
    """MOS, wild track, room tone, sound that hardly ran with it, agreement, a link by hand."""
    clip = picture(1)
    links = [link(clip, "12B", by_hand=set_by_hand)]
    assert kinds([clip, heard], [logged], links) == []


def test_when_the_clip_is_a_series_then_sound_of_one_of_its_takes_agrees():
    """One of three is enough."""
    clip = picture(1)
    links = [link(clip, take=take) for take in "123"]
    assert kinds([clip, sound(2)], [row(take=take) for take in "123"], links) == []


def test_when_a_row_breaks_the_run_then_the_slip_is_shown_once_a_take():
    """Two cameras, one slip; not where a person has set that take by hand."""
    logged = [
        row("12A", "2", 4, camera="A"),
        row("12B", "3", 5, camera="A"),
        row("12B", "3", 6, camera="B"),
    ]
    (found,) = find_conflicts([], logged, [])
    assert found.kind == "slip"
    assert "day1.csv row 5 says 12B take 3 where 12A take 3 would follow" in found.words
    assert found.do == "if 12A take 3 was meant, write it into day1.csv row 5"
    clip = picture(1)
    assert kinds([clip], logged, [link(clip, "12B", by_hand=True)]) == []


def test_when_two_clips_of_one_letter_ran_together_then_two_cameras_bear_it():
    """On two rolls, at one time, one take."""
    one, other = picture(1), picture(2, "10:00:02:00", roll="A002")
    (found,) = find_conflicts([one, other], [], [link(one), link(other)])
    assert (found.kind, found.do) == ("same letter", "ingest rolls set A002 --camera LETTER")
    later = picture(2, "10:05:00:00", roll="A002")
    assert kinds([one, later], [], [link(one), link(later)]) == []
    b = picture(2, "10:00:02:00", roll="B001", camera="B")
    assert kinds([one, b], [], [link(one), link(b)]) == []


def test_when_two_bodies_of_one_letter_took_turns_then_it_is_asked():
    """By serial number; a body that was swapped once at noon is nobody's conflict."""
    turns = [
        picture(1, "10:00:00:00", serial="X1"),
        picture(2, "10:10:00:00", roll="A002", serial="Y2"),
        picture(3, "10:20:00:00", serial="X1"),
    ]
    (found,) = find_conflicts(turns, [], [])
    assert (found.kind, "serial X1 (A001) and Y2 (A002)" in found.words) == ("same letter", True)
    assert kinds(turns[:2], [], []) == []
    assert kinds([turns[0], replace(turns[1], roll=replace(turns[1].roll, day=2))], [], []) == []


def test_when_the_log_has_one_take_on_two_rolls_of_one_letter_then_it_is_asked():
    """With no times to tell; a false start or a pick-up is another matter."""
    one, other = row(camera="A", roll="A001"), row(number=6, camera="a", roll="A009")
    (found,) = find_conflicts([], [one, other], [])
    assert (found.kind, found.rows) == ("same letter", (one, other))
    assert kinds([], [one, replace(other, marks=(Mark.FALSE_START,))], []) == []
    assert kinds([], [one, replace(other, camera="B")], []) == []


def test_when_two_sounds_of_one_take_ran_together_then_it_is_asked_which():
    """Unless they are the tracks of one recording, by iXML's FAMILY_UID."""
    one, other = sound(1), sound(2, seconds=1)
    assert kinds([one, other], [], [link(one), link(other)]) == ["two sounds"]
    one, other = sound(1, family_uid="f"), sound(2, family_uid="f")
    assert kinds([one, other], [], [link(one), link(other)]) == []


def test_when_a_circled_take_has_one_camera_of_two_planned_then_it_is_shown():
    """B's card may still be in the camera."""
    clip, plan = picture(1), [PlannedShot("12A", "2", cameras=("A", "B"))]
    circled = [link(clip, rating=Rating.CIRCLED)]
    (found,) = find_conflicts([clip], [], circled, plan)
    assert found.kind == "one camera"
    assert "12A take 3 is circled on camera A alone; B was planned too" in found.words
    assert kinds([clip], [row(camera="B", rating=Rating.CIRCLED)], circled, plan) == []
    assert kinds([clip], [], [link(clip)], plan) == []


def test_when_a_conflict_is_known_already_then_it_is_not_told_twice():
    """Found on the way to the links, of the same kind and clips or rows."""
    clip, heard, logged = picture(1), sound(2), row("12B")
    given = ([clip, heard], [logged], [link(clip, "12B"), link(heard)])
    known = Conflict("log or sound", "told", (), (logged,))
    assert kinds(*given, known=[known]) == []
    assert kinds(*given, known=[replace(known, kind="time")]) == ["log or sound"]


def test_when_a_letter_reads_as_a_digit_then_it_is_asked_where_both_are_scenes():
    """Set-up letters leave out I and O (common practice, no source)."""
    logged = [row("121", "1", 2), row("12I", "1", 3), row("12I", "2", 4)]
    (found,) = find_conflicts([], logged, [])
    assert (found.kind, found.rows) == ("slip", (logged[1],))
    assert found.do == "if 121 was meant, write it into day1.csv row 3"
    assert kinds([], logged[1:], []) == []
    assert kinds([], logged[1:], [], [PlannedShot("121")]) == ["slip"]
