"""Timecode within one camera: it must go forwards from clip to clip. Pure.

A clip that starts before the one before it ended means that the counter was set back, restarts
with every clip, or that the clips are out of order. Either way timecode alone can't tell these
clips apart, and sound can't be laid to them by it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise

from ingest.assurance.footage.devices import device_of
from ingest.catalog.records import Clip
from ingest.media.facts import ClipKind
from ingest.names import shown
from ingest.slate.timing import Span, clip_span
from ingest.wording import counted, natural

__all__ = ["Fault", "TimecodeFault", "timecode_faults"]

_SECOND = 1_000_000
_NEAR = _SECOND // 10
"""A tenth of a second: the last frame of one clip may bear the label of the next one's first."""


class Fault(StrEnum):
    BACKWARDS = "backwards"
    """It starts before the one before it."""
    OVERLAP = "overlap"
    """It starts before the one before it ends."""
    RESTARTS = "restarts"
    """The counter begins at the same label with every clip."""


@dataclass(frozen=True, slots=True)
class TimecodeFault:
    device: str
    """Letter, or empty."""
    roll: str
    clip: str
    """ROLL/NAME of the later clip, or of the first where all restart; as it is."""
    fault: Fault
    words: str
    """A sentence, safe to show."""


def timecode_faults(clips: Sequence[Clip]) -> tuple[TimecodeFault, ...]:
    """Where timecode doesn't go forwards from one picture clip to the next of its roll.

    Clips follow each other by name, 2 before 10, as cameras count. Compared in real time, so
    that clips of different rates can stand side by side; neighbours whose labels drift apart
    (25 beside 23.976, drop-frame beside non-drop) are left out, and so is what has no timecode
    or was recorded off-speed. Up to twelve hours on from the last start is forwards, over
    midnight too; more than that is backwards.
    """
    rolls: defaultdict[int, list[Clip]] = defaultdict(list)
    for clip in clips:
        if clip.facts.kind is ClipKind.PICTURE:
            rolls[clip.roll.id].append(clip)
    return tuple(fault for roll in rolls.values() for fault in _of_roll(roll))


def _of_roll(clips: Sequence[Clip]) -> list[TimecodeFault]:
    ordered = sorted(clips, key=lambda clip: natural(clip.name))
    timed = [(clip, span) for clip in ordered if (span := clip_span(clip)) is not None]
    if not timed:
        return []
    first, at = timed[0]
    roll, device = first.roll.name, device_of(first.roll)
    if len(timed) > 1 and all(span.start == at.start for _, span in timed):
        said = (
            f"The timecode of {shown(roll)} starts again at {first.facts.start_timecode} with each "
            f"of its {counted(len(timed), 'clip')}."
        )
        return [TimecodeFault(device, roll, first.full_name, Fault.RESTARTS, said)]
    found = []
    for (earlier, before), (later, after) in pairwise(timed):
        fault = _between(before, after)
        if fault is None:
            continue
        how = {
            Fault.BACKWARDS: "before the start of",
            Fault.OVERLAP: "before the end of",
        }[fault]
        said = (
            f"{shown(later.full_name)} starts at {later.facts.start_timecode}, {how} "
            f"{shown(earlier.full_name)} ({earlier.facts.start_timecode})."
        )
        found.append(TimecodeFault(device, roll, later.full_name, fault, said))
    return found


def _between(before: Span, after: Span) -> Fault | None:
    if before.day != after.day:
        return None
    forward = (after.start - before.start) % before.day
    if forward > before.day // 2:
        return Fault.BACKWARDS
    return Fault.OVERLAP if forward < before.length - _NEAR else None
