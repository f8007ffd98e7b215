"""What FFmpeg's demuxer says of a file: the second view beside MediaInfo's.

Its index of the frames decides whether the rate varies and whether frames lie past the end.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from fractions import Fraction

from av.video.codeccontext import VideoCodecContext

from ingest.media.facts import AudioTrack
from ingest.media.opening import CannotRead, attached, open_media
from ingest.media.reading.rates import Pace, pace

__all__ = ["Demuxed", "demux", "pace_of_packets"]

# FFmpeg's AVFieldOrder. 4 and 5 are fields coded in one order and shown in the other, over which
# MOV's `fiel` is read in two ways (QuickTime File Format against Apple TN2162): no order is taken.
_SCANS = {
    1: "progressive",
    2: "interlaced, top field first",
    3: "interlaced, bottom field first",
    4: "interlaced",
    5: "interlaced",
}
_PACED = 64
_REORDERED = 16


@dataclass(frozen=True, slots=True)
class Demuxed:
    """FFmpeg's view of the file; the fields are None where it says nothing."""

    tags: dict[str, str]
    width: int | None = None
    height: int | None = None
    codec: str | None = None
    bit_depth: int | None = None
    scan: str | None = None
    """`progressive`; `interlaced`, with the field that is shown first where it says."""
    seconds: Fraction | None = None
    average_rate: Fraction | None = None
    pace: Pace | None = None
    past_end: int = 0
    frames: int = 0
    audio: tuple[AudioTrack, ...] = ()


def demux(path: str | os.PathLike[str]) -> Demuxed:
    """Open the file and take what its headers and index say; nothing is decoded.

    Raises CannotRead where FFmpeg can't open it, OSError where its size can't be asked for.
    """
    with open_media(path) as container:
        tags = {key.lower(): value for key, value in container.metadata.items()}
        for stream in container.streams:
            for key in ("timecode", "reel_name"):
                if key in stream.metadata:
                    tags.setdefault(f"stream:{key}", stream.metadata[key])
        audio = tuple(
            AudioTrack(
                channels=each.codec_context.channels or None,
                sample_rate=each.codec_context.sample_rate or None,
                codec=each.codec_context.name,
                bitrate=each.codec_context.bit_rate or None,
                name=each.metadata.get("title"),
                seconds=each.duration * each.time_base
                if each.duration and each.time_base
                else None,
            )
            for each in container.streams.audio
            if each.codec_context is not None  # no decoder for it here
        )
        seconds = Fraction(container.duration, 1_000_000) if container.duration else None
        video = next((each for each in container.streams.video if not attached(each)), None)
        if video is None:
            return Demuxed(tags=tags, seconds=seconds, audio=audio)
        context: VideoCodecContext | None = video.codec_context
        if context is None:  # no decoder for it here
            return Demuxed(tags=tags, seconds=seconds, audio=audio)
        layout = context.format
        if video.duration and video.time_base:
            seconds = video.duration * video.time_base
        entries = [
            (each.timestamp, each.pos + each.size)
            for _, each in zip(range(500_000), video.index_entries, strict=False)
        ]
        times = [each for each, _ in entries]
        size = os.stat(path).st_size
        return Demuxed(
            tags=tags,
            width=context.width or None,
            height=context.height or None,
            codec=context.name,
            scan=_SCANS.get(context.field_order),
            bit_depth=layout.components[0].bits if layout and layout.components else None,
            seconds=seconds,
            average_rate=video.average_rate,
            pace=pace(times, video.time_base) if video.frames and video.time_base else None,
            past_end=sum(end > size for _, end in entries) if video.frames else 0,
            frames=video.frames,
            audio=audio,
        )


def pace_of_packets(path: str | os.PathLike[str]) -> Pace | None:
    """The pace of the first frames, where a container has no index of them."""
    try:
        with open_media(path) as container:
            video = next((each for each in container.streams.video if not attached(each)), None)
            if video is None or not video.time_base:
                return None
            packets = zip(range(_PACED), container.demux(video), strict=False)
            times = sorted(packet.pts for _, packet in packets if packet.pts is not None)
            # Frames shown before the last ones that were read may not have come yet.
            whole = times if len(times) < _PACED - 1 else times[:-_REORDERED]
            return pace(whole, video.time_base)
    except CannotRead:
        return None
