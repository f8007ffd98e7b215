"""Names of files, clocks as written, numbers out of order, and what is left between known links."""

from datetime import timedelta, timezone

import pytest

from ingest.catalog.records import Clip, ClipFile, ClipRole, Roll, SlateRow, Sure
from ingest.media.facts import ClipFacts, ClipKind, SoundNotes
from ingest.slate.matching import match
from ingest.slate.matching.by_pattern import read_name
from ingest.slate.matching.clocks import read_clock
from ingest.slate.matching.doubts import doubtful_numbers


def picture(number, name, folder="CLIP"):
    return Clip(
        id=number,
        roll=Roll(1, "Saltmarsh", "A001", 1, "2026-03-14", "A", "card"),
        name=name,
        files=(ClipFile(f"{folder}/{name}.MOV", ClipRole.SPAN),),
        facts=ClipFacts(kind=ClipKind.PICTURE),
        poster=None,
    )


def log(*takes):
    """Rows of camera A: scene, take, clip number or None."""
    return [
        SlateRow(
            scene,
            take,
            day=1,
            camera="A",
            roll="A001" if clip else None,
            clip=clip and f"C{clip:04}",
            log="day1.csv",
            row=place,
        )
        for place, (scene, take, clip) in enumerate(takes, 2)
    ]


def links_of(found):
    return {(link.clip_id, link.scene, link.take): link.sure for link in found.links}


@pytest.mark.parametrize(
    ("name", "told"),
    [("12A-3", ("12A", "3")), ("12A-3PU", ("12A", "3PU")), ("C0001", None), ("SKIM-1", None)],
)
def test_when_a_name_fits_the_pattern_then_scene_and_take_are_read(name, told):
    """The whole name counts, and a scene holds a digit."""
    assert read_name(name, "{scene}-{take}") == told


def test_when_a_file_or_its_folder_is_named_for_its_take_then_it_is_likely():
    """A name is typed by hand: alone it makes nothing sure."""
    clips = [picture(1, "12A-3"), picture(2, "C0002", folder="12B-1")]
    found = match(clips, [], names="{scene}-{take}")
    assert links_of(found) == {(1, "12A", "3"): Sure.LIKELY, (2, "12B", "1"): Sure.LIKELY}


@pytest.mark.parametrize(
    ("text", "zone", "seconds"),
    [
        ("1970-01-02 00:00:05", None, 86_405),
        ("1970:01:02 00:00:05+02:00", 1, 86_405 - 3600),
        ("UTC 1970-01-02 00:00:05", 1, 86_405 + 3600),
        ("1970-01-02T00:00:05.000000Z", 1, 86_405 + 3600),
        ("1970-01-02T00:00:05Z", None, 86_405),
        ("1970/01/02 00:00:05 UTC", None, 86_405),
    ],
)
def test_when_a_clock_is_read_then_a_stated_zone_is_turned_into_the_productions(
    text, zone, seconds
):
    """Worked by hand; without a zone of the production the time stays as written."""
    told = read_clock(text, None if zone is None else timezone(timedelta(hours=zone)))
    assert told == (seconds, False)


def test_when_a_text_is_no_time_then_no_clock_is_read():
    """A date alone, and a day that doesn't exist."""
    assert read_clock("2026-03-14") is None
    assert read_clock("yesterday") is None
    assert read_clock("2026-02-30 10:00:00") is None


def test_when_a_take_number_breaks_the_order_then_its_row_is_doubtful():
    """1, 2, 8, 4: the third row is a slip, and what follows it can't be told from one."""
    rows = log(("12", "1", 1), ("12", "2", 2), ("12", "8", 3), ("12", "4", 4), ("13", "1", 5))
    doubts = doubtful_numbers(rows)
    assert {2, 3} <= set(doubts)
    assert not {0, 1, 4} & set(doubts)


def test_when_a_row_breaks_the_order_then_its_link_is_likely_and_says_why():
    """Nothing else says which take it is."""
    rows = log(("12", "1", 1), ("12", "2", 2), ("12", "8", 3))
    found = match([picture(number, f"C{number:04}") for number in (1, 2, 3)], rows)
    assert links_of(found)[3, "12", "8"] is Sure.LIKELY
    (link,) = (link for link in found.links if link.clip_id == 3)
    assert "take 8 of its scene follows take 2" in link.basis


def test_when_another_clip_would_do_as_well_then_a_clip_number_is_no_proof():
    """C0003 has no take and stands beside C0002, which the row names."""
    rows = log(("12", "1", 1), ("12", "2", 2), ("12", "3", 4))
    found = match([picture(number, f"C{number:04}") for number in (1, 2, 3, 4)], rows)
    assert links_of(found)[2, "12", "2"] is Sure.LIKELY


def test_when_one_row_and_one_clip_are_left_between_links_then_they_are_likely_one():
    """Nothing but the order of the day says so; with two clips left nothing is guessed."""
    rows = log(("12", "1", 1), ("12", "2", None), ("12", "3", 3))
    clips = [picture(number, f"C{number:04}") for number in (1, 2, 3)]
    assert links_of(match(clips, rows))[2, "12", "2"] is Sure.LIKELY
    rows = log(("12", "1", 1), ("12", "2", None), ("12", "3", 4))
    clips = [picture(number, f"C{number:04}") for number in (1, 2, 3, 4)]
    assert {link.clip_id for link in match(clips, rows).links} == {1, 4}


def test_when_every_camera_skips_one_number_then_the_take_before_it_is_doubtful_too():
    """1, 2, 4: the second may be the third, and the second forgotten."""
    rows = log(("12", "1", 1), ("12", "2", 2), ("12", "4", 3), ("13", "1", 4))
    assert set(doubtful_numbers(rows)) == {1, 2}


def test_when_one_slate_is_wrong_then_it_is_doubtful_for_a_camera_that_missed_the_next():
    """12A take 1 logged as 12B for both cameras; only camera A rolled on take 2."""
    slates = (("12", "1", "AB"), ("12B", "1", "AB"), ("12A", "2", "A"), ("12A", "3", "AB"))
    rows = [
        SlateRow(scene, take, day=1, camera=camera, log="day1.csv", row=number)
        for number, (scene, take, cameras) in enumerate(slates, 2)
        for camera in cameras
    ]
    assert {row.camera for row in rows if row.scene == "12B"} == {
        rows[place].camera for place in doubtful_numbers(rows) if rows[place].scene == "12B"
    }
    assert not {place for place in doubtful_numbers(rows) if rows[place].scene == "12"}


def test_when_a_log_is_written_camera_by_camera_then_its_repeats_are_not_doubtful():
    """All of camera A, then all of camera B: takes come twice and nothing is wrong with them."""
    rows = [
        SlateRow("12", str(take), day=1, camera=camera, log="day1.csv", row=10 * at + take)
        for at, camera in enumerate("AB", 1)
        for take in (1, 2, 3)
    ]
    assert doubtful_numbers(rows) == {}


def test_when_take_numbers_leap_then_what_counts_on_from_there_is_doubtful():
    """1, 12, 13: the same slip of the pen twice looks like counting on."""
    rows = log(("12", "1", 1), ("12", "12", 2), ("12", "13", 3), ("13", "1", 4))
    assert set(doubtful_numbers(rows)) == {1, 2}


def test_when_a_picture_and_a_sound_file_bear_the_number_then_a_take_names_the_picture():
    """Recorders count too; only a wild track of that number is the sound file."""
    notes = SoundNotes(scene="12", take="1")
    sound = Clip(
        9,
        Roll(2, "Saltmarsh", "S01", 1, "2026-03-14", None, "card"),
        "R0001",
        (ClipFile("R0001.WAV", ClipRole.SPAN),),
        ClipFacts(kind=ClipKind.SOUND, sound=notes),
        None,
    )
    row = SlateRow("12", "1", clip="0001", log="day1.csv", row=2)
    found = match([picture(1, "C0001"), sound], [row])
    assert {link.clip_id for link in found.links if (link.scene, link.take) == ("12", "1")} == {
        1,
        9,
    }
    assert not found.conflicts
    assert not found.rows_without_clip
