"""The clips as a table: one row a file, for whatever reads CSV (RFC 4180). Pure."""

from __future__ import annotations

from collections.abc import Sequence

from ingest.handoff.selection import HandedClip, Part
from ingest.report.sheets import sheet

__all__ = ["COLUMNS", "to_csv"]

COLUMNS = (
    "name", "clip", "part", "parts", "kind", "day", "roll", "camera", "scene", "take", "shot",
    "rating", "all_takes", "note", "start_timecode", "frame_rate", "start", "length", "rate",
    "codec", "width", "height", "file", "drive", "copy", "path",
)  # fmt: skip


def to_csv(clips: Sequence[HandedClip]) -> bytes:
    """`start` and `length` count at `rate` a second (frames, or samples of sound). A file that
    can't be read now has an empty path. UTF-8 with a byte order mark, as spreadsheets want it."""
    rows = (
        _row(clip, number, part)
        for clip in clips
        for number, part in enumerate(clip.parts, start=1)
    )
    return b"\xef\xbb\xbf" + sheet(COLUMNS, rows).encode("utf-8")


def _row(clip: HandedClip, number: int, part: Part) -> Sequence[object]:
    facts, roll = clip.clip.facts, clip.clip.roll
    first = clip.takes[0] if clip.takes else None
    span = part.span
    return (
        clip.name,
        clip.clip.full_name,
        number,
        len(clip.parts),
        facts.kind.value,
        roll.day,
        roll.name,
        roll.camera,
        first.scene if first else None,
        first.take if first else None,
        first.shot if first else None,
        first.rating.value if first and first.rating else None,
        "; ".join(f"{link.scene} take {link.take}" for link in clip.takes),
        "; ".join(link.note for link in clip.takes if link.note),
        facts.start_timecode,
        facts.frame_rate,
        span.start if span else None,
        span.length if span else None,
        span.rate if span else None,
        facts.codec,
        facts.width,
        facts.height,
        part.file,
        part.drive or None,
        part.state or None,
        part.place,
    )
