"""What a file probably holds, by the ending of its name alone. Content overrules it (probe).

Endings are common practice, no source. Camera RAW is known as picture or still, so that it
makes a clip, though most of it can't be decoded here.
"""

from __future__ import annotations

from ingest.media.facts import ClipKind

__all__ = ["ending", "is_raw", "is_raw_still", "kind_of_name"]

_PICTURE = frozenset(
    (
        "mov",
        "mp4",
        "m4v",
        "mxf",
        "mkv",
        "webm",
        "avi",
        "mts",
        "m2ts",
        "m2t",
        "ts",
        "mpg",
        "mpeg",
        "vob",
        "3gp",
        "3g2",
        "dv",
        "wmv",
        "asf",
        "flv",
        "ogv",
        "ivf",
        "y4m",
        "crm",
        "r3d",
        "ari",
        "arx",
        "braw",
        "nev",
        "mlv",
        "cine",
    )
)
_RAW_PICTURE = frozenset(("crm", "r3d", "ari", "arx", "braw", "nev", "mlv", "cine"))
_SOUND = frozenset(
    (
        "wav",
        "bwf",
        "rf64",
        "w64",
        "aif",
        "aiff",
        "aifc",
        "caf",
        "flac",
        "mp3",
        "m4a",
        "aac",
        "ogg",
        "opus",
        "wma",
        "amr",
    )
)
_STILL = frozenset(
    (
        "jpg",
        "jpeg",
        "jpe",
        "heic",
        "heif",
        "hif",
        "avif",
        "tif",
        "tiff",
        "png",
        "webp",
        "jp2",
        "jxl",
        "dpx",
        "exr",
    )
)
_RAW_STILL = frozenset(
    (
        "dng",
        "cr2",
        "cr3",
        "nef",
        "nrw",
        "arw",
        "sr2",
        "raf",
        "orf",
        "rw2",
        "pef",
        "srw",
        "3fr",
        "fff",
        "iiq",
        "rwl",
        "x3f",
        "gpr",
    )
)


def ending(name: str) -> str:
    """The ending of a file's name, small letters, without its point; empty where it has none."""
    base = name.rsplit("/", 1)[-1]
    stem, point, end = base.rpartition(".")
    return end.lower() if point and stem else ""


def is_raw_still(name: str) -> bool:
    """Whether the name says camera RAW of a still."""
    return ending(name) in _RAW_STILL


def is_raw(name: str) -> bool:
    """Whether the name says camera RAW, moving or still."""
    return ending(name) in _RAW_PICTURE or is_raw_still(name)


def kind_of_name(name: str) -> ClipKind:
    """The kind that the name's ending stands for; OTHER for everything unknown."""
    end = ending(name)
    if end in _PICTURE:
        return ClipKind.PICTURE
    if end in _SOUND:
        return ClipKind.SOUND
    if end in _STILL or end in _RAW_STILL:
        return ClipKind.STILL
    return ClipKind.OTHER
