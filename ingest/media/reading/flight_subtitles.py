"""Where a drone flew, from the subtitles that it writes beside its clip.

SubRip text in which a line names latitude and longitude in degrees: common practice, no source, as
are the keys `latitude`, `lat`, `longitude`, `lon`, `long` and the misspelt `longtitude`. Numbers
without such a key are left alone, since makers differ in which of the two comes first.
"""

from __future__ import annotations

import os
import re

from ingest.media.facts import ClipFacts, ClipKind

__all__ = ["is_subtitles", "read_flight"]

_MOST_BYTES = 1 << 20
_DEGREES = r"[\s:=]*([+-]?\d{1,3}\.\d+)"
_LATITUDE = re.compile(r"\blat(?:itude)?\b" + _DEGREES, re.IGNORECASE | re.ASCII)
_LONGITUDE = re.compile(r"\blong?(?:t?itude)?\b" + _DEGREES, re.IGNORECASE | re.ASCII)


def is_subtitles(name: str) -> bool:
    """Whether a file is SubRip by its name."""
    return name.lower().endswith(".srt")


def read_flight(path: str | os.PathLike[str]) -> ClipFacts:
    """Facts that hold the first location in these subtitles (ISO 6709, degrees), or none.

    Only the first MiB is read. Zero and zero is what is written before there is a fix (common
    practice, no source). Raises OSError where the file can't be read.
    """
    with open(path, "rb") as file:
        lines = file.read(_MOST_BYTES).decode("utf-8", "replace").splitlines()
    for line in lines:
        latitude, longitude = _LATITUDE.search(line), _LONGITUDE.search(line)
        if latitude is None or longitude is None:
            continue
        north, east = float(latitude[1]), float(longitude[1])
        if (north or east) and abs(north) <= 90 and abs(east) <= 180:
            return ClipFacts(kind=ClipKind.OTHER, location=f"{north:+010.6f}{east:+011.6f}/")
    return ClipFacts(kind=ClipKind.OTHER)
