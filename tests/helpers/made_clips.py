"""Short clips of many formats, encoded by FFmpeg's own encoders through PyAV."""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

import av

__all__ = ["BOTTOM", "EVERY", "FILM", "TOP", "Made", "encode"]

FILM = Fraction(24000, 1001)
NTSC = Fraction(30000, 1001)
FAST = Fraction(60000, 1001)


@dataclass(frozen=True)
class Made:
    file: str
    encoder: str
    codec: str
    """As the facts name it."""
    rate: Fraction = Fraction(25)
    pixels: str = "yuv420p"
    bits: int = 8
    chroma: str = "4:2:0"
    size: tuple[int, int] = (128, 72)
    timecode: str | None = None
    sound: str | None = None
    scan: str | None = "progressive"
    """As the facts name it; None where the bitstream doesn't say."""
    colour: tuple[int, int, int] | None = None
    """Primaries, transfer, matrix by ITU-T H.273."""
    options: dict[str, str] = field(default_factory=dict)
    frames: int = 25
    picture: str = "moving"
    """moving, still or black."""
    sound_frames: int | None = None
    """How many frames the sound lasts; None: as many as the picture."""
    silent: bool = False
    tags: dict[str, str] = field(default_factory=dict)
    """Of the container and of the picture's stream."""


HD = (1280, 720)
FIELDS = {"flags": "+ildct+ilme"}
BOTTOM, TOP = "interlaced, bottom field first", "interlaced, top field first"
HLG = "log-level=none:colorprim=bt2020:transfer=arib-std-b67:colormatrix=bt2020nc"
EVERY = [
    Made("h264.mov", "libx264", "H.264", FILM, timecode="01:00:00:00", sound="pcm_s24le"),
    Made("h264.mp4", "libx264", "H.264", sound="aac"),
    Made("h264.mts", "libx264", "H.264", Fraction(25), sound="ac3"),
    Made("inter.mts", "libx264", "H.264", scan=TOP, options=FIELDS),
    Made("bottom.mov", "libx264", "H.264", scan=BOTTOM, options={**FIELDS, "x264-params": "bff=1"}),
    Made("h264.mxf", "libx264", "H.264", timecode="10:00:00:00", sound="pcm_s24le"),
    Made("h264.avi", "libx264", "H.264", sound="mp3"),
    Made("h264.mkv", "libx264", "H.264", FILM, sound="pcm_s16le"),
    Made("ten.mov", "libx264", "H.264", FILM, "yuv422p10le", 10, "4:2:2"),
    Made("hevc.mp4", "libx265", "HEVC", FILM, scan=None,
         options={"x265-params": "log-level=none"}),
    Made("hlg.mkv", "libx265", "HEVC", FILM, "yuv420p10le", 10, scan=None, colour=(9, 18, 9),
         options={"x265-params": HLG}),
    Made("pq.mov", "libx265", "HEVC", FILM, "yuv420p10le", 10, scan=None, colour=(9, 16, 9),
         options={"x265-params": "log-level=none:colorprim=bt2020:transfer=smpte2084:"
                  "colormatrix=bt2020nc"}),
    Made("prores.mov", "prores_ks", "ProRes", FILM, "yuv422p10le", 10, "4:2:2",
         timecode="23:59:59:20", sound="pcm_s16le"),
    Made("prores.mxf", "prores_ks", "ProRes", FILM, "yuv422p10le", 10, "4:2:2",
         timecode="10:00:00:00"),
    Made("fields.mov", "prores_ks", "ProRes", NTSC, "yuv422p10le", 10, "4:2:2", scan=BOTTOM,
         options=FIELDS),
    Made("dnxhr.mov", "dnxhd", "DNxHR", FILM, "yuv422p", 8, "4:2:2", HD, "01:02:03:04",
         options={"profile": "dnxhr_sq"}, frames=4),
    Made("dnxhr.mxf", "dnxhd", "DNxHR", Fraction(25), "yuv422p", 8, "4:2:2", HD, "10:00:00:00",
         sound="pcm_s16le", options={"profile": "dnxhr_sq"}, frames=4),
    Made("drop.mov", "libx264", "H.264", NTSC, timecode="00:59:59;20"),
    Made("drop.mp4", "libx264", "H.264", FAST, timecode="00:59:59;50"),
    Made("p120.mp4", "libx264", "H.264", Fraction(120)),
    Made("mjpeg.avi", "mjpeg", "MJPEG", Fraction(25), "yuvj420p", scan=None),
    Made("mjpeg.mov", "mjpeg", "MJPEG", Fraction(25), "yuvj420p", scan=None),
    Made("mpeg2.mxf", "mpeg2video", "MPEG-2", Fraction(25), timecode="10:00:00:00"),
    Made("mpeg2.mts", "mpeg2video", "MPEG-2", NTSC),
    Made("fields.mxf", "mpeg2video", "MPEG-2", NTSC, scan=BOTTOM, options=FIELDS,
         timecode="00:10:00;00"),
    Made("av1.mp4", "libsvtav1", "AV1", scan=None, options={"preset": "12"}),
    Made("av1.mkv", "libsvtav1", "AV1", scan=None, options={"preset": "12"}),
    Made("ffv1.mkv", "ffv1", "FFV1", FILM, "yuv422p10le", 10, "4:2:2", sound="flac"),
]  # fmt: skip


def encode(folder: Path, made: Made) -> Path:
    """Stripes that move and grow lighter, with a tone, unless it says otherwise."""
    path = folder / made.file
    width, height = made.size
    with av.open(str(path), "w") as container:
        container.metadata.update(made.tags)
        if made.timecode:
            container.metadata["timecode"] = made.timecode
        video = container.add_stream(made.encoder, rate=made.rate, options=made.options)
        video.width, video.height, video.pix_fmt = width, height, made.pixels
        video.metadata.update(made.tags)
        audio = container.add_stream(made.sound, rate=48000) if made.sound else None
        if audio is not None:
            audio.layout = "stereo"
        for number in range(made.frames):
            frame = av.VideoFrame(width, height, "gray")
            line = frame.planes[0].line_size
            at = number if made.picture == "moving" else 0
            dark, light = (16, 16) if made.picture == "black" else (40, 60 + 4 * (at % 45))
            row = bytes(light if (x + 3 * at) // 8 % 2 else dark for x in range(width))
            row = row.ljust(line, b"\0")
            frame.planes[0].update(row * height)
            ready = frame.reformat(format=made.pixels)
            ready.pts = number
            if made.colour:
                ready.color_primaries, ready.color_trc, ready.colorspace = made.colour
            container.mux(video.encode(ready))
        container.mux(video.encode())
        lasts = made.frames if made.sound_frames is None else made.sound_frames
        done, whole = 0, int(lasts / made.rate * 48000)
        while audio is not None and done < whole:
            count = min(1024, whole - done)
            sound = av.AudioFrame(audio.format.name, "stereo", count)
            for plane in sound.planes:
                # No value is zero in any sample format; as floats these are small numbers.
                if made.silent:
                    plane.update(bytes(plane.buffer_size))
                    continue
                plane.update(b"\x10\x20\x30\x3c" * (plane.buffer_size // 4) + b"\x10" * 3
                             if plane.buffer_size % 4 else b"\x10\x20\x30\x3c"
                             * (plane.buffer_size // 4))  # fmt: skip
            sound.sample_rate, sound.pts, sound.time_base = 48000, done, Fraction(1, 48000)
            container.mux(audio.encode(sound))
            done += count
        if audio is not None:
            container.mux(audio.encode())
    return path
