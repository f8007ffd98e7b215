"""Whether a camera's timecode is the sound's: jammed to it, or running free with a jam of its own.

A counter that runs all day and was never jammed is a clock like any other: laid on the sound's
timecode it shows by how much it is off, stretch by stretch. What comes of it stays on the axis of
timecode; no wall clock is looked at here.
"""

from __future__ import annotations

from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass
from statistics import median

from ingest.catalog.records import Clip
from ingest.media.facts import ClipKind
from ingest.slate.matching.alignment import Alignment, Stretch, align
from ingest.slate.matching.stretches import stretches
from ingest.slate.pool import Pool
from ingest.slate.timing import Span, free_running

__all__ = [
    "FEWEST",
    "Habit",
    "TimecodeOffset",
    "TimecodeStretch",
    "Timecodes",
    "habit_of",
    "lay_timecodes",
    "told_timecodes",
]

FEWEST = 5
"""Clips, and sound files, that it needs to tell anything."""
_BUTTONS = 8.0
"""Seconds within which an offset is people's buttons, and the timecode is shared."""
_SECOND = 1_000_000


@dataclass(frozen=True, slots=True)
class TimecodeOffset:
    """How far the timecode of a camera that was never jammed runs from the sound's."""

    device: str
    day: int
    behind: float
    """Seconds to add to the camera's timecode to stand on the sound's; negative: it is ahead."""
    spread: float
    """Seconds: the median distance of its clips from this."""
    clip_ids: tuple[int, ...]
    """The clips that support it."""


@dataclass(frozen=True, slots=True)
class TimecodeStretch:
    """A run of clips of one camera whose timecode ran on, laid on the sound's."""

    clip_ids: tuple[int, ...]
    alignment: Alignment
    support: tuple[int, ...]
    """Ids of those clips that lie on a sound file so."""
    spans: Mapping[int, Span]
    """By clip id where it ran on the sound's axis; empty where the timecode is shared."""

    @property
    def is_shared(self) -> bool:
        """Jammed to the sound: what is left is how far apart people press their buttons."""
        return abs(self.alignment.offset) < _BUTTONS


@dataclass(frozen=True, slots=True)
class Habit:
    """How a crew presses its buttons, as cameras show that share the sound's timecode."""

    offset: float = 0.0
    """Seconds to be taken off the offset of a clock that was worked out from clips and takes."""
    lean: float = 0.0
    """As in `Alignment`."""
    doubt: float | None = None
    """Seconds by which these cameras differ from it; None: nothing is known of this crew."""


@dataclass(frozen=True, slots=True)
class Timecodes:
    """What came of laying each camera's timecode on the sound's."""

    shared: Mapping[tuple[int, str], tuple[TimecodeStretch, ...]]
    """By day and camera, the stretches in which its timecode is the sound's."""
    offsets: tuple[TimecodeOffset, ...]
    """Of cameras whose timecode ran free and was never jammed."""


def lay_timecodes(
    pool: Pool, groups: Mapping[tuple[str, int], Sequence[Clip]]
) -> dict[tuple[str, int], list[TimecodeStretch]]:
    """Each camera's timecode on the sound's of its day; where it was never jammed its clips are
    put onto the sound's axis. Cameras of which nothing is sure are left out."""
    laid: dict[tuple[str, int], list[TimecodeStretch]] = {}
    for (camera, day), clips in groups.items():
        sounds = [
            clip
            for clip in pool.clips
            if clip.facts.kind is ClipKind.SOUND and clip.roll.day == day and clip.id in pool.spans
        ]
        running = free_running(clips)
        timed = [clip for clip in clips if clip.id in running]
        keys = [pool.keys(sound) for sound in sounds]
        known = {
            place: {at for at, held in enumerate(keys) if held & own}
            for place, clip in enumerate(timed)
            if (own := pool.keys(clip))
        }
        spans = [pool.spans[clip.id] for clip in sounds]
        if found := _stretches_of(timed, spans, pool.spans, known):
            laid[camera, day] = found
            for stretch in found:
                pool.shifted.update(stretch.spans)
    return laid


def told_timecodes(
    pool: Pool, laid: Mapping[tuple[str, int], Sequence[TimecodeStretch]]
) -> Timecodes:
    by_id = {clip.id: clip for clip in pool.clips}
    shared: dict[tuple[int, str], tuple[TimecodeStretch, ...]] = {}
    offsets = []
    for (_, day), found in laid.items():
        for stretch in found:
            roll = by_id[stretch.clip_ids[0]].roll
            device = roll.camera or f"roll {roll.name}"
            if stretch.is_shared:
                shared[day, device] = (*shared.get((day, device), ()), stretch)
            else:
                told = stretch.alignment
                offsets.append(
                    TimecodeOffset(device, day, told.offset, told.spread, stretch.support)
                )
    return Timecodes(shared, tuple(offsets))


def _stretches_of(
    clips: Sequence[Clip],
    sounds: Sequence[Span],
    spans: Mapping[int, Span],
    known: Mapping[int, Container[int]],
) -> list[TimecodeStretch]:
    """The clips of one camera and day laid on the sound's timecode; only what is sure of that.

    `clips` are those whose timecode ran free, `known` tells by a clip's place the sounds that the
    log names for it. Empty where there are too few to tell.
    """
    if len(clips) < FEWEST or len(sounds) < FEWEST:
        return []
    order = sorted(range(len(clips)), key=lambda at: (clips[at].roll.name, clips[at].name))
    times = [_stretch(spans[clips[place].id]) for place in order]
    takes = [_stretch(span) for span in sounds]
    told = {at: known[place] for at, place in enumerate(order) if place in known}
    shared = align(times, takes, known=told, around=(0.0, _BUTTONS))
    found = stretches(times, takes, told)
    if shared is not None and _is_whole(shared, len(times)) and not _beats(found, shared):
        found = [(tuple(range(len(times))), shared)]
    made = []
    for part, alignment in found:
        if not alignment.is_sure and alignment is not shared:
            continue
        own = [clips[order[at]] for at in part]
        moved: dict[int, Span] = {}
        if abs(alignment.offset) >= _BUTTONS:
            for clip in own:
                span = spans[clip.id]
                start = round(alignment.moved(span.start / _SECOND) * _SECOND) % span.day
                moved[clip.id] = Span(start, start + span.length, span.day)
        support = tuple(clips[order[pair.clip]].id for pair in alignment.pairs)
        made.append(TimecodeStretch(tuple(clip.id for clip in own), alignment, support, moved))
    return made


def habit_of(shared: Sequence[Alignment]) -> Habit:
    """The habit of a crew, from the cameras that share the sound's timecode."""
    if not shared:
        return Habit()
    offset = median(each.offset for each in shared)
    lean = median(each.lean for each in shared)
    apart = max(abs(each.offset - offset) for each in shared)
    return Habit(offset, lean, apart + max(each.doubt for each in shared))


def _stretch(span: Span) -> Stretch:
    return Stretch(span.start / _SECOND, span.length / _SECOND)


def _is_whole(shared: Alignment, clips: int) -> bool:
    """Whether as they stand most clips lie on sounds, as those of a jammed camera do."""
    return 2 * len(shared.pairs) >= clips and len(shared.pairs) >= FEWEST


def _beats(found: Sequence[tuple[tuple[int, ...], Alignment]], shared: Alignment) -> bool:
    """Whether other offsets explain more by far than that the timecode is shared."""
    pairs = sum(len(alignment.pairs) for _, alignment in found if alignment.is_sure)
    return pairs > 1.3 * len(shared.pairs)
