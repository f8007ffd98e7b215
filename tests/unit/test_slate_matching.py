"""Clips linked to takes: on what basis, how surely, and what is shown as a conflict."""

from dataclasses import replace
from fractions import Fraction

import pytest

from ingest.catalog.records import (
    Clip,
    ClipFile,
    ClipRole,
    Rating,
    Roll,
    SlateRow,
    Sure,
    TakeLink,
)
from ingest.media.facts import AudioTrack, ClipFacts, ClipKind, SoundNotes
from ingest.slate.matching import match
from ingest.slate.timing import Span, clip_span, free_running, holds_label, overlap

FILM = Fraction(24000, 1001)


def picture(number, name, roll="A001", camera="A", day=1, start=None, seconds=40, rate=FILM):
    """A picture clip; `start` is its timecode."""
    return Clip(
        id=number,
        roll=Roll(hash(roll) % 1000, "Saltmarsh", roll, day, f"2026-03-1{day}", camera, "card"),
        name=name,
        files=(ClipFile(f"CLIP/{name}.MOV", ClipRole.SPAN),),
        facts=ClipFacts(
            kind=ClipKind.PICTURE,
            frame_rate=rate,
            duration_seconds=Fraction(seconds),
            start_timecode=start,
        ),
        poster=None,
    )


def sound(number, name, scene, take, start, seconds=60, day=1, roll="S01", **notes):
    """A sound file; `start` is hours, minutes, seconds of its timecode at 24000/1001."""
    hours, minutes, rest = (int(part) for part in start.split(":"))
    frames = ((hours * 60 + minutes) * 60 + rest) * 24
    return Clip(
        id=number,
        roll=Roll(900 + day, "Saltmarsh", roll, day, f"2026-03-1{day}", None, "recorder"),
        name=name,
        files=(ClipFile(f"{name}.WAV", ClipRole.SPAN),),
        facts=ClipFacts(
            kind=ClipKind.SOUND,
            duration_seconds=Fraction(seconds),
            audio=(AudioTrack(channels=2, sample_rate=48000),),
            sound=SoundNotes(
                scene=scene,
                take=take,
                timecode_rate=FILM,
                time_reference=frames * 2002,
                **notes,
            ),
        ),
        poster=None,
    )


def row(scene, take, number=2, **rest):
    return SlateRow(scene, take, log="day1.csv", row=number, **rest)


def links_of(matching):
    return {(link.clip_id, link.scene, link.take): link.sure for link in matching.links}


def kinds(matching):
    return [conflict.kind for conflict in matching.conflicts]


# By name ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("clip", "rest", "sure"),
    [
        ("C0003", {"roll": "A001"}, Sure.SURE),
        ("c0003.mov", {"roll": "a1"}, Sure.SURE),
        ("A001/C0003", {}, Sure.SURE),
        ("A001C0003", {}, Sure.SURE),
        ("C0003", {"camera": "Cam A", "day": 1}, Sure.SURE),
        ("3", {"roll": "A001"}, Sure.SURE),
        ("0003", {"camera": "A", "roll": "1"}, Sure.SURE),
        ("C0003", {}, Sure.LIKELY),
        ("C0003", {"day": 1}, Sure.LIKELY),
        ("C0003", {"camera": "A"}, Sure.LIKELY),
    ],
)
def test_when_a_row_names_its_clip_then_name_and_roll_make_it_sure(clip, rest, sure):
    """A name alone is likely; with roll, or camera and day, it is sure."""
    found = match([picture(1, "C0003")], [row("12A", "3", clip=clip, **rest)])
    assert links_of(found) == {(1, "12A", "3"): sure}
    assert not found.rows_without_clip
    assert not found.conflicts
    assert "day1.csv row 2" in found.links[0].basis


def test_when_only_the_last_digits_are_logged_then_the_link_is_likely():
    """The end of a number may be another clip's end too."""
    found = match([picture(1, "C1045")], [row("12A", "3", clip="045", roll="A001")])
    assert links_of(found) == {(1, "12A", "3"): Sure.LIKELY}


def test_when_names_repeat_on_a_second_card_then_the_roll_decides():
    """Many cameras start every card at C0001."""
    clips = [picture(1, "C0001", "B001", "B"), picture(2, "C0001", "B002", "B")]
    found = match(clips, [row("12A", "3", clip="C0001", roll="B002")])
    assert links_of(found) == {(2, "12A", "3"): Sure.SURE}


def test_when_a_repeated_name_has_no_roll_then_nothing_is_guessed():
    """Both clips are named in the conflict, neither is linked."""
    clips = [picture(1, "C0001", "B001", "B"), picture(2, "C0001", "B002", "B")]
    found = match(clips, [row("12A", "3", clip="C0001", camera="B", day=1)])
    assert found.links == ()
    assert kinds(found) == ["which clip"]
    assert "B001/C0001 and B002/C0001" in found.conflicts[0].words
    assert len(found.rows_without_clip) == 1


def test_when_a_repeated_name_has_a_time_then_the_clip_that_ran_then_is_it():
    """Timecode tells the two C0001 apart."""
    clips = [
        picture(1, "C0001", "B001", "B", start="10:00:00:00"),
        picture(2, "C0001", "B002", "B", start="14:00:00:00"),
    ]
    logged = row("12A", "3", clip="C0001", camera="B", day=1, start_timecode="14:00:10:00")
    assert links_of(match(clips, [logged])) == {(2, "12A", "3"): Sure.SURE}


def test_when_the_named_clip_is_on_another_roll_then_it_is_said_not_linked():
    """A slip of the roll is shown, not mended."""
    clips = [picture(1, "C0003", "A002"), picture(2, "C0001", "A001")]
    found = match(clips, [row("12A", "3", clip="C0003", roll="A001")])
    assert found.links == ()
    assert kinds(found) == ["wrong roll"]
    assert "A002/C0003" in found.conflicts[0].words


def test_when_the_named_roll_has_not_come_in_then_the_row_is_open_and_no_conflict():
    """Clip names repeat from card to card: one of another roll says nothing against the log."""
    logged = row("12A", "3", clip="C0003", roll="A001")
    found = match([picture(1, "C0003", "A002")], [logged])
    assert found.links == ()
    assert found.conflicts == ()
    assert found.rows_without_clip == (logged,)


def test_when_a_clip_holds_a_series_then_it_gets_every_take():
    """Three rows naming one clip are no conflict."""
    rows = [row("12A", str(take), take + 1, clip="C0003", roll="A001") for take in (1, 2, 3)]
    found = match([picture(1, "C0003")], rows)
    assert [link.take for link in found.links] == ["1", "2", "3"]
    assert not found.conflicts


def test_when_two_rows_claim_one_clip_at_one_time_then_it_is_a_conflict():
    """Two takes can't run at once in one clip."""
    clip = picture(1, "C0003", start="10:00:00:00", seconds=120)
    times = [("10:00:00:00", "10:01:00:00"), ("10:00:30:00", "10:01:30:00")]
    rows = [
        row("12A", str(i), i + 1, clip="C0003", roll="A001", start_timecode=a, end_timecode=b)
        for i, (a, b) in enumerate(times, 1)
    ]
    found = match([clip], rows)
    assert kinds(found) == ["overlap"]
    assert {link.sure for link in found.links} == {Sure.LIKELY}


def test_when_the_logged_time_is_not_the_clips_then_it_is_a_conflict():
    """The log says ten, the clip ran at two."""
    clip = picture(1, "C0003", start="14:00:00:00")
    logged = row("12A", "3", clip="C0003", roll="A001", start_timecode="10:00:00:00")
    found = match([clip], [logged])
    assert kinds(found) == ["time"]
    assert links_of(found) == {(1, "12A", "3"): Sure.LIKELY}


def test_when_two_scenes_claim_one_clip_then_it_is_asked_which_number_is_wrong():
    """A slipped clip number is the usual reason."""
    rows = [row("12A", "3", 2, clip="C3", roll="A001"), row("14", "1", 3, clip="C3", roll="A001")]
    assert kinds(match([picture(1, "C0003")], rows)) == ["scene"]


@pytest.mark.parametrize(
    ("log", "said"),
    [("day1.csv", "day1.csv row 2 and row 2 put"), ("B.csv", "day1.csv row 2 and B.csv row 2 put")],
)
def test_when_the_rows_stand_in_two_logs_then_both_are_named(log: str, said: str) -> None:
    """A row's number alone finds nothing in a second file."""
    one, other = row("12A", "3", clip="C3", roll="A001"), row("14", "1", clip="C3", roll="A001")
    (conflict,) = match([picture(1, "C0003")], [one, replace(other, log=log)]).conflicts
    assert conflict.words.startswith(said)


# By the recorder ----------------------------------------------------------------------------


def test_when_the_recorder_names_the_take_then_the_sound_is_sure_and_rated_by_the_log():
    """The file's own iXML, with shot and rating from the log's row of that take."""
    logged = row("012a", "03", shot="7", rating=Rating.CIRCLED, clip="C9", roll="A001")
    (link,) = match([sound(1, "T003", "12A", "3", "10:00:00")], [logged]).links
    assert (link.sure, link.shot, link.rating) == (Sure.SURE, "7", Rating.CIRCLED)
    assert "iXML" in link.basis


def test_when_log_and_recorder_rate_a_take_oppositely_then_it_is_a_conflict():
    """Circled in one, no good in the other."""
    heard = sound(1, "T003", "12A", "3", "10:00:00", take_type=("NO_GOOD",))
    found = match([heard], [row("12A", "3", rating=Rating.CIRCLED)])
    assert kinds(found) == ["log or sound"]


def test_when_the_recorder_did_not_circle_then_that_is_no_conflict():
    """An absent CIRCLED means FALSE by the iXML specification; mixers seldom set it."""
    heard = sound(1, "T003", "12A", "3", "10:00:00", circled=False)
    assert not match([heard], [row("12A", "3", rating=Rating.CIRCLED)]).conflicts


def test_when_the_sound_at_a_clips_timecode_is_another_take_then_it_is_a_conflict():
    """12A logged as 12B for one take: the letter slip."""
    clips = [
        picture(1, "C0003", start="10:00:05:00"),
        sound(2, "T003", "12A", "3", "10:00:00"),
    ]
    found = match(clips, [row("12B", "3", clip="C0003", roll="A001")])
    assert kinds(found) == ["log or sound"]
    assert "12B take 3" in found.conflicts[0].words
    assert "12A take 3" in found.conflicts[0].words
    assert links_of(found)[1, "12B", "3"] is Sure.LIKELY


def test_when_one_sound_file_ran_through_a_series_then_it_holds_every_logged_take():
    """It bears the first take's name and one flag for all: no conflict with the others."""
    times = [("1", "10:00:05:00", "10:00:20:00"), ("2", "10:00:25:00", "10:00:50:00")]
    rows = [
        row("12A", take, start_timecode=start, end_timecode=end, day=1, rating=rating)
        for (take, start, end), rating in zip(times, (Rating.NG, Rating.CIRCLED), strict=True)
    ]
    found = match([sound(1, "T001", "12A", "1", "10:00:00", circled=True)], rows)
    assert links_of(found) == {(1, "12A", "1"): Sure.SURE, (1, "12A", "2"): Sure.LIKELY}
    assert not found.conflicts


# By timecode --------------------------------------------------------------------------------


def test_when_nothing_names_a_clip_then_shared_timecode_with_one_sound_file_makes_it_sure():
    """Unique, and more than half of the shorter of both."""
    clips = [
        picture(1, "C0003", start="10:00:05:00"),
        picture(2, "C0004", start="10:10:05:00"),
        sound(3, "T003", "12A", "3", "10:00:00"),
        sound(4, "T004", "12A", "4", "10:10:00"),
    ]
    found = links_of(match(clips, []))
    assert found[1, "12A", "3"] is Sure.SURE
    assert found[2, "12A", "4"] is Sure.SURE


def test_when_a_clip_shares_less_than_half_then_the_link_is_likely():
    """It may have been cut late."""
    clips = [picture(1, "C0003", start="10:00:45:00"), sound(2, "T003", "12A", "3", "10:00:00")]
    assert links_of(match(clips, []))[1, "12A", "3"] is Sure.LIKELY


def test_when_a_clip_runs_through_three_takes_then_it_is_a_series():
    """One clip, three sound files: three takes, each likely."""
    clips = [
        picture(1, "C0003", start="10:00:00:00", seconds=240),
        *(sound(1 + i, f"T{i}", "12A", str(i), f"10:0{i - 1}:05", seconds=40) for i in (1, 2, 3)),
    ]
    found = links_of(match(clips, []))
    assert {take: sure for (clip, _, take), sure in found.items() if clip == 1} == {
        "1": Sure.LIKELY,
        "2": Sure.LIKELY,
        "3": Sure.LIKELY,
    }


def test_when_a_row_has_times_and_no_clip_then_the_clip_that_ran_then_is_linked():
    """By the logged timecodes of the same camera and day."""
    clips = [
        picture(1, "C0003", start="10:00:05:00"),
        picture(2, "C0001", "B001", "B", start="10:00:06:00"),
    ]
    logged = row(
        "12A",
        "3",
        camera="B",
        day=1,
        start_timecode="10:00:00:00",
        end_timecode="10:00:50:00",
    )
    assert links_of(match(clips, [logged])) == {(2, "12A", "3"): Sure.SURE}


def test_when_only_a_start_is_logged_then_the_link_is_likely():
    """A moment can't cover more than half."""
    logged = row("12A", "3", camera="A", day=1, start_timecode="10:00:10:00")
    found = match([picture(1, "C0003", start="10:00:05:00")], [logged])
    assert links_of(found) == {(1, "12A", "3"): Sure.LIKELY}


def test_when_a_row_without_a_day_fits_two_days_then_nothing_is_guessed():
    """The same time of day comes round every day."""
    clips = [
        picture(1, "C0003", start="10:00:05:00"),
        picture(2, "C0001", "A002", "A", day=2, start="10:00:06:00"),
    ]
    found = match(clips, [row("12A", "3", camera="A", start_timecode="10:00:10:00")])
    assert found.links == ()
    assert kinds(found) == ["which clip"]


def test_when_a_camera_counts_from_zero_in_each_clip_then_its_timecode_is_not_used():
    """Regenerated timecode fits the wrong takes."""
    clips = [
        picture(1, "C0001", start="00:00:00:00"),
        picture(2, "C0002", start="00:00:00:00"),
        sound(3, "T001", "12A", "1", "00:00:00"),
    ]
    found = match(clips, [])
    assert [clip.id for clip in found.clips_without_take] == [1, 2]


def test_when_a_cameras_timecode_contradicts_its_log_then_it_is_not_used():
    """A camera that was never jammed meets other takes' sound."""
    clips = [
        picture(1, "C0001", start="10:10:05:00"),
        picture(2, "C0002", start="10:20:05:00"),
        picture(3, "C0003", start="10:30:05:00"),
        *(sound(3 + i, f"T{i}", "12A", str(i), f"10:{i}0:00") for i in (1, 2, 3)),
    ]
    rows = [
        row("12A", "8", 2, clip="C0001", roll="A001"),
        row("12A", "9", 3, clip="C0002", roll="A001"),
    ]
    found = match(clips, rows)
    assert kinds(found) == ["timecode"]
    assert [clip.id for clip in found.clips_without_take] == [3]


def test_when_log_times_and_sound_name_different_takes_then_both_links_stay_open():
    """The person is asked; neither wins silently."""
    clips = [picture(1, "C0003", start="10:00:05:00"), sound(2, "T003", "12A", "3", "10:00:00")]
    logged = row(
        "12B", "3", camera="A", day=1, start_timecode="10:00:00:00", end_timecode="10:00:58:00"
    )
    found = match(clips, [logged])
    assert "log or sound" in kinds(found)
    of_picture = {scene: sure for (clip, scene, _), sure in links_of(found).items() if clip == 1}
    assert of_picture == {"12A": Sure.OPEN, "12B": Sure.OPEN}


# No conflicts -------------------------------------------------------------------------------


@pytest.mark.parametrize(("take", "take_type"), [("WT1", ()), ("1", ("WILD_TRACK",)), ("RT", ())])
def test_when_sound_is_wild_then_no_picture_is_linked_and_nothing_conflicts(take, take_type):
    """A camera that happened to run holds no wild track."""
    clips = [
        picture(1, "C0003", start="10:00:05:00"),
        sound(2, "T003", "12A", take, "10:00:00", take_type=take_type),
    ]
    found = match(clips, [])
    assert [link.clip_id for link in found.links] == [2]
    assert not found.conflicts


def test_when_a_wild_track_is_circled_and_not_there_then_it_is_listed_without_conflict():
    """Wild tracks are never conflicts."""
    found = match([], [row("12A", "WT2", rating=Rating.CIRCLED)])
    assert len(found.rows_without_clip) == 1
    assert not found.conflicts


def test_when_a_mos_clip_meets_another_takes_sound_then_nothing_conflicts():
    """The recorder went on with something else."""
    clips = [picture(1, "C0003", start="10:00:05:00"), sound(2, "T003", "12A", "3", "10:00:00")]
    found = match(clips, [row("15", "1", clip="C0003", roll="A001", mos=True)])
    assert not found.conflicts
    assert links_of(found)[1, "15", "1"] is Sure.SURE


def test_when_a_drone_has_no_timecode_then_it_is_told_as_a_clip_without_take():
    """Told, not guessed."""
    found = match([picture(1, "DR_0001", "D001", None)], [])
    assert [clip.id for clip in found.clips_without_take] == [1]


# Absence and the hand -----------------------------------------------------------------------


def test_when_a_circled_take_has_no_clip_then_it_is_a_conflict_and_its_row_is_unmet():
    """The worst thing a log can show: perhaps its card never came in."""
    found = match([], [row("12A", "3", rating=Rating.CIRCLED, camera="A", clip="C0009")])
    assert kinds(found) == ["no clip"]
    assert len(found.rows_without_clip) == 1


def test_when_a_camera_row_has_only_sound_then_it_is_still_unmet():
    """Sound alone does not bring the picture."""
    found = match([sound(1, "T003", "12A", "3", "10:00:00")], [row("12A", "3", camera="A")])
    assert len(found.rows_without_clip) == 1


def test_when_a_link_was_set_by_hand_then_nothing_else_is_said_of_that_clip():
    """The person's word beats the log."""
    hand = TakeLink(1, "99", "1", None, None, Sure.SURE, "set by hand by ines", by_hand=True)
    found = match([picture(1, "C0003")], [row("12A", "3", clip="C0003", roll="A001")], [hand])
    assert found.links == (hand,)


def test_when_a_row_names_a_missing_clip_and_a_hand_says_which_then_it_is_met():
    """A wrong clip number in the log, put right by `slate set`."""
    hand = TakeLink(1, "12A", "3", None, None, Sure.SURE, "set by hand by ines", by_hand=True)
    found = match([picture(1, "C0003")], [row("12A", "3", clip="C0099", roll="A001")], [hand])
    assert not found.rows_without_clip


def test_when_the_same_is_matched_twice_then_it_comes_out_the_same():
    """No order of sets or dicts in it."""
    clips = [picture(1, "C0003", start="10:00:05:00"), sound(2, "T003", "12A", "3", "10:00:00")]
    rows = [row("12A", "3", camera="A", day=1, start_timecode="10:00:00:00")]
    assert match(clips, rows) == match(clips, rows)


# Time ---------------------------------------------------------------------------------------


def test_when_sound_and_picture_have_one_label_then_their_spans_start_together():
    """A time reference counts labels in real seconds (EBU Tech 3285 for the field): at 24000/1001
    one frame is 2002 samples at 48 kHz, so 10:00:00:00 is 864000 x 2002 = 1729728000 samples,
    36036 s, not 36000 (worked by hand)."""
    heard = clip_span(sound(1, "T", "1", "1", "10:00:00"))
    seen = clip_span(picture(2, "C", start="10:00:00:00"))
    assert heard.start == seen.start == 36_036_000_000


def test_when_spans_meet_over_midnight_then_they_overlap():
    """A clip that runs on into the next day's labels."""
    late = clip_span(picture(1, "C", start="23:59:50:00", rate=Fraction(25)))
    early = clip_span(picture(2, "D", start="00:00:05:00", rate=Fraction(25)))
    assert overlap(late, early) == overlap(early, late) == 25_000_000


def test_when_a_camera_records_its_count_only_while_running_then_it_is_not_free_running():
    """Each clip starts where the last one ended."""
    starts = ["01:00:00:00", "01:00:40:00", "01:01:20:00"]
    clips = [picture(i, f"C{i}", start=s, rate=Fraction(25)) for i, s in enumerate(starts)]
    assert free_running(clips) == frozenset()


def test_when_a_frame_is_asked_for_then_the_clip_that_holds_it_says_so():
    """From the first frame to the last, not one more."""
    clip = picture(1, "C", start="10:00:00:00", rate=Fraction(25))
    assert holds_label(clip, "10:00:39:24")
    assert not holds_label(clip, "10:00:40:00")
    assert not holds_label(clip, "09:59:59:24")


def test_when_a_clip_was_shot_off_speed_then_its_timecode_is_not_compared():
    """Slow motion runs its labels at another pace."""
    facts = ClipFacts(
        kind=ClipKind.PICTURE,
        frame_rate=Fraction(25),
        sensor_rate=Fraction(100),
        duration_seconds=Fraction(10),
        start_timecode="10:00:00:00",
    )
    clip = Clip(1, Roll(1, "P", "A001", 1, "2026-03-14", "A", "c"), "C1", (), facts, None)
    assert clip_span(clip) is None
    assert overlap(Span(0, 10), Span(10, 20)) == 0
