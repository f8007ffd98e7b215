"""The border to MediaInfo and FFmpeg: files go in, plain values come out, errors become one.

Files are handed over open, not by name. A name chosen by a camera can then never be taken for
a pattern (`%03d`), an address or a list; only demuxers of single files are allowed, so that
content can't make FFmpeg open other files.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any, BinaryIO

import av
import av.container
from pymediainfo import MediaInfo

from ingest.media.claims import Masked, claims

__all__ = ["CannotRead", "Track", "attached", "claimed_tracks", "mediainfo_tracks", "open_media"]

# FFmpeg's demuxer names: containers and bare streams, none that refers to other files.
_DEMUXERS = (
    "mov,mp4,m4a,3gp,3g2,mj2,mxf,matroska,webm,avi,mpegts,mpeg,mpegvideo,m4v,h264,hevc,av1,obu,"
    "ivf,flv,asf,ogg,dv,gxf,nut,wav,w64,aiff,caf,flac,mp3,aac,ac3,amr,yuv4mpegpipe,mjpeg,dnxhd,"
    "jpeg_pipe,png_pipe,tiff_pipe,webp_pipe,dpx_pipe,exr_pipe,j2k_pipe,bmp_pipe,jpegxl_pipe"
)

_MOST_LISTED = 256

Track = Mapping[str, Any]
"""One track as MediaInfo tells it: `track_type` and its own keys, text or int."""


class CannotRead(Exception):
    """A library could not make anything of the file; `str()` says why in its words."""


class _Nameless:
    """An open file that doesn't tell its name: FFmpeg guesses by endings before content."""

    def __init__(self, file: BinaryIO | Masked) -> None:
        self.read = file.read
        self.seek = file.seek
        self.tell = file.tell


@contextmanager
def open_media(path: str | os.PathLike[str]) -> Iterator[av.container.InputContainer]:
    """The file opened with FFmpeg. Raises CannotRead, also for what goes wrong in the block."""
    try:
        with (
            open(path, "rb") as file,
            av.open(
                _Nameless(_bounded(file)),
                "r",
                options={"format_whitelist": _DEMUXERS, "protocol_whitelist": ""},
                metadata_errors="replace",
            ) as container,
        ):
            yield container
    except (CannotRead, GeneratorExit):
        raise
    except StopIteration as error:
        raise CannotRead("it ends before the first frame") from error
    except Exception as error:
        raise CannotRead(_words(error)) from error


def attached(stream: object) -> bool:
    """Whether this video stream is cover art, and no moving picture."""
    return "attached_pic" in str(getattr(stream, "disposition", "")).lower()


def mediainfo_tracks(path: str | os.PathLike[str]) -> list[Track]:
    """The file's tracks as MediaInfo tells them, General first. Raises CannotRead.

    It is given the open file's number where the system has names for those: in its buffer mode
    it doesn't see the timecode of a MOV (measured, MediaInfoLib 24.12).
    """
    try:
        with open(path, "rb") as file:
            source: Any = _bounded(file)
            if source is file:
                source = f"/proc/self/fd/{file.fileno()}"
                if not os.path.exists(source):
                    source = os.path.abspath(path)
            found = MediaInfo.parse(
                source,
                encoding_errors="replace",
                mediainfo_options={"File_TestContinuousFileNames": "0"},
            )
        assert isinstance(found, MediaInfo)
        return [track.to_data() for track in found.tracks[:_MOST_LISTED]]
    except Exception as error:
        raise CannotRead(_words(error)) from error


def claimed_tracks(path: str | os.PathLike[str]) -> tuple[int, int]:
    """How many tracks the header claims, where that is cheap to count, and how many of them the
    libraries are shown. Raises OSError."""
    with open(path, "rb") as file:
        claimed = claims(file)
    return claimed.tracks, claimed.looked


def _bounded(file: BinaryIO) -> BinaryIO | Masked:
    """The file as the libraries may see it: with no more tracks than they can take."""
    claimed = claims(file)
    return Masked(file, claimed) if claimed.hidden else file


def _words(error: Exception) -> str:
    """An error's own words without the path, which the caller knows and shows safely."""
    if isinstance(error, OSError | av.FFmpegError) and error.strerror:
        return str(error.strerror)
    return str(error) or type(error).__name__
