"""Short clips of many formats, encoded by FFmpeg's own encoders through PyAV."""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

import av

__all__ = ["EVERY", "Made", "encode"]

FILM = Fraction(24000, 1001)
NTSC = Fraction(30000, 1001)


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
    interlaced: bool = False
    colour: tuple[int, int, int] | None = None
    """Primaries, transfer, matrix by ITU-T H.273."""
    options: dict[str, str] = field(default_factory=dict)
    frames: int = 25


HD = (1280, 720)
EVERY = [
    Made("h264.mov", "libx264", "H.264", FILM, timecode="01:00:00:00", sound="pcm_s24le"),
    Made("h264.mp4", "libx264", "H.264", sound="aac"),
    Made("h264.mts", "libx264", "H.264", Fraction(25), sound="ac3"),
    Made("inter.mts", "libx264", "H.264", interlaced=True, options={"flags": "+ildct+ilme"}),
    Made("ten.mov", "libx264", "H.264", FILM, "yuv422p10le", 10, "4:2:2"),
    Made("hevc.mp4", "libx265", "HEVC", FILM, options={"x265-params": "log-level=none"}),
    Made("pq.mov", "libx265", "HEVC", FILM, "yuv420p10le", 10, colour=(9, 16, 9),
         options={"x265-params": "log-level=none:colorprim=bt2020:transfer=smpte2084:"
                  "colormatrix=bt2020nc"}),
    Made("prores.mov", "prores_ks", "ProRes", FILM, "yuv422p10le", 10, "4:2:2",
         timecode="23:59:59:20", sound="pcm_s16le"),
    Made("dnxhr.mov", "dnxhd", "DNxHR", FILM, "yuv422p", 8, "4:2:2", HD, "01:02:03:04",
         options={"profile": "dnxhr_sq"}, frames=4),
    Made("dnxhr.mxf", "dnxhd", "DNxHR", Fraction(25), "yuv422p", 8, "4:2:2", HD, "10:00:00:00",
         sound="pcm_s16le", options={"profile": "dnxhr_sq"}, frames=4),
    Made("drop.mov", "libx264", "H.264", NTSC, timecode="00:59:59;20"),
    Made("mjpeg.avi", "mjpeg", "MJPEG", Fraction(25), "yuvj420p"),
    Made("mpeg2.mxf", "mpeg2video", "MPEG-2", Fraction(25), timecode="10:00:00:00"),
    Made("mpeg2.mts", "mpeg2video", "MPEG-2", NTSC),
    Made("av1.mp4", "libsvtav1", "AV1", options={"preset": "12"}),
    Made("av1.mkv", "libsvtav1", "AV1", options={"preset": "12"}),
    Made("ffv1.mkv", "ffv1", "FFV1", FILM, "yuv422p10le", 10, "4:2:2", sound="flac"),
]  # fmt: skip


def encode(folder: Path, made: Made) -> Path:
    """Stripes that move and grow lighter, with a tone."""
    path = folder / made.file
    width, height = made.size
    with av.open(str(path), "w") as container:
        if made.timecode:
            container.metadata["timecode"] = made.timecode
        video = container.add_stream(made.encoder, rate=made.rate, options=made.options)
        video.width, video.height, video.pix_fmt = width, height, made.pixels
        audio = container.add_stream(made.sound, rate=48000) if made.sound else None
        if audio is not None:
            audio.layout = "stereo"
        for number in range(made.frames):
            frame = av.VideoFrame(width, height, "gray")
            line = frame.planes[0].line_size
            row = bytes(
                60 + 4 * number if (x + 3 * number) // 8 % 2 else 40 for x in range(width)
            ).ljust(line, b"\0")
            frame.planes[0].update(row * height)
            ready = frame.reformat(format=made.pixels)
            ready.pts = number
            if made.colour:
                ready.color_primaries, ready.color_trc, ready.colorspace = made.colour
            container.mux(video.encode(ready))
        container.mux(video.encode())
        done, whole = 0, int(made.frames / made.rate * 48000)
        while audio is not None and done < whole:
            count = min(1024, whole - done)
            sound = av.AudioFrame(audio.format.name, "stereo", count)
            for plane in sound.planes:
                # No value is zero in any sample format; as floats these are small numbers.
                plane.update(b"\x10\x20\x30\x3c" * (plane.buffer_size // 4) + b"\x10" * 3
                             if plane.buffer_size % 4 else b"\x10\x20\x30\x3c"
                             * (plane.buffer_size // 4))  # fmt: skip
            sound.sample_rate, sound.pts, sound.time_base = 48000, done, Fraction(1, 48000)
            container.mux(audio.encode(sound))
            done += count
        if audio is not None:
            container.mux(audio.encode())
    return path
