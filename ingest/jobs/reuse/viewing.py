"""Which clips a person must have viewed before their card may go. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from ingest.assurance.reuse import Undecoded
from ingest.catalog.custody_records import RollNote
from ingest.catalog.records import Clip
from ingest.media.facts import ClipKind
from ingest.media.health import Depth, Severity
from ingest.media.kinds import is_raw

__all__ = ["is_decoded", "undecoded"]


def undecoded(
    clips: Iterable[Clip],
    notes: Mapping[int, RollNote],
    came_in: Mapping[tuple[int, str], int],
) -> Iterator[Undecoded]:
    """Clips that are broken or could not be decoded, unless somebody has viewed them since they
    came in. `notes` by roll id; `came_in`: by roll id and path, the id of the first look at a copy
    of that file."""
    for clip in clips:
        note, path = notes[clip.roll.id], clip.files[0].path
        viewed = note.viewed_by is not None and (
            came_in.get((clip.roll.id, path), 0) <= note.viewed_looks
        )
        broken = _broken(clip)
        if not viewed and (broken or not is_decoded(clip)):
            yield Undecoded(clip.roll.id, clip.full_name, path, broken)


def is_decoded(clip: Clip) -> bool:
    """Whether this program could look into the clip: a picture of it was drawn, or its sound has a
    length. What isn't known here as picture, still or sound is not."""
    if is_raw(clip.files[0].path):  # its picture may be a thumbnail that the camera made
        return clip.health is not None and clip.health.depth is not Depth.NONE
    if clip.facts.kind is ClipKind.SOUND:
        return clip.facts.duration_seconds is not None
    return clip.poster is not None


def _broken(clip: Clip) -> str:
    """What is broken about it, or nothing."""
    findings = clip.health.findings if clip.health is not None else ()
    return next((each.words for each in findings if each.severity is Severity.BROKEN), "")
