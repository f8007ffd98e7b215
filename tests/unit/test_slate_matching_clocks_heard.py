"""A clock told by sound: which clips are worth hearing, and what their lags make of the offset."""

from collections.abc import Mapping
from dataclasses import replace

import pytest

from ingest.catalog.records import Sure
from ingest.slate.matching import match
from ingest.slate.matching.by_waveform import Sounded, pairs, weigh
from ingest.slate.matching.clocks import RECORDER
from tests.helpers.unseen_days import KINDS, unseen_day

SKEWED = replace(
    next(kind for kind in KINDS if kind.name == "sound alone, loose buttons, clocks that drift"),
    name="one button after another, scratch tracks",
    clocks=("minutes", "hour", "minutes", "minutes"),
)


def heard_of(day, wanted) -> Mapping[tuple[int, int], Sounded]:
    """What the waveforms of these pairs say: the same where they hold one take, and when."""
    return {
        (picture, sound): Sounded(True, day.began[sound] - day.began[picture])
        if day.truth[picture] & day.truth[sound]
        else Sounded(False)
        for picture, sound in wanted
    }


@pytest.fixture(scope="module")
def day():
    return unseen_day(3, SKEWED)


def test_when_scratch_tracks_are_heard_then_each_clock_is_told_to_half_a_second(day):
    """Starts and lengths leave the crew's lag in the offset; a few clips heard take it out."""
    found = match(day.clips, day.rows, modified=day.modified, zone=day.zone)
    wanted = pairs(day.clips, found)
    after = weigh(day.clips, found, heard_of(day, wanted))
    of = {clock.device: clock for clock in after.clocks if clock.against == RECORDER}
    for device in "ABC":  # the drone has no sound
        clock = of[device]
        error = abs(clock.slow - day.slow(clock.clip_ids, clock.against))
        assert error <= min(0.5, clock.within)
    before = {clock.device: clock.within for clock in found.clocks}
    assert all(of[device].within < before[device] for device in "ABC")


def test_when_a_clock_is_not_known_to_half_a_second_then_a_few_sure_clips_are_heard_too(day):
    """Eight a camera at most, spread over the day; none of a camera without sound."""
    found = match(day.clips, day.rows, modified=day.modified, zone=day.zone)
    sure = {link.clip_id for link in found.links if link.sure is Sure.SURE}
    letters = {clip.id: clip.roll.camera for clip in day.clips}
    heard = [letters[picture] for picture, _ in pairs(day.clips, found) if picture in sure]
    assert {letter: heard.count(letter) for letter in set(heard)} == {"A": 8, "B": 8, "C": 8}


def test_when_what_is_heard_does_not_agree_then_the_clock_stays(day):
    """Lags all over the place: music played back in every take."""
    found = match(day.clips, day.rows, modified=day.modified, zone=day.zone)
    wild = {pair: Sounded(True, 7.0 * place) for place, pair in enumerate(pairs(day.clips, found))}
    assert weigh(day.clips, found, wild).clocks == found.clocks
