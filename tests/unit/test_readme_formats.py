"""README's table of formats is what a run gives: what is read, checked and drawn of each.

`INGEST_WRITE_README=1` writes it anew.
"""

from __future__ import annotations

import os
import random
import struct
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

import av
from made_clips import EVERY, encode
from made_heif import heif, jpeg_tile

from ingest.media.facts import ClipFacts, ClipKind
from ingest.media.health import Health
from ingest.media.judging import judge
from ingest.media.looking.viewing import View, view
from ingest.media.posters import CannotDraw, draw
from ingest.media.reading.probe import probe

README = Path(__file__).resolve().parents[2] / "README.md"
BEGIN, END = "<!-- formats: from a run -->", "<!-- end of formats -->"


def others(folder: Path) -> Iterator[tuple[str, Path]]:
    """Stills, sound and camera RAW: format and file."""
    for name, codec, pixels in (
        ("a.jpg", "mjpeg", "yuvj420p"),
        ("a.png", "png", "rgb24"),
        ("a.tif", "tiff", "rgb24"),
    ):
        path = folder / name
        with av.open(str(path), "w", format="image2", options={"update": "1"}) as container:
            stream = container.add_stream(codec, rate=1)
            stream.width, stream.height, stream.pix_fmt = 96, 64, pixels
            container.mux(stream.encode(av.VideoFrame(96, 64, pixels)))
            container.mux(stream.encode())
        yield {"a.jpg": "JPEG", "a.png": "PNG", "a.tif": "TIFF"}[name], path
    tiles = [jpeg_tile(64, 32, light) for light in (40, 90, 140, 190)]
    tiled = folder / "a.heic"
    tiled.write_bytes(heif(tiles, columns=2, tile=(64, 32), size=(128, 64)))
    yield "HEIF, all its tiles", tiled
    for name, codec in (("a.wav", "pcm_s24le"), ("a.flac", "flac"), ("a.m4a", "aac")):
        path = folder / name
        with av.open(str(path), "w") as container:
            audio = container.add_stream(codec, rate=48000)
            audio.layout = "stereo"
            for number in range(20):
                sound = av.AudioFrame(audio.format.name, "stereo", 1024)
                for plane in sound.planes:
                    plane.update(b"\x10\x20\x30\x3c" * (plane.buffer_size // 4))
                sound.sample_rate, sound.pts = 48000, 1024 * number
                container.mux(audio.encode(sound))
            container.mux(audio.encode())
        yield {"a.wav": "Wave", "a.flac": "FLAC", "a.m4a": "AAC in MP4"}[name], path
    dng = folder / "a.dng"
    make = b"Lumora\0"
    entry = struct.pack("<HHII", 0x010F, 2, len(make), 26)
    dng.write_bytes(b"II*\0" + struct.pack("<IH", 8, 1) + entry + bytes(4) + make + bytes(200))
    yield "camera RAW still (DNG and its kin)", dng
    raw = folder / "a.r3d"
    raw.write_bytes(random.Random(2).randbytes(9000))
    yield "camera RAW film", raw


def read(facts: ClipFacts) -> Iterator[str]:
    if facts.width:
        yield "size"
    if facts.frame_rate:
        yield "rate"
    if facts.duration_seconds:
        yield "length"
    if facts.bit_depth and facts.kind is not ClipKind.SOUND:
        yield "depth"
    if facts.chroma:
        yield "chroma"
    if facts.start_timecode:
        yield "timecode"
    if facts.audio:
        yield "sound tracks"
    if facts.camera_make:
        yield "EXIF"


def checked(seen: View, health: Health) -> str:
    if health.unchecked:
        return "no"
    parts = []
    if health.frames:
        places = [each.place for each in seen.seen.glimpses if not each.error]
        ends = {"first", "middle", "last"} <= set(places)
        parts.append("first, middle, last frame" if ends else f"{', '.join(places)} frame")
    if seen.seen.sounds:
        parts.append("sound")
    return ", ".join(parts)


def drawn(path: Path, facts: ClipFacts, seen: View) -> str:
    try:
        draw(path, facts, seen)
    except CannotDraw:
        return "no"
    return {
        ClipKind.PICTURE: "telling frame, slate",
        ClipKind.SOUND: "waveform",
        ClipKind.STILL: "the still",
    }[facts.kind]


def table(folder: Path) -> list[str]:
    files = [(f"{made.file.partition('.')[2].upper()}: {made.codec}", made) for made in EVERY]
    found: dict[str, dict[str, set[str]]] = defaultdict(lambda: defaultdict(set))
    of_files = [
        *((name, encode(folder, made)) for name, made in files),
        *others(folder),
    ]
    for name, path in of_files:
        container, _, codec = name.partition(": ")
        facts = probe(path)
        seen = view(path, facts)
        quick = judge(facts, seen.seen, name=path.name)
        deep = judge(facts, view(path, facts, deep=True).seen, name=path.name)
        row = found[container]
        row["codecs"] |= {codec} if codec else set()
        row["read"] |= set(read(facts))
        row["quick"].add(checked(seen, quick))
        row["deep"].add("every frame and sample" if not deep.unchecked else "no")
        row["drawn"].add(drawn(path, facts, seen))
    order = ["size", "rate", "length", "depth", "chroma", "timecode", "sound tracks", "EXIF"]
    lines = [
        "| format | read | checked | with `--deep` | drawn |",
        "| --- | --- | --- | --- | --- |",
    ]
    for name, row in found.items():
        codecs = f": {', '.join(sorted(row['codecs']))}" if row["codecs"] else ""
        facts_read = ", ".join(each for each in order if each in row["read"]) or "nothing"
        quick_checked = max(sorted(row["quick"]), key=len)
        lines.append(
            f"| {name}{codecs} | {facts_read} | {quick_checked} | {'; '.join(sorted(row['deep']))} "
            f"| {'; '.join(sorted(row['drawn']))} |"
        )
    return lines


def test_readmes_table_of_formats_is_what_a_run_gives(tmp_path: Path) -> None:
    """Made anew here, compared line by line."""
    lines = table(tmp_path)
    text = README.read_text(encoding="utf-8")
    head, _, rest = text.partition(BEGIN + "\n")
    old, _, tail = rest.partition(END)
    if os.environ.get("INGEST_WRITE_README"):
        made = "\n".join(lines)
        README.write_text(f"{head}{BEGIN}\n{made}\n{END}{tail}", encoding="utf-8")
    else:
        assert old.splitlines() == lines
