"""What is this file? Chosen by its content; its name only stands in where that doesn't tell."""

from __future__ import annotations

import os
import stat

from ingest.media.facts import ClipFacts, ClipKind, Sign
from ingest.media.kinds import is_raw_still, kind_of_name
from ingest.media.reading.flight_subtitles import is_subtitles, read_flight
from ingest.media.reading.pictures import read_picture
from ingest.media.reading.sound import read_sound
from ingest.media.reading.stills import read_still

__all__ = ["probe"]

_HEAD = 4096
_STILL_BRANDS = (
    *(b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1"),  # HEIF, bursts too
    *(b"avif", b"avis", b"crx ", b"jpeg"),
)


def probe(path: str | os.PathLike[str], *, kind_hint: ClipKind | None = None) -> ClipFacts:
    """Facts of one file.

    `kind_hint` is what the file is taken for where its content doesn't tell; without it the
    name's ending decides. Never raises for a bad or unreadable file: `doubts` say what could
    not be read, a sentence each. It may hang or crash inside a decoder: see `workers`.
    """
    kind = kind_hint or kind_of_name(os.fsdecode(path))
    try:
        info = os.stat(path)
        if not stat.S_ISREG(info.st_mode):
            return ClipFacts(
                kind=kind, doubts=("It is no regular file.",), signs=(Sign.UNREADABLE,)
            )
        if info.st_size == 0:
            return ClipFacts(kind=kind, doubts=("It is empty (0 bytes).",), signs=(Sign.EMPTY,))
        with open(path, "rb") as file:
            head = file.read(_HEAD)
        if not head.strip(b"\0"):
            said = f"Its first {len(head)} bytes are all zero."
            return ClipFacts(kind=kind, doubts=(said,), signs=(Sign.ZEROS,))
        if _is_text(head) and is_subtitles(os.fsdecode(path)):
            return read_flight(path)
        if _is_text(head):
            # Lists that name other files are text too, and must not be followed.
            said = "It is text, not picture or sound."
            return ClipFacts(kind=kind, doubts=(said,), signs=(Sign.TEXT,))
        if head[8:12] == b"WAVE" and (sound := read_sound(path)) is not None:
            return sound
        if head[:4] == b"RIFX" and head[8:12] == b"WAVE":
            said = "It is a Wave with its bytes in the other order (RIFX), which isn't read here."
            return ClipFacts(kind=ClipKind.SOUND, container="RIFX", doubts=(said,))
        if _is_still(head) or is_raw_still(os.fsdecode(path)):
            return read_still(path)
        if kind is ClipKind.STILL and not _is_container(head):
            # Searching all of it for something that plays would take long, and find nothing.
            said = "It begins like no kind of still known here."
            return ClipFacts(kind=kind, doubts=(said,), signs=(Sign.UNKNOWN,))
        return read_picture(path, kind=kind)
    except OSError as error:
        said = f"It can't be read: {error.strerror or error}."
        return ClipFacts(kind=kind, doubts=(said,), signs=(Sign.UNREADABLE,))


def _is_still(head: bytes) -> bool:
    if head[4:8] == b"ftyp":
        return head[8:12] in _STILL_BRANDS
    return (
        head.startswith(
            (
                b"\xff\xd8\xff",  # JPEG
                b"II*\0",  # TIFF and what is built on it (DNG and other camera RAW)
                b"MM\0*",
                b"\x89PNG\r\n",
                b"SDPX",  # DPX (SMPTE ST 268), either byte order
                b"XPDS",
                b"v/1\x01",  # OpenEXR
            )
        )
        or (head[:4] == b"RIFF" and head[8:12] == b"WEBP")
    )


def _is_container(head: bytes) -> bool:
    """ISO base media, RIFF or Matroska: a moving picture under a still's name, say."""
    return head[4:8] == b"ftyp" or head[:4] in (b"RIFF", b"\x1aE\xdf\xa3")


def _is_text(head: bytes) -> bool:
    """Printable ASCII or UTF-8 throughout: no container or codec begins like that for long."""
    if any(each < 9 or 13 < each < 32 or each == 127 for each in head):
        return False
    for cut in range(4):  # the head may end inside a character
        try:
            head[: len(head) - cut].decode("utf-8")
            return True
        except UnicodeDecodeError:
            continue
    return False
