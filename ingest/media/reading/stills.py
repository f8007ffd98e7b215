"""Stills: size by a JPEG's own header or a HEIF's boxes, else by MediaInfo; camera and exposure by
EXIF (CIPA DC-008) with exifread. A JPEG is opened once, and its picture not decoded: 400 of them
come in at a time."""

from __future__ import annotations

import logging
import os
from collections.abc import Mapping
from fractions import Fraction
from typing import Any, BinaryIO

import exifread
from exifread.utils import get_gps_coords

from ingest.media.facts import ClipFacts, ClipKind, Sign
from ingest.media.heif import read_heif
from ingest.media.opening import CannotRead, Track, mediainfo_tracks
from ingest.media.reading.jpegs import read_jpeg
from ingest.media.reading.tags import zone_of
from ingest.media.reading.values import clean, text, whole
from ingest.wording import listed

__all__ = ["embedded_thumbnail", "read_still", "upright"]

# exifread tells its troubles to the log; here they become doubts.
logging.getLogger("exifread").addHandler(logging.NullHandler())

# EXIF Orientation to degrees clockwise that turn the picture upright; 2, 4, 5, 7 are mirrored too.
_TURNS = {1: 0, 2: 0, 3: 180, 4: 180, 5: 90, 6: 90, 7: 270, 8: 270}
_MIRRORED = (2, 4, 5, 7)

_MOST_EXTRA = 200
_LONGEST_EXTRA = 500

_Tags = Mapping[str, Any]


def read_still(path: str | os.PathLike[str]) -> ClipFacts:
    """Facts of a still. Never raises for what is in the file: doubts say what wasn't read.

    Raises OSError where the file can't be opened or read.
    """
    doubts: list[str] = []
    signs: list[Sign] = []
    general: Track = {}
    image: Track = {}
    with open(path, "rb") as file:
        frame = read_jpeg(file)
        file.seek(0)
        tags = _exif(file, doubts)
    if frame is not None:
        general, image = {"format": "JPEG"}, frame.as_track()
        if not frame.ended:
            signs.append(Sign.NO_END)
            doubts.append("Its picture has no end: it was cut short.")
    else:
        try:
            tracks = mediainfo_tracks(path)
            general = next((each for each in tracks if each.get("track_type") == "General"), {})
            image = next((each for each in tracks if each.get("track_type") == "Image"), {})
        except CannotRead as error:
            doubts.append(f"MediaInfo could not read it: {error}.")
        if text(general, "istruncated") == "Yes":
            signs.append(Sign.CLAIMS_MORE)
            doubts.append("The container says more than there is: it may have been cut short.")
    width = _first_whole(tags, "EXIF ExifImageWidth", "Image ImageWidth")
    height = _first_whole(tags, "EXIF ExifImageLength", "Image ImageLength")
    if whole(image, "width") and whole(image, "height"):
        # In camera RAW the first picture is often a small one: the larger size is the still's.
        if not width or not height or text(general, "format") == "JPEG":
            width, height = None, None
        width = max(width or 0, whole(image, "width") or 0)
        height = max(height or 0, whole(image, "height") or 0)
    heif = read_heif(path) if frame is None else None
    if heif is not None and heif.width and heif.height:
        width, height = heif.width, heif.height
    if not image and not tags:
        signs.append(Sign.UNKNOWN)
        doubts.append("Neither its size nor its EXIF can be read.")
    recorded, source = _recorded(tags)
    return ClipFacts(
        kind=ClipKind.STILL,
        container=text(general, "format"),
        codec=text(image, "format"),
        width=width or None,
        height=height or None,
        bit_depth=whole(image, "bit_depth"),
        chroma=text(image, "chroma_subsampling"),
        rotation=heif.turned if heif is not None else upright(tags)[0],
        camera_make=_text(tags, "Image Make"),
        camera_model=_text(tags, "Image Model"),
        camera_serial=_text(tags, "EXIF BodySerialNumber"),
        lens=_text(tags, "EXIF LensModel"),
        iso=_text(tags, "EXIF ISOSpeedRatings", "EXIF PhotographicSensitivity"),
        exposure=_text(tags, "EXIF ExposureTime"),
        aperture=_aperture(tags),
        white_balance=_text(tags, "EXIF WhiteBalance"),
        location=_location(tags),
        recorded=recorded,
        recorded_zone=zone_of(recorded[10:]) if recorded else None,
        recorded_source=source,
        doubts=tuple(doubts),
        signs=tuple(signs),
        extra=_extra(tags),
    )


def embedded_thumbnail(path: str | os.PathLike[str]) -> bytes | None:
    """The JPEG that EXIF carries as thumbnail, or None. Raises OSError."""
    with open(path, "rb") as file:
        tags = _exif(file, [], thumbnail=True)
    found = tags.get("JPEGThumbnail")
    return bytes(found) if isinstance(found, bytes) and found else None


def upright(tags: _Tags) -> tuple[int | None, bool]:
    """Degrees clockwise that turn the picture upright (None: not said), and whether mirrored."""
    orientation = _first_whole(tags, "Image Orientation")
    if orientation not in _TURNS:
        return None, False
    return _TURNS[orientation], orientation in _MIRRORED


def _exif(file: BinaryIO, doubts: list[str], *, thumbnail: bool = False) -> dict[str, Any]:
    try:
        tags = dict(exifread.process_file(file, details=False, extract_thumbnail=thumbnail) or {})
    except OSError:
        raise
    except Exception as error:  # exifread's errors have no common base
        words = clean(str(error)) or type(error).__name__
        doubts.append(f"Its EXIF can't be read: {words}.")
        return {}
    size = file.seek(0, os.SEEK_END)
    beyond = [name for name, value in tags.items() if _reaches(value) > size]
    if beyond:
        # exifread gives what little there is, which is not what was written.
        doubts.append(f"Its EXIF says more than the file holds in {listed(beyond)}: left out.")
    return {name: value for name, value in tags.items() if name not in beyond}


def _reaches(value: object) -> int:
    """Where a field's value ends, in bytes from the start of the EXIF: at most that of the file."""
    place, length = getattr(value, "field_offset", None), getattr(value, "field_length", None)
    return place + length if isinstance(place, int) and isinstance(length, int) else 0


def _text(tags: _Tags, *names: str) -> str | None:
    for name in names:
        if name in tags and (written := clean(str(tags[name]))):
            return written[:_LONGEST_EXTRA]
    return None


def _values(tags: _Tags, name: str) -> list[Any]:
    values = getattr(tags.get(name), "values", None)
    return list(values) if isinstance(values, list | tuple) else []


def _first_whole(tags: _Tags, *names: str) -> int | None:
    for name in names:
        for value in _values(tags, name)[:1]:
            if isinstance(value, int) and value > 0:
                return value
    return None


def _aperture(tags: _Tags) -> str | None:
    for value in _values(tags, "EXIF FNumber")[:1]:
        try:
            number = Fraction(value)
        except (TypeError, ValueError, ZeroDivisionError):
            return None
        return f"f/{float(number):g}" if number > 0 else None
    return None


def _recorded(tags: _Tags) -> tuple[str | None, str | None]:
    """`2026:03:14 10:20:30+01:00` and the tag it stands in: EXIF keeps time and zone apart; without
    a zone none is added."""
    for time, zone in (
        ("EXIF DateTimeOriginal", "EXIF OffsetTimeOriginal"),
        ("EXIF DateTimeDigitized", "EXIF OffsetTimeDigitized"),
        ("Image DateTime", "EXIF OffsetTime"),
    ):
        written = _text(tags, time)
        if written and written.strip("0: "):
            return written + (_text(tags, zone) or ""), time
    return None, None


def _location(tags: _Tags) -> str | None:
    if "GPS GPSLatitude" not in tags:
        return None
    try:
        found: Any = get_gps_coords(dict(tags))
        latitude, longitude = found
        return f"{float(latitude):+.6f}{float(longitude):+.6f}"
    except Exception:
        return None  # the tags stay in `extra` as they came


def _extra(tags: _Tags) -> dict[str, str]:
    kept: dict[str, str] = {}
    for name, value in tags.items():
        if isinstance(value, bytes) or name.endswith(("MakerNote", "UserComment", "Tag 0xEA1C")):
            continue
        written = clean(str(value))
        if written and len(kept) < _MOST_EXTRA:
            kept[clean(name)[:100]] = written[:_LONGEST_EXTRA]
    return kept
