"""A clock told by sound: when its clips began is heard, to the sample, and no button is in it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace
from statistics import median

from ingest.catalog.records import Clip, Sure
from ingest.slate.matching.alignment import trimmed_mean
from ingest.slate.matching.clocks import RECORDER, ClockOffset
from ingest.slate.matching.whole import Matching

__all__ = ["heard_clocks", "worth_hearing"]

_CLOSE = 0.5
"""Seconds within which a clock is known well enough."""
_FEW = 8
"""Clips of a camera that are enough: whole seconds, cut, even out over them."""
_FEWEST = 3
_LEAST = 0.1
_CUT = 1.5
"""Seconds by which one clip may miss the others: its clock and the recorder's are told to the
second."""
_CHANCE = 1.1
"""Seconds by which the stamps of clip and sound differ by chance, 95 times of 100: they are cut."""
_QUARTER = 900


def worth_hearing(clips: Sequence[Clip], found: Matching) -> frozenset[int]:
    """Ids of a few clips with sound, spread over the day, of each camera whose clock isn't known
    to half a second."""
    sounding = {clip.id for clip in clips if clip.facts.audio}
    sure = {link.clip_id for link in found.links if link.sure is Sure.SURE}
    chosen: set[int] = set()
    for clock in found.clocks:
        if clock.within > _CLOSE and clock.against == RECORDER:
            some = [number for number in clock.clip_ids if number in sounding & sure]
            step = max(1, len(some) // _FEW)
            chosen.update(some[::step][:_FEW])
    return frozenset(chosen)


def heard_clocks(
    found: Matching, lags: Mapping[tuple[int, int], float | None]
) -> tuple[ClockOffset, ...]:
    """The clocks, those against the recorder's told by what was heard where that tells better.

    `lags`: by picture and sound file of one sound, the seconds by which the sound file starts
    after the picture. Pure.
    """
    apart: defaultdict[int, list[float]] = defaultdict(list)
    for (picture, sound), lag in lags.items():
        if lag is not None and picture in found.starts and sound in found.starts:
            apart[picture].append(found.starts[sound] - lag - found.starts[picture])
    told = []
    for clock in found.clocks:
        own = [value for number in clock.clip_ids for value in apart.get(number, ())]
        if clock.against != RECORDER or len(own) < _FEWEST:
            told.append(clock)
            continue
        middle = median(own)
        near = [value for value in own if abs(value - middle) <= _CUT]
        if 2 * len(near) <= len(own):  # the same sound in every take: music played back
            told.append(clock)
            continue
        within = _LEAST + _CHANCE / len(near) ** 0.5
        if within >= clock.within:
            told.append(clock)
            continue
        slow = trimmed_mean(near)
        slow -= _QUARTER * round((slow - clock.slow) / _QUARTER)  # as zones were left out of it
        told.append(replace(clock, slow=slow, within=within))
    return tuple(told)
