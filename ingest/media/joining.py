"""Facts of a clip that lies in several files: spans, tracks, frames of an image sequence.

Spans follow each other: lengths add up. Tracks run at once: channels add up. Of all that the first
file says the rest is kept as it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction

from ingest.media.facts import ClipFacts, ClipKind, Disagreement
from ingest.media.timecode import BadTimecode, from_label
from ingest.wording import counted, rate

__all__ = ["goes_on", "joined_facts", "sequence_facts"]

_NEAR = 1
"""Frames that a span's label may be off: some count the last frame twice, or leave one out
(common practice, no source)."""


def goes_on(before: ClipFacts, after: ClipFacts) -> bool | None:
    """Whether a span's timecode starts where the one before it ended, within a frame, over midnight
    too. None where the files don't tell."""
    frames = _frames(before)
    if not before.start_timecode or not after.start_timecode or frames is None:
        return None
    if before.frame_rate is None or before.frame_rate != after.frame_rate:
        return None if after.frame_rate is None or before.frame_rate is None else False
    try:
        start = from_label(before.start_timecode, before.frame_rate)
        next_start = from_label(after.start_timecode, before.frame_rate)
        if start.drop != next_start.drop:
            return False
        wanted = start.plus(frames)
        return min(wanted.frames_until(next_start), next_start.frames_until(wanted)) <= _NEAR
    except BadTimecode:
        return None


def joined_facts(files: Sequence[ClipFacts]) -> ClipFacts:
    """The facts of one recording in these files, in order; at least one.

    Spans of picture, and sound that goes on from file to file: durations (seconds and frames)
    added up, None where one of them is not known; start, and all else, from the first. Sound files
    that start at one moment are tracks: their channels stand side by side, the longest counts.
    Where a later file says another rate, size or codec, both are kept as a disagreement.
    """
    first = files[0]
    if len(files) == 1:
        return first
    if first.kind is ClipKind.SOUND and not _one_after_the_other(files):
        lengths = [one.duration_seconds for one in files if one.duration_seconds is not None]
        return replace(
            first,
            audio=tuple(track for one in files for track in one.audio),
            duration_seconds=max(lengths, default=None),
            doubts=_doubts(files),
        )
    return replace(
        first,
        duration_seconds=_sum([one.duration_seconds for one in files]),
        duration_frames=_whole_sum([one.duration_frames for one in files]),
        bitrate=None,  # of one file, not of the recording
        doubts=_doubts(files),
        disagreements=(*first.disagreements, *_differences(files)),
        signs=tuple(dict.fromkeys(sign for one in files for sign in one.signs)),
    )


def sequence_facts(
    first: ClipFacts, frames: int, gaps: Sequence[tuple[int, int]], project_rate: Fraction | None
) -> ClipFacts:
    """The facts of an image sequence of `frames` pictures, the first of which says `first`.

    Its length comes from the count and the rate: the picture's own, else the project's (frames a
    second), which is said. `gaps`: first and last number of what the numbering lacks; such frames
    are not counted.
    """
    doubts = list(first.doubts)
    frame_rate = first.frame_rate
    if frame_rate is None and project_rate is not None:
        frame_rate = project_rate
        doubts.append(f"Its pictures state no frame rate: taken to be {rate(project_rate)} fps.")
    if gaps:
        missing = sum(last - before + 1 for before, last in gaps)
        where = ", ".join(
            str(before) if before == last else f"{before} to {last}" for before, last in gaps[:5]
        )
        more = ", ..." if len(gaps) > 5 else ""
        doubts.append(f"Its numbering lacks {counted(missing, 'picture')}: {where}{more}.")
    return replace(
        first,
        kind=ClipKind.PICTURE,
        frame_rate=frame_rate,
        duration_frames=frames,
        duration_seconds=frames / frame_rate if frame_rate else None,
        bitrate=None,
        doubts=tuple(doubts),
    )


def _frames(facts: ClipFacts) -> int | None:
    if facts.duration_frames is not None:
        return facts.duration_frames
    if facts.duration_seconds is not None and facts.frame_rate is not None:
        return round(facts.duration_seconds * facts.frame_rate)
    return None


def _one_after_the_other(files: Sequence[ClipFacts]) -> bool:
    starts = {one.sound.time_reference if one.sound is not None else None for one in files}
    return None not in starts and len(starts) == len(files)


def _sum(values: Sequence[Fraction | None]) -> Fraction | None:
    known = [value for value in values if value is not None]
    return sum(known, Fraction(0)) if len(known) == len(values) else None


def _whole_sum(values: Sequence[int | None]) -> int | None:
    known = [value for value in values if value is not None]
    return sum(known) if len(known) == len(values) else None


def _doubts(files: Sequence[ClipFacts]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(doubt for one in files for doubt in one.doubts))


def _differences(files: Sequence[ClipFacts]) -> list[Disagreement]:
    found = []
    for what, values in (
        ("frame rate", [None if one.frame_rate is None else rate(one.frame_rate) for one in files]),
        ("codec", [one.codec for one in files]),
        (
            "size",
            [f"{one.width}x{one.height}" if one.width and one.height else None for one in files],
        ),
    ):
        said = {
            f"part {number}": value for number, value in enumerate(values, 1) if value is not None
        }
        if len(set(said.values())) > 1:
            found.append(Disagreement(what, said, "part 1"))
    return found
