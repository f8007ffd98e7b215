"""How far a device's clock is off: its clips laid against the takes of the day until they fit.

Every clip may be every take, so each pair votes for one offset, the more the better its lengths
agree. Where the votes crowd, the offset is tried: clips and takes are paired, one to one. The
offset with most support wins, as long as no other comes near it. Clips with no take, takes with
no clip, a clock a day or a zone wrong only cost votes; a drift is worked out from the pairs, as
the median of the slopes between them (H. Theil 1950, P. K. Sen 1968).
"""

from __future__ import annotations

import math
from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import median, pstdev

__all__ = ["Alignment", "Pair", "Stretch", "align", "drift_of", "trimmed_mean"]

_WINDOW = 10.0
"""Seconds between votes for one offset: how far apart people press their buttons."""
_NEAR = 20.0
"""Seconds by which a clip may miss its take's start or end."""
_STEADY = 5.0
"""Seconds of spread above which people's buttons can't be the reason."""
_SIGMA = 1.4826
"""From the median distance to a standard deviation, where errors are normal."""
_FEWEST = 5
"""Pairs that it needs to know how far apart buttons are pressed."""
_UNKNOWN_SPREAD = 1.5
_TRIED = 10
_FEWEST_FOR_DRIFT = 20
_SIGNIFICANT = 5.0
"""Standard errors of a slope from which on it isn't chance."""
_LONGEST_DRIFT = 30 / 86_400
"""Seconds a second: no clock of a camera that works drifts by more than 30 s a day."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """Something that ran: start in seconds on its own device's axis, length in seconds."""

    start: float
    length: float | None = None
    """None where only a start is known."""
    grain: float = 0.0
    """How coarse the start is told, in seconds: 60 for a clock without seconds."""
    weight: float = 1.0
    """How much its vote counts: less where it is said to be another camera's take."""


@dataclass(frozen=True, slots=True)
class Pair:
    """Clip and take by their places in what was given."""

    clip: int
    take: int
    apart: float
    """Seconds from the take's start to the clip's, after the offset."""


@dataclass(frozen=True, slots=True)
class Alignment:
    """Add `offset` to a clip's start and it stands on the takes' axis."""

    offset: float
    """Seconds, at `middle`."""
    drift: float
    """Seconds to add in each second after `middle` (of the clips' own axis)."""
    middle: float
    spread: float
    """Seconds: the median distance of the pairs from the offset."""
    lean: float
    """Seconds from a take's start to its clip's, and from the clip's end to the take's, on the
    median: half of what the takes are longer. 0 where ends aren't known."""
    pairs: tuple[Pair, ...]
    """Clips that support it, each with its take."""
    rival: float
    """Support of the next best offset, as a share of this one's: near 1, nothing is known."""

    def moved(self, start: float) -> float:
        """A time of the clips' axis on the takes' axis, in seconds."""
        return start + self.offset + self.drift * (start - self.middle)

    def at_places(self, places: Sequence[int]) -> Alignment:
        """The same, its clips counted as in the longer list that they were taken from."""
        pairs = tuple(replace(pair, clip=places[pair.clip]) for pair in self.pairs)
        return replace(self, pairs=pairs)

    @property
    def doubt(self) -> float:
        """Seconds either way within which chance leaves the offset, in 95 of 100 days."""
        many = max(1, len(self.pairs))
        spread = self.spread if many >= _FEWEST else max(self.spread, _UNKNOWN_SPREAD)
        chance = 2 * _SIGMA * spread * (1 + 2 / many) / math.sqrt(many)
        # Farther apart than people's buttons: something that isn't chance is in it.
        return chance + max(0.0, self.spread - _UNKNOWN_SPREAD)

    @property
    def is_sure(self) -> bool:
        """Enough pairs, close together, and no other offset explains as much by far."""
        return len(self.pairs) >= _FEWEST and self.rival <= 0.6 and self.spread <= _STEADY


def align(
    clips: Sequence[Stretch],
    takes: Sequence[Stretch],
    *,
    known: Mapping[int, Container[int]] | None = None,
    quarter_hours: bool = False,
    around: tuple[float, float] | None = None,
) -> Alignment | None:
    """The offset that lays most clips on takes, or None where nothing fits.

    `known`: by a clip's place the takes that something else, such as the log, says it holds:
    those pairs count double, and a wrong one does no harm. `quarter_hours`: with nothing else
    to go by, an offset near a whole quarter of an hour (a wrong zone) or near nothing is the
    likelier one. `around`: only offsets that lie about the first by up to
    the second, in seconds, are tried.
    """
    if not clips or not takes:
        return None
    told = known or {}
    nothing: Container[int] = ()
    votes = sorted(
        (take.start - clip.start, _likeness(clip, take) + (index in told.get(place, nothing)))
        for place, clip in enumerate(clips)
        for index, take in enumerate(takes)
        if around is None or abs(take.start - clip.start - around[0]) <= around[1]
    )
    # Half of them at least: a few takes told to the minute don't blur the rest.
    grain = median(each.grain for each in clips) + median(each.grain for each in takes)
    peaks = _peaks(votes, _WINDOW + grain)
    tried = [(*_support(clips, takes, peak, told), peak) for peak in peaks]
    if quarter_hours:
        tried = [(support + _plain(peak), pairs, peak) for support, pairs, peak in tried]
    tried.sort(key=lambda each: (-each[0], abs(each[2])))
    if not tried:
        return None
    best, pairs, offset = tried[0]
    if not pairs:
        return None
    others = (each for each in tried[1:] if abs(each[2] - offset) > 2 * (_WINDOW + grain))
    rival = max((support for support, _, _ in others), default=0.0)
    return _refined(clips, takes, offset, pairs, rival / best if best else 1.0)


def _likeness(clip: Stretch, take: Stretch) -> float:
    if clip.length is None or take.length is None:
        return 0.3 * take.weight
    return take.weight / (1 + ((clip.length - take.length) / 6) ** 2)


def _plain(offset: float) -> float:
    rest = abs(offset - 900 * round(offset / 900))
    return 0.4 / (1 + rest / 60)


def _peaks(votes: Sequence[tuple[float, float]], window: float) -> list[float]:
    """Offsets where the votes crowd most, the best first, none within a window of another."""
    crowds: list[tuple[float, float]] = []
    first, total, moment = 0, 0.0, 0.0
    for offset, weight in votes:
        total += weight
        moment += weight * offset
        while offset - votes[first][0] > window:
            total -= votes[first][1]
            moment -= votes[first][1] * votes[first][0]
            first += 1
        crowds.append((total, moment / total if total > 1e-9 else offset))
    crowds.sort(key=lambda each: -each[0])
    peaks: list[float] = []
    for _, offset in crowds:
        if all(abs(offset - known) > window for known in peaks):
            peaks.append(offset)
            if len(peaks) == _TRIED:
                break
    return peaks


def _support(
    clips: Sequence[Stretch],
    takes: Sequence[Stretch],
    offset: float,
    told: Mapping[int, Container[int]],
) -> tuple[float, list[Pair]]:
    """How much of the clips lies on takes at this offset, and which on which, one to one."""
    order = sorted(range(len(takes)), key=lambda place: takes[place].start)
    by_start = sorted(range(len(clips)), key=lambda place: clips[place].start)
    near: list[tuple[float, int, int, float]] = []
    low = 0
    for place in by_start:
        clip = clips[place]
        reach = _NEAR + clip.grain
        at = clip.start + offset
        while low < len(order) and takes[order[low]].start + takes[order[low]].grain < at - reach:
            low += 1
        for index in order[low:]:
            take = takes[index]
            if take.start > at + reach:
                break
            apart = at - take.start
            blur = 3.0 + (clip.grain + take.grain) / 2
            worth = _likeness(clip, take) + (index in told.get(place, ()))
            worth /= 1 + (apart / blur) ** 2
            near.append((worth, place, index, apart))
    near.sort(key=lambda each: -each[0])
    used_clips: set[int] = set()
    used_takes: set[int] = set()
    pairs, total = [], 0.0
    for worth, place, index, apart in near:
        if place in used_clips or index in used_takes or worth < 0.02:
            continue
        used_clips.add(place)
        used_takes.add(index)
        pairs.append(Pair(place, index, apart))
        total += worth
    return total, sorted(pairs, key=lambda pair: pair.clip)


def _refined(
    clips: Sequence[Stretch],
    takes: Sequence[Stretch],
    offset: float,
    pairs: list[Pair],
    rival: float,
) -> Alignment:
    middle = median(clips[pair.clip].start for pair in pairs)
    drift, error, spread = 0.0, 0.0, 0.0
    for _ in range(3):
        times = [clips[pair.clip].start for pair in pairs]
        gaps = _gaps(clips, takes, offset, pairs)
        drift = drift_of(times, gaps)
        flat = [gap - drift * (time - middle) for time, gap in zip(times, gaps, strict=True)]
        error = trimmed_mean(flat)
        spread = median(abs(each - error) for each in flat)
        grain = max(clips[pair.clip].grain + takes[pair.take].grain for pair in pairs)
        reach = max(4 * spread, 3.0) + grain / 2
        kept = [pair for pair, each in zip(pairs, flat, strict=True) if abs(each - error) <= reach]
        if len(kept) == len(pairs):
            break
        pairs = kept
    total = offset + error
    settled = tuple(
        Pair(
            pair.clip,
            pair.take,
            clips[pair.clip].start
            + total
            + drift * (clips[pair.clip].start - middle)
            - takes[pair.take].start,
        )
        for pair in pairs
    )
    return Alignment(total, drift, middle, spread, _lean(clips, takes, pairs), settled, rival)


def _gaps(
    clips: Sequence[Stretch], takes: Sequence[Stretch], offset: float, pairs: Sequence[Pair]
) -> list[float]:
    """What is to be added to the offset, by each pair's middles: a device that rolls first cuts
    last, so that half of both is nearer the truth than either. By its starts, and what middles
    differ from them on the median, where a length isn't known."""
    lean = _lean(clips, takes, pairs)
    gaps = []
    for pair in pairs:
        clip, take = clips[pair.clip], takes[pair.take]
        known = _longer(clip, take)
        half = lean if known is None else known / 2
        gaps.append(take.start - clip.start - offset + half)
    return gaps


def _lean(clips: Sequence[Stretch], takes: Sequence[Stretch], pairs: Sequence[Pair]) -> float:
    longer = [
        known
        for pair in pairs
        if (known := _longer(clips[pair.clip], takes[pair.take])) is not None
    ]
    return median(longer) / 2 if longer else 0.0


def _longer(clip: Stretch, take: Stretch) -> float | None:
    """Seconds by which the take is longer than the clip."""
    if clip.length is None or take.length is None:
        return None
    return take.length - clip.length


def trimmed_mean(values: Sequence[float]) -> float:
    """The mean without the least and the greatest fifth (a trimmed mean, P. J. Huber 1972)."""
    ordered = sorted(values)
    cut = len(ordered) // 5
    kept = ordered[cut : len(ordered) - cut]
    return sum(kept) / len(kept)


def _blur(values: Sequence[float]) -> float:
    middle = median(values)
    return median(abs(value - middle) for value in values)


def drift_of(times: Sequence[float], gaps: Sequence[float]) -> float:
    """Seconds a second; 0 where too few pairs tell, or where chance may have made it."""
    if len(times) < _FEWEST_FOR_DRIFT or max(times) - min(times) < 3600:
        return 0.0
    points = sorted(zip(times, gaps, strict=True))
    step = max(1, len(points) // 60)
    points = points[::step]
    slopes = [
        (later[1] - earlier[1]) / (later[0] - earlier[0])
        for index, earlier in enumerate(points)
        for later in points[index + 1 :]
        if later[0] - earlier[0] > 600
    ]
    if not slopes:
        return 0.0
    drift = median(slopes)
    if abs(drift) > _LONGEST_DRIFT:
        return 0.0
    flat = [gap - drift * time for time, gap in zip(times, gaps, strict=True)]
    chance = _SIGMA * _blur(flat) / (math.sqrt(len(times)) * pstdev(times))
    return drift if abs(drift) > _SIGNIFICANT * chance else 0.0
