"""Links clips of devices that share no timecode, by the offset of their clock, worked out.

One computation a camera and day: its clips are laid on the takes of the day, the offset that
fits best is taken, and then all its clips are assigned to all takes at once. A camera whose
clock was set anew in the middle of the day has several stretches, each with its own offset.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo
from statistics import median

from ingest.catalog.records import Clip, Sure
from ingest.media.facts import ClipKind
from ingest.names import shown
from ingest.slate.matching.alignment import Alignment, Stretch
from ingest.slate.matching.assignment import assign
from ingest.slate.matching.clocks import ClockOffset, clip_clocks, is_zone_open, steady
from ingest.slate.matching.day_takes import DayTakes, TimedTake, takes_of_day
from ingest.slate.matching.jams import Habit, Timecodes, habit_of
from ingest.slate.matching.offsets import by_timecode, doubt
from ingest.slate.matching.stretches import stretches
from ingest.slate.names import camera_key
from ingest.slate.naming import scope_of
from ingest.slate.pool import Key, Met, Pool, row_key, sound_take

__all__ = ["link_by_clock", "said_offset"]

_DAY = 86_400
_QUARTER = 900
_LITTLE = 120.0
"""Seconds by which a clock set by hand is off, besides its zone."""


@dataclass(frozen=True, slots=True)
class _Fit:
    """One clip against one take, both on the takes' axis."""

    clip: int
    take: int
    score: float
    """From 0 to 3."""
    share: float
    """Of the shorter of both; 0 where one has no length."""
    apart: float
    """Seconds from the take's start to the clip's."""


def link_by_clock(
    pool: Pool,
    timecodes: Timecodes,
    modified: Mapping[int, int],
    zone: tzinfo | None = None,
    *,
    day_ends: int = 5,
) -> tuple[tuple[ClockOffset, ...], dict[int, float]]:
    """Claims takes for clips that nothing surer names. Returns each clock's offset, and by clip
    id the start by its device's own clock in seconds.

    `timecodes`: which cameras share the sound's. `modified`: by clip id the time of its file,
    nanoseconds since 1970 (UTC).
    """
    devices: defaultdict[tuple[int, str, bool], list[Clip]] = defaultdict(list)
    for clip in pool.clips:
        if clip.facts.kind in (ClipKind.PICTURE, ClipKind.SOUND):
            roll = clip.roll
            name = roll.camera or f"roll {roll.name}"
            devices[roll.day, name, clip.facts.kind is ClipKind.SOUND].append(clip)
    clocks: dict[int, Stretch] = {}
    for clips in devices.values():
        clocks |= clip_clocks(clips, modified, steady(zone, clips[0].roll.date))
    days = {
        day: takes_of_day(pool, day, clocks, day_ends=day_ends)
        for day in sorted({day for day, _, _ in devices})
    }
    habits = {
        number: habit_of(
            [
                stretch.alignment
                for (day, _), shared in timecodes.shared.items()
                for stretch in shared
                if day == number
            ]
        )
        for number in days
    }
    offsets: list[ClockOffset] = []
    for (day, name, is_sound), clips in devices.items():
        takes = _usable(days[day], name)
        if is_sound:
            clips = [clip for clip in clips if sound_take(clip) is None]
            takes = [take for take in takes if take.sound is None]
        told = {clip.id: clocks[clip.id] for clip in clips if clip.id in clocks}
        found = _link_device(
            pool, name, days[day], clips, takes, told, habits[day], is_sound=is_sound
        )
        shared = timecodes.shared.get((day, name), ())
        if (to_clock := days[day].recorder) is not None and not is_sound:
            exact = by_timecode(name, day, shared, pool.spans, clocks, to_clock, day_ends=day_ends)
            found = exact or found
        if is_zone_open(clips, zone):
            found = [
                replace(each, slow=each.slow - _QUARTER * round(each.slow / _QUARTER))
                for each in found
            ]
        offsets += found
    return tuple(offsets), {number: at.start for number, at in clocks.items()}


def said_offset(seconds: float) -> str:
    """`3 min 12 s slow`, `1 h 0 min 17 s fast`, `right to the second`."""
    whole = round(abs(seconds))
    if not whole:
        return "right to the second"
    days, rest = divmod(whole, _DAY)
    hours, rest = divmod(rest, 3600)
    minutes, left = divmod(rest, 60)
    parts = [f"{days} d"] if days else []
    parts += [f"{hours} h"] if hours or days else []
    parts += [f"{minutes} min"] if minutes or parts else []
    return f"{' '.join([*parts, f'{left} s'])} {'slow' if seconds > 0 else 'fast'}"


def _usable(day: DayTakes, name: str) -> list[TimedTake]:
    """Each take once: by its own camera's row, else as it comes."""
    own = camera_key(name)
    kept: list[TimedTake] = []

    def rank(take: TimedTake) -> int:
        if take.row is not None and take.row.camera:
            return 1 if camera_key(take.row.camera) == own else 3
        return 0 if take.sound is not None else 2

    for take in sorted(day.takes, key=rank):
        if take.named is not None and camera_key(take.named.roll.camera or "") == own:
            continue
        if not any(
            other.key == take.key and abs(other.at.start - take.at.start) < 60 for other in kept
        ):
            kept.append(take)
    return sorted(kept, key=lambda take: take.at.start)


def _link_device(
    pool: Pool,
    name: str,
    day: DayTakes,
    clips: Sequence[Clip],
    takes: Sequence[TimedTake],
    clocks: Mapping[int, Stretch],
    habit: Habit,
    *,
    is_sound: bool,
) -> list[ClockOffset]:
    timed = sorted(
        (clip for clip in clips if clip.id in clocks), key=lambda clip: (clip.roll.name, clip.name)
    )
    if not timed or not takes:
        return []
    times = [clocks[clip.id] for clip in timed]
    places: defaultdict[Key, set[int]] = defaultdict(set)
    for index, take in enumerate(takes):
        places[take.key].add(index)
    known = {
        place: frozenset(index for key in pool.keys(clip) if key in places for index in places[key])
        for place, clip in enumerate(timed)
    }
    found: list[ClockOffset] = []
    fits: list[_Fit] = []
    laid: dict[int, Alignment] = {}
    for part, alignment in stretches(times, _weighted(pool, takes, name), known):
        laid |= dict.fromkeys(part, alignment)
        fits += _fits(part, timed, takes, times, alignment)
        if not is_sound and day.clock_of_axis is not None:
            found.append(
                ClockOffset(
                    device=name,
                    day=day.day,
                    slow=alignment.offset - habit.offset + day.clock_of_axis,
                    drift=alignment.drift * _DAY,
                    spread=alignment.spread,
                    within=_within(alignment, takes, habit),
                    clip_ids=tuple(timed[pair.clip].id for pair in alignment.pairs),
                    against=day.whose,
                    is_sure=alignment.is_sure,
                )
            )
    chosen = assign({(fit.clip, fit.take): fit.score for fit in fits})
    _claim(pool, name, timed, takes, fits, chosen, laid, day.clock_of_axis or 0.0)
    return found


def _within(alignment: Alignment, takes: Sequence[TimedTake], habit: Habit) -> float:
    held = [takes[pair.take] for pair in alignment.pairs]
    written = [take.at.grain for take in held if take.row is not None]
    by_hand = 2 * len(written) > len(held)
    grain = median(written) if by_hand else 0.0
    return doubt(alignment, habit, by_hand=by_hand, grain=grain)


def _weighted(pool: Pool, takes: Sequence[TimedTake], name: str) -> list[Stretch]:
    """The takes' times; where the log says which cameras rolled, those of others count less."""
    own = camera_key(name)
    cameras: defaultdict[Key, set[str]] = defaultdict(set)
    for row in pool.rows:
        cameras[row_key(row)].add(camera_key(row.camera or ""))
    rolled = [own in cameras[take.key] for take in takes]
    if not any(rolled):
        return [take.at for take in takes]
    return [
        replace(take.at, weight=2.0 if mine else 0.25 if cameras[take.key] - {""} else 1.0)
        for take, mine in zip(takes, rolled, strict=True)
    ]


def _fits(
    part: Sequence[int],
    clips: Sequence[Clip],
    takes: Sequence[TimedTake],
    times: Sequence[Stretch],
    alignment: Alignment,
) -> list[_Fit]:
    starts = {place: alignment.moved(times[place].start) for place in part}
    found = []
    for index, take in enumerate(takes):
        for place in part:
            time = times[place]
            grain = time.grain + take.at.grain
            apart = starts[place] - take.at.start
            longer = max(time.length or 0, take.at.length or 0)
            if abs(apart) > longer + 20 + grain:
                continue
            if take.row is not None and take.row.camera and _denied(take, clips[place]):
                continue
            fit = _fit(place, index, time, take.at, apart, grain, alignment)
            if fit is not None:
                found.append(fit)
    return found


def _denied(take: TimedTake, clip: Clip) -> bool:
    assert take.row is not None
    scope = scope_of(take.row, clip)
    return scope.roll is False or scope.camera is False


def _fit(
    place: int,
    index: int,
    time: Stretch,
    at: Stretch,
    apart: float,
    grain: float,
    alignment: Alignment,
) -> _Fit | None:
    blur = max(2.0, 2 * alignment.spread) + grain / 2
    near = 1 / (1 + ((apart - alignment.lean) / blur) ** 2)
    if time.length and at.length:
        both = min(apart + time.length, at.length) - max(apart, 0.0)
        share = both / min(time.length, at.length)
        if share <= 0 and abs(apart) > 10 + grain:
            return None
        likeness = 1 / (1 + ((time.length - at.length) / 6) ** 2)
        return _Fit(place, index, near + max(0.0, share) + likeness, max(0.0, share), apart)
    inside = -blur <= -apart <= (time.length or 0) + blur
    return _Fit(place, index, near + (0.5 if inside else 0.0), 0.0, apart) if inside else None


def _claim(
    pool: Pool,
    name: str,
    clips: Sequence[Clip],
    takes: Sequence[TimedTake],
    fits: Sequence[_Fit],
    chosen: Mapping[int, int],
    laid: Mapping[int, Alignment],
    to_clock: float,
) -> None:
    of_clip: defaultdict[int, list[_Fit]] = defaultdict(list)
    of_take: defaultdict[int, list[_Fit]] = defaultdict(list)
    for fit in fits:
        of_clip[fit.clip].append(fit)
        of_take[fit.take].append(fit)
    for place, clip in enumerate(clips):
        if place not in laid:
            continue
        alignment = laid[place]
        enough = alignment.rival < 0.8 and (
            len(alignment.pairs) >= 2 or _by_quarters(alignment.offset + to_clock)
        )
        best = sorted(of_clip[place], key=lambda fit: -fit.score)
        pool.candidates[clip.id] += [(takes[fit.take].key, fit.score) for fit in best[:3]]
        for fit in best:
            take = takes[fit.take]
            is_chosen = chosen.get(place) == fit.take
            if not is_chosen and not _more_of_it(
                fit, of_clip[place], of_take[fit.take], takes, chosen
            ):
                continue
            rivals = [other.score for other in of_take[fit.take] if other.clip != place]
            rivals += [other.score for other in best if takes[other.take].key != take.key]
            rival = max(rivals, default=0.0)
            clear = (
                is_chosen
                and alignment.is_sure
                and fit.share >= 0.5
                and abs(fit.apart - alignment.lean) <= max(6.0, 4 * alignment.spread)
                and take.at.grain <= 2
                and take.named is None
                and rival < 0.6 * fit.score
                and not _is_contested(fit, of_take[fit.take])
            )
            if alignment.is_sure and fit.share >= 0.5:
                pool.met[clip.id][take.key] = Met(take.scene, take.take, take.sound, clear)
            if clip.id in pool.hand or not (alignment.is_sure or enough):
                continue
            known = pool.keys(clip)
            if known and take.key not in known:
                continue  # weighed against what names it, once all is known
            sure = Sure.SURE if clear else Sure.LIKELY
            if not is_chosen or (not alignment.is_sure and alignment.rival > 0.9):
                sure = Sure.LIKELY
            pool.claim(
                clip, take.scene, take.take, sure, _basis(name, take, fit, alignment), take.row
            )


def _is_contested(fit: _Fit, of_take: Sequence[_Fit]) -> bool:
    """Whether another clip of the camera lies in the same take: one of both is a false start."""
    return any(other.clip != fit.clip and other.share >= 0.5 for other in of_take)


def _by_quarters(slow: float) -> bool:
    """Whether a clock is off by a wrong zone and little more: by quarters of an hour."""
    return abs(slow - _QUARTER * round(slow / _QUARTER)) < _LITTLE


def _more_of_it(
    fit: _Fit,
    of_clip: Sequence[_Fit],
    of_take: Sequence[_Fit],
    takes: Sequence[TimedTake],
    chosen: Mapping[int, int],
) -> bool:
    """Another take of a series: it lies in the clip, and no other clip holds it."""
    own = chosen.get(fit.clip)
    if own is None or fit.share < 0.8 or takes[own].key[0] != takes[fit.take].key[0]:
        return False
    return fit.take not in chosen.values() and all(
        other.clip == fit.clip or other.share < 0.3 for other in of_take
    )


def _basis(name: str, take: TimedTake, fit: _Fit, alignment: Alignment) -> str:
    camera = shown(name) if name.startswith("roll ") else f"camera {shown(name)}"
    many = len(alignment.pairs)
    clips = "1 clip" if many == 1 else f"{many} clips"
    later = f"{abs(fit.apart):.0f} s {'after' if fit.apart >= 0 else 'before'}"
    return (
        f"{camera}'s clock, its offset worked out from {clips} (spread {alignment.spread:.1f} s): "
        f"starts {later} {take.said}"
    )
