"""The takes of one shoot day that have a time, laid on one axis.

Sound files tell a take's time best: their timecode count, in real seconds. Where there is none,
the recorder's clock, then the log's own times, then the clock of a camera whose clips the log
names. Other axes are laid onto the chosen one by the takes that both tell.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import median

from ingest.catalog.records import Clip, SlateRow, Sure
from ingest.media.facts import ClipKind
from ingest.names import shown
from ingest.slate.matching.alignment import Stretch
from ingest.slate.matching.clocks import evened, row_clock
from ingest.slate.names import parse_take
from ingest.slate.pool import Key, Pool, row_key, said_row, sound_take, take_of
from ingest.slate.timing import Span, row_span

__all__ = ["DayTakes", "TimedTake", "takes_of_day"]

_SECOND = 1_000_000
_APART = 90.0
"""Seconds that two axes may differ by from take to take, and still be one clock and another."""
_RECORDER, _LOG = 1, 2
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
        ("the recorder's clock", _by_recorder(sounds, clocks)),
        ("the log's clock", _by_log(rows, date, day_ends)),
    ]
    for camera, held in _by_camera(pool, clips, clocks).items():
        axes.append((f"the clock of camera {shown(camera)}", held))
    chosen = max(range(len(axes)), key=lambda place: (_worth(axes[place][1]), -place))
    takes = list(axes[chosen][1])
    clock, whose = (0.0, axes[chosen][0]) if chosen else (None, "")
    of_recorder: float | None = None
    for place, (name, others) in enumerate(axes):
        if place == chosen or not others:
            continue
        shift = _shift(others, takes)
        if place == _RECORDER:
            of_recorder = shift
        elif place == _LOG and shift is None and of_recorder is not None:
            # Both show the time of day: the same to a minute, when nothing tells more. The date
            # may be that on which the card came in.
            middle = median(take.at.start for take in takes)
            away = middle - median(take.at.start for take in others) - of_recorder
            shift = of_recorder + 86_400 * round(away / 86_400)
            others = [
                replace(take, at=replace(take.at, grain=max(60.0, take.at.grain)))
                for take in others
            ]
        if shift is None:
            continue
        if clock is None and 0 < place < 3:
            clock, whose = -shift, name
        takes += [
            replace(other, at=replace(other.at, start=other.at.start + shift))
            for other in others
            if not any(
                other.key == known.key and abs(other.at.start + shift - known.at.start) < _SAME
                for known in takes
            )
        ]
    return DayTakes(day, tuple(takes), clock, whose)


def _worth(takes: Sequence[TimedTake]) -> int:
    return len({take.key for take in takes})


def _shift(others: Sequence[TimedTake], takes: Sequence[TimedTake]) -> float | None:
    """Seconds to add to the others' times, by the takes that both tell once."""
    one, other = _once(takes), _once(others)
    apart = [one[key].at.start - told.at.start for key, told in other.items() if key in one]
    if not apart:
        return None
    middle = median(apart)
    return middle if median(abs(each - middle) for each in apart) <= _APART else None


def _once(takes: Sequence[TimedTake]) -> dict[Key, TimedTake]:
    of_key: defaultdict[Key, list[TimedTake]] = defaultdict(list)
    for take in takes:
        of_key[take.key].append(take)
    return {
        key: found[0]
        for key, found in of_key.items()
        if all(abs(each.at.start - found[0].at.start) < _SAME for each in found)
    }


def _after_midnight(spans: Sequence[Span], day_ends: int) -> list[float]:
    """Starts in seconds; labels before the hour a day ends are of the next date, as long as the
    day has others too."""
    ends = day_ends * 3600 * _SECOND
    late = any(span.start >= ends for span in spans)
    return [
        (span.start + (span.day if late and span.start < ends else 0)) / _SECOND for span in spans
    ]


def _by_sound(pool: Pool, sounds: Sequence[Clip], day_ends: int) -> list[TimedTake]:
    timed = [clip for clip in sounds if clip.id in pool.spans]
    spans = [pool.spans[clip.id] for clip in timed]
    found = []
    for clip, span, start in zip(timed, spans, _after_midnight(spans, day_ends), strict=True):
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
    starts = _after_midnight([span for _, span in timed], day_ends)
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
