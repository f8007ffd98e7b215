"""The timecode of a clip's first frame: from its track, else from a tag."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction

from ingest.media.facts import ClipFacts, Disagreement
from ingest.media.opening import Track
from ingest.media.reading.demuxing import Demuxed
from ingest.media.reading.values import text, whole
from ingest.media.timecode import BadTimecode, from_label, parse_label

__all__ = ["with_start_timecode"]


def with_start_timecode(
    facts: ClipFacts,
    tracks: Sequence[Track],
    picture: Track,
    second: Demuxed | None,
    doubts: list[str],
    apart: list[Disagreement],
) -> ClipFacts:
    """The facts with start timecode, drop-frame flag (SMPTE ST 12-1: `;` before the frames) and
    their source.

    `tracks` are all of MediaInfo's, `picture` is its picture's. What must be said is added to
    `doubts`, what two tracks say differently to `apart`.
    """
    found: list[tuple[str, str, Fraction | None]] = []
    for track in tracks:
        label = text(track, "time_code_of_first_frame")
        if label and track.get("track_type") == "Other":
            numerator, denominator = whole(track, "framerate_num"), whole(track, "framerate_den")
            rate = Fraction(numerator, denominator) if numerator and denominator else None
            if text(track, "timecode_dropframe") == "Yes":
                label = f"{label[:8]};{label[9:]}"
            found.append((label, "track", rate))
    if not found and second:
        label = second.tags.get("stream:timecode") or second.tags.get("timecode") or ""
        # The GOP header of MPEG video always holds a time; zero there is none.
        if label and not (label == "00:00:00:00" and "MPEG" in (text(picture, "format") or "")):
            found.append((label, "container", None))
    if not found:
        return facts
    label, source, rate = found[0]
    differing = sorted({each for each, _, _ in found} - {label})
    if differing:
        values = {"first track": label, "other tracks": ", ".join(differing)}
        apart.append(Disagreement("timecode", values, "first track"))
    if rate and facts.frame_rate and abs(rate - facts.frame_rate) * 200 > rate:
        doubts.append(f"Its timecode counts at {rate}, its picture runs at {facts.frame_rate}.")
    rate = rate or facts.frame_rate
    try:
        label = from_label(label, rate).label if rate else label
    except BadTimecode as error:
        try:
            parse_label(label)
        except BadTimecode:
            doubts.append(f"Its timecode can't be read: {error}.")
            return facts
        doubts.append(f"Its timecode is doubtful: {error}.")
    return replace(
        facts,
        start_timecode=label,
        timecode_source=source,
        drop_frame=label[-3:-2] in (";", "."),
    )
