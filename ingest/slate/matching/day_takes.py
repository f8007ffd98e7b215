"""The takes of one shoot day that have a time, laid on one axis.

Sound files tell a take's time best: their timecode count, in real seconds. Where there is none,
the recorder's clock, then the log's own times, then the clock of a camera whose clips the log
names. Other axes are laid onto the chosen one by the takes that both tell.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import median

from ingest.catalog.records import Clip, SlateRow, Sure
from ingest.media.facts import ClipKind
from ingest.names import shown
from ingest.slate.matching.alignment import Stretch
from ingest.slate.matching.clocks import LOG, RECORDER, evened, row_clock
from ingest.slate.matching.offsets import after_midnight, recorder_clock
from ingest.slate.names import parse_take
from ingest.slate.pool import Key, Pool, row_key, said_row, sound_take, take_of
from ingest.slate.timing import row_span

__all__ = ["DayTakes", "TimedTake", "takes_of_day"]

_SECOND = 1_000_000
_APART = 90.0
"""Seconds that two axes may differ by from take to take, and still be one clock and another."""
_RECORDER, _LOG = 1, 2
_FINE = 2.0
"""Seconds: as fine as the clock of a file system or a recorder tells."""
_BY_HAND_WORTH = 0.5
_COARSE_WORTH = 0.25
_NEAREST = 7
"""Takes around one that tell how two axes lie there."""
_SAME = 45.0
"""Seconds within which two tellings of one take are one."""


@dataclass(frozen=True, slots=True)
class TimedTake:
    """A take and when it ran, on the day's axis."""

    scene: str
    take: str
    key: Key
    at: Stretch
    row: SlateRow | None = None
    sound: Clip | None = None
    named: Clip | None = None
    """The clip of another camera that holds it."""

    @property
    def said(self) -> str:
        if self.sound is not None:
            return f"sound file {shown(self.sound.full_name)}"
        if self.named is not None:
            return f"{shown(self.named.full_name)}, the same take"
        assert self.row is not None
        return said_row(self.row)


@dataclass(frozen=True, slots=True)
class DayTakes:
    day: int
    takes: tuple[TimedTake, ...]
    clock_of_axis: float | None
    """Add to the axis to get the clock of the recorder or the log, seconds; None: no clock."""
    whose: str
    """Whose clock that is, in words."""
    recorder: float | None = None
    """Add to the sound's timecode to get the recorder's clock, seconds."""


def takes_of_day(
    pool: Pool, day: int, clocks: Mapping[int, Stretch], *, day_ends: int = 5
) -> DayTakes:
    """`clocks`: by clip id, when the day's clips started by their own device's clock."""
    clips = [clip for clip in pool.clips if clip.roll.day == day]
    date = next((clip.roll.date for clip in clips if clip.roll.date), "")
    rows = [row for row in pool.rows if row.day == day and parse_take(row.take).has_picture]
    sounds = [clip for clip in clips if clip.id not in pool.wild and sound_take(clip) is not None]
    axes: list[tuple[str, list[TimedTake]]] = [
        ("timecode", _by_sound(pool, sounds, day_ends) + _by_label(rows, clips, day_ends)),
        (RECORDER, _by_recorder(sounds, clocks)),
        (LOG, _by_log(rows, date, day_ends)),
    ]
    for camera, held in _by_camera(pool, clips, clocks).items():
        axes.append((f"the clock of camera {shown(camera)}", held))
    chosen = max(range(len(axes)), key=lambda place: (_worth(axes[place][1]), -place))
    takes = list(axes[chosen][1])
    clock, whose = (0.0, axes[chosen][0]) if chosen else (None, "")
    heard = [clip for clip in clips if clip.facts.kind is ClipKind.SOUND]
    recorder = recorder_clock(heard, pool.spans, clocks, day_ends)
    if not chosen and recorder is not None:
        clock, whose = recorder, axes[_RECORDER][0]
    of_recorder: float | None = None
    for place, (name, others) in enumerate(axes):
        if place == chosen or not others:
            continue
        shift, local = _shift(others, takes)
        if place == _RECORDER:
            of_recorder = shift
        elif place == _LOG and shift is None and of_recorder is not None:
            # Both show the time of day: the same to a minute, when nothing tells more. The date
            # may be that on which the card came in.
            middle = median(take.at.start for take in takes)
            away = middle - median(take.at.start for take in others) - of_recorder
            shift = of_recorder + 86_400 * round(away / 86_400)
            local = [shift] * len(others)
            others = [
                replace(take, at=replace(take.at, grain=max(60.0, take.at.grain)))
                for take in others
            ]
        if shift is None:
            continue
        if clock is None and 0 < place < 3:
            clock, whose = -shift, name
        told = {take.key for take in takes}
        takes += [
            replace(other, at=replace(other.at, start=other.at.start + own))
            for other, own in zip(others, local, strict=True)
            if other.key not in told or not _is_told(other, own, takes)
        ]
    return DayTakes(day, tuple(takes), clock, whose, recorder)


def _worth(takes: Sequence[TimedTake]) -> float:
    """How many takes an axis tells; those that a hand wrote for less, and those told to the minute
    for less still: a clock that is laid on them is known no better."""
    finest: dict[Key, float] = {}
    for take in takes:
        finest[take.key] = min(take.at.grain, finest.get(take.key, take.at.grain))
    by_hand = all(take.sound is None and take.named is None for take in takes)
    fine = _BY_HAND_WORTH if by_hand else 1.0
    return sum(fine if grain <= _FINE else _COARSE_WORTH for grain in finest.values())


def _is_told(other: TimedTake, shift: float, takes: Sequence[TimedTake]) -> bool:
    """Whether the same take stands on the axis already. A camera's clip that lies elsewhere tells
    of no second take of that name: its clock was set anew, or the log slipped."""
    return other.named is not None or any(
        other.key == known.key and abs(other.at.start + shift - known.at.start) < _SAME
        for known in takes
    )


def _shift(
    others: Sequence[TimedTake], takes: Sequence[TimedTake]
) -> tuple[float | None, list[float]]:
    """Seconds to add to the others' times, by the takes that both tell once; over all, None where
    they don't agree, and for each by those nearest to it: a clock may be set anew in the day."""
    one, other = _once(takes), _once(others)
    apart = sorted(
        (told.at.start, one[key].at.start - told.at.start)
        for key, told in other.items()
        if key in one
    )
    if not apart:
        return None, []
    starts, gaps = [at for at, _ in apart], [gap for _, gap in apart]
    local = []
    for each in others:
        at = bisect_left(starts, each.at.start)
        first = max(0, min(at - _NEAREST // 2, len(gaps) - _NEAREST))
        local.append(median(gaps[first : first + _NEAREST]))
    near = [abs(gap - own) for gap, own in zip(gaps, _moving(gaps), strict=True)]
    return (median(gaps) if median(near) <= _APART else None), local


def _moving(values: Sequence[float]) -> list[float]:
    """The median around each."""
    last = max(0, len(values) - _NEAREST)
    firsts = (max(0, min(at - _NEAREST // 2, last)) for at in range(len(values)))
    return [median(values[first : first + _NEAREST]) for first in firsts]


def _once(takes: Sequence[TimedTake]) -> dict[Key, TimedTake]:
    of_key: defaultdict[Key, list[TimedTake]] = defaultdict(list)
    for take in takes:
        of_key[take.key].append(take)
    return {
        key: found[0]
        for key, found in of_key.items()
        if all(abs(each.at.start - found[0].at.start) < _SAME for each in found)
    }


def _by_sound(pool: Pool, sounds: Sequence[Clip], day_ends: int) -> list[TimedTake]:
    timed = [clip for clip in sounds if clip.id in pool.spans]
    spans = [pool.spans[clip.id] for clip in timed]
    found = []
    for clip, span, start in zip(timed, spans, after_midnight(spans, day_ends), strict=True):
        told = sound_take(clip)
        assert told is not None
        at = Stretch(start, span.length / _SECOND)
        found.append(TimedTake(*told, take_of(*told), at, sound=clip))
    return found


def _by_label(rows: Sequence[SlateRow], clips: Sequence[Clip], day_ends: int) -> list[TimedTake]:
    """Rows with timecode, read at the rate of the day's pictures."""
    model = next(
        (
            clip
            for clip in clips
            if clip.facts.kind is ClipKind.PICTURE
            and clip.facts.frame_rate
            and clip.facts.start_timecode
        ),
        None,
    )
    if model is None:
        return []
    timed = [(row, span) for row in rows if (span := row_span(row, model)) is not None]
    starts = after_midnight([span for _, span in timed], day_ends)
    return [
        TimedTake(
            row.scene,
            row.take,
            row_key(row),
            Stretch(start, span.length / _SECOND or None, 0 if span.length else 1),
            row=row,
        )
        for (row, span), start in zip(timed, starts, strict=True)
    ]


def _by_recorder(sounds: Sequence[Clip], clocks: Mapping[int, Stretch]) -> list[TimedTake]:
    found = []
    for clip in sounds:
        told = sound_take(clip)
        if told is not None and clip.id in clocks:
            found.append(TimedTake(*told, take_of(*told), clocks[clip.id], sound=clip))
    return found


def _by_log(rows: Sequence[SlateRow], date: str, day_ends: int) -> list[TimedTake]:
    timed = [(row, at) for row in rows if (at := row_clock(row, row.date or date, day_ends))]
    return [
        TimedTake(row.scene, row.take, row_key(row), at, row=row)
        for (row, _), at in zip(timed, evened(at for _, at in timed), strict=True)
    ]


def _by_camera(
    pool: Pool, clips: Sequence[Clip], clocks: Mapping[int, Stretch]
) -> dict[str, list[TimedTake]]:
    """Clips that something names already, by camera: the take ran while they did."""
    found: defaultdict[str, list[TimedTake]] = defaultdict(list)
    for clip in clips:
        if clip.facts.kind is not ClipKind.PICTURE or clip.id not in clocks:
            continue
        claims = pool.claims.get(clip.id, {})
        if len(claims) == 1:
            ((key, claim),) = claims.items()
            if claim.sure is not Sure.OPEN and clip.roll.camera:
                found[clip.roll.camera].append(
                    TimedTake(claim.scene, claim.take, key, clocks[clip.id], named=clip)
                )
    return dict(found)
