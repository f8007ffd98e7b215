"""A device's clock laid against the takes of the day: offset, drift, and when nothing is known."""

import itertools
import random

import pytest

from ingest.slate.matching import Stretch, align
from ingest.slate.matching.assignment import assign
from ingest.slate.matching.stretches import stretches


def test_when_three_clips_fit_three_takes_then_the_offset_is_that_of_the_worked_example():
    """By hand: takes at 36000, 36300 and 37500 s (10:00:00, 10:05:00, 10:25:00), 40, 60 and 90 s
    long. A camera 3 min 12 s slow shows 35808, 36108 and 37308. Its fourth clip, at 36600 of its
    own clock, is no take: 36792 lies between 36360 and 37500. Each true pair's difference is
    192 s; of the nine others no two are equal (the takes are 300 and 1200 s apart)."""
    takes = [Stretch(36000, 40), Stretch(36300, 60), Stretch(37500, 90)]
    clips = [Stretch(35808, 40), Stretch(36108, 60), Stretch(36600, 20), Stretch(37308, 90)]
    found = align(clips, takes)
    assert found is not None
    assert found.offset == pytest.approx(192)
    assert found.spread == pytest.approx(0)
    assert [(pair.clip, pair.take) for pair in found.pairs] == [(0, 0), (1, 1), (3, 2)]
    assert found.moved(36108) == pytest.approx(36300)


def _day(chance, count=60):
    starts = sorted(chance.uniform(0, 36_000) for _ in range(count))
    return [Stretch(start, chance.uniform(10, 120)) for start in starts]


@pytest.mark.parametrize("error", [0.0, 192.0, -3600.0, 3617.0, -86_400.0, 7_200.5])
def test_when_a_clock_is_wrong_by_seconds_a_zone_or_a_day_then_the_offset_is_found(error):
    """A third of the takes has no clip, a third of the clips no take, buttons 2 s apart."""
    chance = random.Random(f"offset {error}")
    takes = _day(chance)
    clips = [
        Stretch(take.start - error + chance.uniform(-1, 1), take.length)
        for take in takes
        if chance.random() > 0.3
    ]
    clips += [Stretch(chance.uniform(0, 36_000) - error, 15.0) for _ in range(20)]
    found = align(clips, takes)
    assert found is not None and found.is_sure
    assert found.offset == pytest.approx(error, abs=0.5)


def test_when_a_clock_drifts_then_both_ends_of_the_day_fit():
    """Ten seconds a day, and what is left at either end is less than half a second."""
    chance = random.Random("drift")
    takes = _day(chance, 120)
    slope = 10 / 86_400
    clips = [Stretch(take.start - 50 - slope * take.start, take.length) for take in takes]
    found = align(clips, takes)
    assert found is not None
    assert found.drift == pytest.approx(slope, rel=0.1)
    for clip, take in zip(clips, takes, strict=True):
        assert found.moved(clip.start) == pytest.approx(take.start, abs=0.5)


def test_when_takes_come_at_even_times_then_the_alignment_is_not_sure():
    """Every five minutes, all of one length: many offsets fit as well."""
    takes = [Stretch(300.0 * place, 30) for place in range(20)]
    clips = [Stretch(300.0 * place + 7, 30) for place in range(10)]
    found = align(clips, takes)
    assert found is not None
    assert not found.is_sure


def test_when_there_is_nothing_to_lay_on_then_nothing_is_found():
    """No takes, or no clips."""
    assert align([Stretch(0, 1)], []) is None
    assert align([], [Stretch(0, 1)]) is None


def test_when_a_clock_is_set_anew_then_each_stretch_has_its_own_offset():
    """At midday the camera's clock jumps by 72 minutes."""
    chance = random.Random("anew")
    takes = _day(chance, 80)
    clips = [
        Stretch(take.start - (100 if place < 40 else 4420), take.length)
        for place, take in enumerate(takes)
    ]
    found = stretches(clips, takes, {})
    assert [round(alignment.offset) for _, alignment in found] == [100, 4420]
    assert [len(part) for part, _ in found] == [40, 40]


@pytest.mark.parametrize("seed", range(40))
def test_when_small_then_the_assignment_is_the_best_of_all(seed):
    """Against trying every one of them."""
    chance = random.Random(f"assign {seed}")
    rows, columns = chance.randint(1, 5), chance.randint(1, 5)
    scores = {
        (row, column): chance.uniform(-0.2, 3)
        for row in range(rows)
        for column in range(columns)
        if chance.random() < 0.7
    }
    chosen = assign(scores)
    assert len(set(chosen.values())) == len(chosen)
    best = 0.0
    places = [*range(columns), *[None] * rows]
    for some in set(itertools.permutations(places, rows)):
        worth = sum(
            max(0.0, scores.get((row, column), 0.0))
            for row, column in enumerate(some)
            if column is not None
        )
        best = max(best, worth)
    assert sum(scores[pair] for pair in chosen.items()) == pytest.approx(best)
