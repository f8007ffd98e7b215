"""Poster frames for a report that must stand alone: read, checked, bounded."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from ingest.report.facts import ClipLine

__all__ = ["MAX_ONE", "MAX_TOTAL", "Posters", "choose", "data_uri"]

MAX_ONE = 300_000
"""Bytes of the largest single poster that is taken in."""
MAX_TOTAL = 15_000_000
"""Bytes of all posters of a page, some 750 of the usual size; as base64 a third more. With the
rest of a report of 5,000 clips the page stays below 40 MB, and is open in a browser within two
seconds."""

_KINDS = ((b"\xff\xd8\xff", "image/jpeg"), (b"\x89PNG\r\n\x1a\n", "image/png"))


@dataclass(frozen=True, slots=True)
class Posters:
    pictures: Mapping[str, bytes]
    """Clip name to its picture, JPEG or PNG."""
    left_out: int
    """Posters that exist but were too large, one by one or together."""
    unreadable: int
    """Posters that the catalog names but that are gone, or are no picture."""


def choose(
    clips: Sequence[ClipLine], *, max_one: int = MAX_ONE, max_total: int = MAX_TOTAL
) -> Posters:
    """Posters of the clips; past the bounds an even choice of them over the whole report."""
    pictures: dict[str, bytes] = {}
    left_out = unreadable = 0
    for clip in clips:
        if clip.poster is None:
            continue
        try:
            with clip.poster.open("rb") as file:
                data = file.read(max_one + 1)
        except (OSError, ValueError):
            unreadable += 1
            continue
        if _kind(data) is None:
            unreadable += 1
        elif len(data) > max_one:
            left_out += 1
        else:
            pictures[clip.name] = data
    total = sum(map(len, pictures.values()))
    chosen: dict[str, bytes] = {}
    seen = kept = 0
    for name, data in pictures.items():
        seen += len(data)
        # Keep this one only while the share kept so far stays below the share allowed.
        if total > max_total and (kept + len(data)) * total > seen * max_total:
            left_out += 1
            continue
        kept += len(data)
        chosen[name] = data
    return Posters(pictures=chosen, left_out=left_out, unreadable=unreadable)


def data_uri(picture: bytes) -> str:
    """The picture as a `data:` URI (RFC 2397)."""
    return f"data:{_kind(picture)};base64,{base64.b64encode(picture).decode('ascii')}"


def _kind(data: bytes) -> str | None:
    return next((kind for start, kind in _KINDS if data.startswith(start)), None)
