"""The clocks of a production's devices, from the clips that are linked to takes. Pure."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from fractions import Fraction

from ingest.assurance.clocks import Offset, Sighting, as_told, clock_offsets
from ingest.catalog.records import Clip, Sure, TakeLink
from ingest.jobs.devices import device_letter
from ingest.media.facts import ClipKind
from ingest.slate.matching import ClockOffset
from ingest.slate.matching.clocks import read_clock
from ingest.slate.names import scene_key, take_key
from ingest.slate.timing import clip_span

__all__ = ["clocks_as_told", "vote_on_clocks"]


def vote_on_clocks(
    clips: Sequence[Clip], links: Mapping[int, Sequence[TakeLink]], day: int
) -> tuple[Offset, ...]:
    """Whose clock was off on a shoot day, by the clips of that day. `links` by clip id."""
    seen = []
    for clip in clips:
        if clip.roll.day != day or clip.facts.kind not in (ClipKind.PICTURE, ClipKind.SOUND):
            continue
        written = clip.facts.recorded
        if clip.facts.sound is not None and clip.facts.sound.origination:
            written = clip.facts.sound.origination
        clock = read_clock(written) if written else None
        # A clip of several takes began with the first of them.
        link = next((one for one in links.get(clip.id, ()) if one.sure is not Sure.OPEN), None)
        if clock is None or link is None:
            continue
        span = clip_span(clip)
        seen.append(
            Sighting(
                device_letter(clip.roll),
                (scene_key(link.scene), take_key(link.take)),
                clock[0],
                Fraction(span.start, 1_000_000) if span is not None else None,
            )
        )
    return clock_offsets(seen)


def clocks_as_told(
    clips: Sequence[Clip], links: Iterable[TakeLink], laid: Sequence[ClockOffset]
) -> tuple[ClockOffset, ...]:
    """What the matching worked out of each clock, with the numbers that the end of the day tells
    too."""
    of_clip: defaultdict[int, list[TakeLink]] = defaultdict(list)
    for link in links:
        of_clip[link.clip_id].append(link)
    return tuple(
        one
        for day in sorted({one.day for one in laid})
        for one in as_told(
            [one for one in laid if one.day == day], vote_on_clocks(clips, of_clip, day)
        )
    )
