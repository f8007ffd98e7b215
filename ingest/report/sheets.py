"""The facts as two tables for a spreadsheet: one row a clip, and one row a copy of a file.

RFC 4180: comma, CRLF, fields quoted where needed, a header line. UTF-8 with a byte order mark,
without which spreadsheets guess another encoding. A field that begins with `=`, `+`, `-`, `@` (or
their full-width forms), a tab or a carriage return would run as a formula in a spreadsheet: it
gets an apostrophe in front, which is not part of the name. Digests carry their kind in front
(`xxh128:...`), which also keeps a spreadsheet from reading one as a number.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from datetime import UTC

from ingest.names import shown
from ingest.report.facts import ClipLine, CopyLine, FileLine, IntakeFacts

__all__ = ["CLIP_COLUMNS", "COPY_COLUMNS", "clips_sheet", "copies_sheet", "sheet"]

CLIP_COLUMNS = (
    "production", "clip", "display", "roll", "day", "camera", "kind", "scene", "take", "shot",
    "rating", "all_takes", "start_timecode", "end_timecode", "duration_seconds", "frame_rate",
    "width", "height", "codec", "container", "channels", "sample_rate", "recorded", "bytes",
    "files", "good_copies", "digest", "health", "findings", "doubts",
)  # fmt: skip
COPY_COLUMNS = (
    "production", "roll", "path", "size", "drive", "drive_path", "state", "proven", "route",
    "against", "at", "why", "good_copies", "digests",
)  # fmt: skip

_RUNS = frozenset("=+-@\t\r\n＝＋－＠")


def clips_sheet(facts: IntakeFacts) -> str:
    """One row a clip. `good_copies` is that of its worst file, `digest` that of its first."""
    return sheet(CLIP_COLUMNS, (_clip(facts, clip) for clip in facts.clips))


def copies_sheet(facts: IntakeFacts) -> str:
    """One row a copy of a file; a file without any copy has one row with an empty drive."""
    rows = (_copy(facts, file, copy) for file in facts.files for copy in (file.copies or (None,)))
    return sheet(COPY_COLUMNS, rows)


def sheet(columns: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """A table of that kind: None is an empty field, truth is yes or no."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(columns)
    writer.writerows([_field(value) for value in row] for row in rows)
    return text.getvalue()


def _field(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    safe = shown(str(value))
    return f"'{safe}" if safe.lstrip()[:1] in _RUNS and safe.strip() else safe


def _clip(facts: IntakeFacts, clip: ClipLine) -> Sequence[object]:
    first = clip.takes[0] if clip.takes else None
    seconds = clip.duration_seconds
    return (
        facts.production,
        clip.name,
        clip.display,
        clip.roll,
        clip.day,
        clip.camera,
        clip.kind,
        first and first.scene,
        first and first.take,
        first and first.shot,
        first and first.rating,
        "; ".join(f"{take.scene}/{take.take}" for take in clip.takes),
        clip.start_timecode,
        clip.end_timecode,
        None if seconds is None else round(float(seconds), 6),
        clip.frame_rate,
        clip.width,
        clip.height,
        clip.codec,
        clip.container,
        clip.channels,
        clip.sample_rate,
        clip.recorded,
        clip.bytes,
        len(clip.files),
        clip.good,
        clip.digest,
        clip.health,
        "; ".join(clip.findings),
        "; ".join(clip.doubts),
    )


def _copy(facts: IntakeFacts, file: FileLine, copy: CopyLine | None) -> Sequence[object]:
    digests = " ".join(f"{kind}:{digest}" for kind, digest in file.digests.items())
    head = (facts.production, file.roll, file.path, file.size)
    if copy is None:
        return (*head, "", "", "no copy", False, "", "", "", "", file.good, digests)
    return (
        *head,
        copy.drive,
        copy.path,
        copy.state.value,
        copy.proven,
        copy.route.value if copy.route else None,
        copy.against.value if copy.against else None,
        copy.at.astimezone(UTC).isoformat() if copy.at else None,
        copy.why,
        file.good,
        digests,
    )
