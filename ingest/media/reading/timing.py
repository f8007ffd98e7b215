"""Frame rate, constant or variable, and length of a clip: the frames' times decide."""

from __future__ import annotations

import os
from dataclasses import replace
from fractions import Fraction

from ingest.media.facts import ClipFacts, Disagreement
from ingest.media.opening import Track
from ingest.media.reading.demuxing import Demuxed, pace_of_packets
from ingest.media.reading.values import fraction, text, whole

__all__ = ["with_timing"]


def with_timing(
    path: str | os.PathLike[str],
    facts: ClipFacts,
    general: Track,
    track: Track,
    second: Demuxed | None,
    doubts: list[str],
    apart: list[Disagreement],
) -> ClipFacts:
    """The facts with frame rate (frames a second), length in frames and in seconds.

    `general` and `track` are MediaInfo's, of the file and its picture. What must be said is added
    to `doubts`, what two sources see differently to `apart`.
    """
    numerator, denominator = whole(track, "framerate_num"), whole(track, "framerate_den")
    rate = Fraction(numerator, denominator) if numerator and denominator else None
    measured = second.pace if second else None
    if measured is None and second and text(track, "frame_rate_mode") == "VFR":
        # MediaInfo says so of every H.264 stream that doesn't promise otherwise: look at the times.
        measured = pace_of_packets(path)
    if measured and measured.varies:
        facts = replace(
            facts, variable_rate=True, lowest_rate=measured.lowest, highest_rate=measured.highest
        )
        rate = measured.usual
    elif measured:
        if rate is not None and not measured.agrees(rate):
            values = {"header": str(rate), "frames' times": str(measured.usual)}
            apart.append(Disagreement("frame rate", values, "frames' times"))
        if rate is None or not measured.agrees(rate):
            rate = measured.usual
    elif rate is None:
        if text(track, "frame_rate_mode") == "VFR":
            facts = replace(
                facts,
                variable_rate=True,
                lowest_rate=fraction(track, "minimum_frame_rate"),
                highest_rate=fraction(track, "maximum_frame_rate"),
            )
        rate = (second.average_rate if second else None) or fraction(track, "frame_rate")
    frames = whole(track, "frame_count") or (second.frames if second else None) or None
    milliseconds = fraction(track, "duration") or fraction(general, "duration")
    stated = milliseconds / 1000 if milliseconds else None
    if second and second.seconds:
        stated = second.seconds
    seconds = stated
    if rate and frames and not facts.variable_rate:
        counted = frames / rate
        if stated is None or abs(counted - stated) <= max(2 / rate, Fraction(1, 20)):
            seconds = counted
        else:
            values = {
                "frames": f"{float(counted):.3f} s ({frames} frames)",
                "header": f"{float(stated):.3f} s",
            }
            apart.append(Disagreement("length", values, "header"))
    elif rate and seconds and frames is None:
        frames = round(seconds * rate)
    if second and second.past_end:
        doubts.append(
            f"{second.past_end} of {second.frames} frames lie past the end of the file: "
            "it was cut short."
        )
    return replace(facts, frame_rate=rate, duration_frames=frames, duration_seconds=seconds)
