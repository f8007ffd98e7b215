"""What is listened to, and what follows from it for a clip's links."""

from dataclasses import replace
from fractions import Fraction

import pytest

from ingest.catalog.records import Clip, ClipFile, ClipRole, Roll, SlateRow, Sure, TakeLink
from ingest.media.facts import AudioTrack, ClipFacts, ClipKind, SoundNotes
from ingest.slate.matching import match
from ingest.slate.matching.by_waveform import Sounded, pairs, weigh

SAME, OTHER, UNKNOWN = Sounded(True, 0.12), Sounded(False), Sounded(None)
SCRATCH = (AudioTrack(channels=1, sample_rate=48000),)


def picture(number, day=1, audio=SCRATCH):
    roll = Roll(day, "Saltmarsh", f"A00{day}", day, f"2026-03-1{day}", "A", "card")
    facts = ClipFacts(kind=ClipKind.PICTURE, frame_rate=Fraction(25), audio=audio)
    files = (ClipFile(f"C{number:04}.MOV", ClipRole.SPAN),)
    return Clip(number, roll, f"C{number:04}", files, facts, None)


def sound(number, take, day=1):
    roll = Roll(90 + day, "Saltmarsh", f"S0{day}", day, f"2026-03-1{day}", None, "card")
    notes = SoundNotes(scene="12", take=take)
    facts = ClipFacts(kind=ClipKind.SOUND, audio=SCRATCH, sound=notes)
    files = (ClipFile(f"R{number}.WAV", ClipRole.SPAN),)
    return Clip(number, roll, f"R{number}", files, facts, None)


def held(found, clip=1):
    return [(link.take, link.sure) for link in found.links if link.clip_id == clip]


def matched(clips, *links, rows=()):
    """A matching of which these links of pictures are the outcome."""
    found = match(clips, rows)
    return replace(
        found,
        links=(*found.links, *links),
        clips_without_take=tuple(
            clip for clip in clips if clip.facts.kind is ClipKind.PICTURE and not links
        ),
    )


def link(take, sure, by_hand=False, clip=1):
    return TakeLink(clip, "12", take, None, None, sure, "a ground", None, by_hand=by_hand)


def test_when_links_are_sure_or_by_hand_or_there_is_no_scratch_track_then_nothing_is_heard():
    """Only what is in doubt is worth the time, and only what has sound can be heard."""
    clips = [picture(1), sound(2, "1"), sound(3, "2")]
    assert pairs(clips, matched(clips, link("1", Sure.SURE))) == ()
    assert pairs(clips, matched(clips, link("1", Sure.SURE, by_hand=True))) == ()
    silent = [picture(1, audio=()), *clips[1:]]
    assert pairs(silent, matched(silent)) == ()


def test_when_a_link_is_in_doubt_then_the_sound_of_its_take_is_heard():
    """Of its day, and no wild track."""
    clips = [picture(1), sound(2, "1"), sound(3, "2"), sound(4, "1", day=2), sound(5, "WT1")]
    assert pairs(clips, matched(clips, link("1", Sure.LIKELY))) == ((1, 2),)
    assert pairs(clips, matched(clips, link("2", Sure.OPEN))) == ((1, 3),)
    assert set(pairs(clips, matched(clips))) == {(1, 2), (1, 3)}


@pytest.mark.parametrize("sure", [Sure.LIKELY, Sure.OPEN])
@pytest.mark.parametrize(("said", "then"), [(SAME, Sure.SURE), (OTHER, Sure.OPEN), (UNKNOWN, None)])
def test_when_the_sound_is_heard_then_the_link_rises_or_falls_or_stays(sure, said, then):
    """Confirmed, refuted, nothing to say."""
    clips = [picture(1), sound(2, "1")]
    found = weigh(clips, matched(clips, link("1", sure)), {(1, 2): said})
    assert held(found) == [("1", then or sure)]


def test_when_two_takes_are_open_and_one_agrees_then_the_other_goes():
    """And the basis tells of both."""
    clips = [picture(1), sound(2, "1"), sound(3, "2")]
    before = matched(clips, link("1", Sure.OPEN), link("2", Sure.OPEN))
    found = weigh(clips, before, {(1, 2): OTHER, (1, 3): SAME})
    assert held(found) == [("2", Sure.SURE)]
    (basis,) = (each.basis for each in found.links if each.clip_id == 1)
    assert basis == (
        "a ground; the waveforms agree with S01/R3, which starts 3 frames after the picture; "
        "not 12 take 1: the waveforms differ from S01/R2"
    )


def test_when_several_takes_agree_then_none_becomes_surer():
    """Music played back sounds the same in every take."""
    clips = [picture(1), sound(2, "1"), sound(3, "2")]
    heard = {(1, 2): SAME, (1, 3): SAME}
    before = matched(clips, link("1", Sure.OPEN), link("2", Sure.LIKELY))
    assert held(weigh(clips, before, heard)) == [("1", Sure.OPEN), ("2", Sure.LIKELY)]
    assert held(weigh(clips, matched(clips), heard)) == [("1", Sure.OPEN), ("2", Sure.OPEN)]


def test_when_a_clip_without_a_take_agrees_then_it_is_likely_that_take_and_its_row_is_met():
    """One ground alone is no certainty."""
    row = SlateRow(log="day1.csv", row=2, scene="12", take="1", camera="A")
    clips = [picture(1), sound(2, "1")]
    before = replace(matched(clips), rows_without_clip=(row,))
    found = weigh(clips, before, {(1, 2): SAME})
    assert held(found) == [("1", Sure.LIKELY)]
    assert (found.clips_without_take, found.rows_without_clip) == ((), ())
    untouched = weigh(clips, before, {(1, 2): OTHER})
    assert held(untouched) == []
    assert untouched.rows_without_clip == (row,)


def test_when_a_person_set_the_link_then_it_stays():
    """Whatever was heard."""
    clips = [picture(1), sound(2, "1")]
    before = matched(clips, link("1", Sure.SURE, by_hand=True))
    assert set(weigh(clips, before, {(1, 2): OTHER}).links) == set(before.links)
