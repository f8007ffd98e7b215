"""Clips encoded here, read by `probe`, judged by FFmpeg's libraries through PyAV."""

from __future__ import annotations

import os
import random
import struct
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

import av
import pytest

from ingest.media.facts import ClipKind
from ingest.media.posters import CannotDraw, draw, poster
from ingest.media.reading.probe import probe
from ingest.media.reading.rates import pace
from ingest.media.workers import ProbeItem, probe_many

FILM = Fraction(24000, 1001)
NTSC = Fraction(30000, 1001)


@dataclass(frozen=True)
class Recipe:
    file: str
    encoder: str
    codec: str
    rate: Fraction
    pixels: str = "yuv420p"
    size: tuple[int, int] = (128, 72)
    timecode: str | None = None
    sound: bool = False
    options: dict[str, str] = field(default_factory=dict)
    frames: int = 12


RECIPES = [
    Recipe("h264.mov", "libx264", "H.264", FILM, timecode="01:02:03:04", sound=True),
    Recipe("h264.mp4", "libx264", "H.264", Fraction(25), sound=True),
    Recipe("drop.mov", "libx264", "H.264", NTSC, timecode="00:59:59;20"),
    Recipe("drop60.mov", "libx264", "H.264", 2 * NTSC, timecode="10:00:00;00"),
    Recipe("prores.mov", "prores_ks", "ProRes", FILM, "yuv422p10le", timecode="23:59:59:20"),
    Recipe(
        "dnxhr.mov",
        "dnxhd",
        "DNxHR",
        FILM,
        "yuv422p",
        (1280, 720),
        "01:02:03:04",
        options={"profile": "dnxhr_sq"},
    ),
    Recipe(
        "dnxhr.mxf",
        "dnxhd",
        "DNxHR",
        Fraction(25),
        "yuv422p",
        (1280, 720),
        "10:00:00:00",
        options={"profile": "dnxhr_sq"},
    ),
    Recipe("ffv1.mkv", "ffv1", "FFV1", FILM),
    Recipe("mjpeg.avi", "mjpeg", "MJPEG", Fraction(25), "yuvj420p"),
    Recipe("fast.mp4", "libx264", "H.264", Fraction(120)),
]


def encode(folder: Path, recipe: Recipe) -> Path:
    """A short clip: a dark frame first, then stripes that grow."""
    path = folder / recipe.file
    width, height = recipe.size
    with av.open(str(path), "w") as container:
        if recipe.timecode:
            container.metadata["timecode"] = recipe.timecode
        video = container.add_stream(recipe.encoder, rate=recipe.rate, options=recipe.options)
        video.width, video.height, video.pix_fmt = width, height, recipe.pixels
        audio = None
        if recipe.sound:
            lossless = path.suffix in (".mov", ".mxf")
            audio = container.add_stream("pcm_s24le" if lossless else "aac", rate=48000)
            audio.layout = "stereo"
        for number in range(recipe.frames):
            frame = av.VideoFrame(width, height, "gray")
            line = frame.planes[0].line_size
            light = 0 if number == 0 else 20 * number
            row = bytes(light if x // 8 % 2 else 16 for x in range(width)).ljust(line, b"\0")
            frame.planes[0].update(row * height)
            ready = frame.reformat(format=recipe.pixels)
            ready.pts = number
            container.mux(video.encode(ready))
        container.mux(video.encode())
        if audio is not None:
            done, whole = 0, int(recipe.frames / recipe.rate * 48000)
            while done < whole:
                count = min(1024, whole - done)
                sound = av.AudioFrame(audio.format.name, "stereo", count)
                for plane in sound.planes:
                    plane.update(bytes(plane.buffer_size))
                sound.sample_rate, sound.pts = 48000, done
                container.mux(audio.encode(sound))
                done += count
            container.mux(audio.encode())
    return path


@pytest.fixture(scope="module")
def clips(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("clips")
    return {recipe.file: encode(folder, recipe) for recipe in RECIPES}


@pytest.mark.parametrize("recipe", RECIPES, ids=lambda recipe: recipe.file)
def test_facts_agree_with_ffmpeg_and_with_what_was_encoded(
    clips: dict[str, Path], recipe: Recipe
) -> None:
    """Rate, length, size, sound: PyAV's independent reading, and the recipe itself."""
    path = clips[recipe.file]
    facts = probe(path)
    assert facts.doubts == ()
    assert facts.kind is ClipKind.PICTURE
    assert (facts.codec, facts.frame_rate) == (recipe.codec, recipe.rate)
    assert facts.duration_frames == recipe.frames
    assert facts.duration_seconds == recipe.frames / recipe.rate
    assert facts.variable_rate is False
    with av.open(str(path)) as container:
        video = container.streams.video[0]
        assert (facts.width, facts.height) == (video.width, video.height)
        # FFmpeg's average over a millisecond clock (MKV) is near, not exact.
        assert abs(video.average_rate - recipe.rate) < recipe.rate / 1000
        assert facts.bit_depth == video.codec_context.format.components[0].bits
        packets = sum(1 for packet in container.demux(video) if packet.size)
        assert facts.duration_frames == packets
        sounds = container.streams.audio
        assert [(each.channels, each.sample_rate) for each in facts.audio] == [
            (each.codec_context.channels, each.codec_context.sample_rate) for each in sounds
        ]
    assert facts.start_timecode == recipe.timecode
    assert facts.timecode_source == ("track" if recipe.timecode else None)


def test_names_that_libraries_take_for_patterns_or_bytes_are_only_names(
    clips: dict[str, Path], tmp_path: Path
) -> None:
    """A pattern, an address, a line break, bytes that aren't UTF-8: the facts are the same."""
    wanted = probe(clips["h264.mov"])
    assert wanted.start_timecode == "01:02:03:04"
    for name in ("%03d.mov", "http:x.mov", "a\nb.mov", "\udcff.mov", "-i.mov"):
        path = os.fsencode(tmp_path / name)
        with open(path, "wb") as file:
            file.write(clips["h264.mov"].read_bytes())
        assert probe(os.fsdecode(path)) == wanted


def with_matrix(content: bytes, matrix: tuple[int, ...]) -> bytes:
    """The first track header's matrix replaced (ISO/IEC 14496-12, tkhd version 0)."""
    place = content.index(b"tkhd") + 4 + 40
    return content[:place] + struct.pack(">9i", *matrix) + content[place + 36 :]


def test_rotation_is_degrees_clockwise_and_the_poster_stands_upright(
    clips: dict[str, Path], tmp_path: Path
) -> None:
    """MediaInfo counts clockwise; FFmpeg's display matrix says the same fact the other way."""
    one, unit = 1 << 16, 1 << 30
    turned = tmp_path / "turned.mp4"
    matrix = (0, one, 0, -one, 0, 0, 72 << 16, 0, unit)
    turned.write_bytes(with_matrix(clips["h264.mp4"].read_bytes(), matrix))
    facts = probe(turned)
    assert facts.rotation == 90
    with av.open(str(turned)) as container:
        frame = next(container.decode(video=0))
        assert frame.rotation % 360 == -90 % 360
    assert size_of(draw(turned, facts)) == (270, 480)


def test_a_long_first_gap_makes_a_variable_rate(tmp_path: Path) -> None:
    """The frames' times decide: steady at 30 after one long gap, as telephones record."""
    path = tmp_path / "phone.mp4"
    with av.open(str(path), "w") as container:
        video = container.add_stream("libx264", rate=30, options={"bf": "0"})
        video.width, video.height, video.pix_fmt = 64, 64, "yuv420p"
        video.time_base = Fraction(1, 3000)
        for number in range(20):
            frame = av.VideoFrame(64, 64, "yuv420p")
            frame.pts = number * 100 + (400 if number else 0)
            frame.time_base = Fraction(1, 3000)
            container.mux(video.encode(frame))
        container.mux(video.encode())
    facts = probe(path)
    assert facts.variable_rate
    assert (facts.frame_rate, facts.lowest_rate, facts.highest_rate) == (30, 6, 30)


def test_a_clock_of_whole_milliseconds_does_not_make_a_rate_vary() -> None:
    """1001/24000 s is 41 or 42 ms (arithmetic); the trade's rate is found again."""
    times = [round(number * 1001 / 24) for number in range(200)]
    found = pace(times, Fraction(1, 1000))
    assert found is not None
    assert (found.varies, found.usual) == (False, FILM)
    assert found.agrees(FILM)
    assert not found.agrees(Fraction(25))
    assert pace([0, 0, 0], Fraction(1, 25)) is None
    assert pace([0, 1], Fraction(1, 25)) is None


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("zero.mov", b"", "empty"),
        ("text.mov", b"This is the story of a reel that was none.\n" * 9, "text"),
        ("list.mov", b"#EXTM3U\n#EXTINF:9,\nhttp://localhost:9/x.ts\n", "text"),
        ("null.mov", bytes(9000), "zero"),
        ("noise.mov", random.Random(7).randbytes(9000), "nothing that is known"),
    ],
)
def test_what_is_no_clip_says_so(tmp_path: Path, name: str, content: bytes, said: str) -> None:
    """Never an exception, never silence, and no poster."""
    path = tmp_path / name
    path.write_bytes(content)
    facts = probe(path)
    assert facts.kind is ClipKind.PICTURE
    assert any(said in doubt for doubt in facts.doubts)
    assert not poster(path, tmp_path / "out.jpg", facts)
    assert os.listdir(tmp_path) == [name]


def test_what_can_not_be_opened_says_so(tmp_path: Path) -> None:
    """Absent, or a folder."""
    assert probe(tmp_path / "none.mov").doubts
    assert probe(tmp_path).doubts == ("It is no regular file.",)
    assert probe(tmp_path / "x", kind_hint=ClipKind.SOUND).kind is ClipKind.SOUND


@pytest.mark.parametrize("file", ["h264.mov", "prores.mov", "dnxhr.mxf", "ffv1.mkv", "mjpeg.avi"])
def test_a_clip_cut_at_every_tenth_gives_doubts_and_never_raises(
    clips: dict[str, Path], tmp_path: Path, file: str
) -> None:
    """A recording cut off: the file is shorter than it says, and that is said."""
    whole = clips[file].read_bytes()
    out = tmp_path / "out.jpg"
    for tenth in range(1, 10):
        path = tmp_path / file
        path.write_bytes(whole[: len(whole) * tenth // 10])
        facts = probe(path)
        assert facts.doubts, tenth
        poster(path, out, facts)


def test_an_index_first_clip_short_of_one_byte_is_found(
    clips: dict[str, Path], tmp_path: Path
) -> None:
    """The index names bytes that aren't there (ISO/IEC 14496-12 sample table)."""
    path = tmp_path / "first.mp4"
    with (
        av.open(str(clips["h264.mp4"])) as source,
        av.open(str(path), "w", options={"movflags": "faststart"}) as target,
    ):
        stream = target.add_stream_from_template(source.streams.video[0])
        for packet in source.demux(video=0):
            if packet.dts is not None:
                packet.stream = stream
                target.mux(packet)
    assert probe(path).doubts == ()
    path.write_bytes(path.read_bytes()[:-1])
    assert any("lie past the end of the file" in doubt for doubt in probe(path).doubts)


def test_random_damage_always_gives_a_result(clips: dict[str, Path], tmp_path: Path) -> None:
    """Seeded: bytes overwritten anywhere, headers included. Decoders hang on some: workers do it.

    The 53rd of these keeps MediaInfoLib 24.12 busy without end (measured).
    """
    chance = random.Random(20260314)
    items = []
    for number in range(60):
        file = chance.choice(["h264.mov", "drop.mov", "ffv1.mkv"])
        content = bytearray(clips[file].read_bytes())
        for _ in range(chance.randint(1, 30)):
            content[chance.randrange(len(content))] = chance.randrange(256)
        path = tmp_path / f"{number}.mov"
        path.write_bytes(content)
        items.append(ProbeItem(str(number), str(path), str(tmp_path / f"{number}.jpg")))
    results = {each.key: each for each in probe_many(items, workers=2, timeout_s=5)}
    assert set(results) == {item.key for item in items}
    for item in items:
        assert results[item.key].poster_made == os.path.exists(item.poster_out or "")
        assert results[item.key].facts.kind is ClipKind.PICTURE


def size_of(picture: bytes) -> tuple[int, int]:
    """Width and height by the JPEG's own frame header (ITU-T T.81, SOF0)."""
    assert picture.startswith(b"\xff\xd8")
    assert picture.endswith(b"\xff\xd9")
    place = picture.index(b"\xff\xc0")
    height, width = struct.unpack_from(">HH", picture, place + 5)
    return width, height


def mean(picture: bytes, folder: Path) -> float:
    path = folder / "look.jpg"
    path.write_bytes(picture)
    with av.open(str(path)) as container:
        frame = next(container.decode(video=0)).reformat(width=16, height=16, format="gray")
    plane = frame.planes[0]
    return sum(bytes(plane)[: 16 * 16]) / 256


def test_a_poster_is_small_of_the_right_aspect_and_not_black(
    clips: dict[str, Path], tmp_path: Path
) -> None:
    """The first frame is black, and isn't taken."""
    path = clips["prores.mov"]
    out = tmp_path / "poster.jpg"
    assert poster(path, out, probe(path))
    assert size_of(out.read_bytes()) == (480, 270)
    assert out.stat().st_size < 60_000
    assert mean(out.read_bytes(), tmp_path) > 30
    assert not out.with_name("poster.jpg.unfinished").exists()


def test_a_poster_shows_the_aspect_that_the_file_states(clips: dict[str, Path]) -> None:
    """Pixels that aren't square: as wide as shown, not as stored."""
    from dataclasses import replace

    path = clips["h264.mp4"]
    wide = replace(probe(path), display_aspect=Fraction(2))
    assert size_of(draw(path, wide)) == (480, 240)
    with pytest.raises(CannotDraw):
        draw(path, replace(wide, kind=ClipKind.OTHER))
