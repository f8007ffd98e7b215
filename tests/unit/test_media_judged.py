"""Every fact that two libraries can see, judged by FFmpeg's through PyAV, over formats made here.

Where MediaInfo and FFmpeg disagree the test says which is right and why. Not encoded here, since
the wheel has no encoder for it: camera RAW, HEIC, JPEG XS.
"""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import av
import pytest
from made_clips import BOTTOM, EVERY, FILM, TOP, Made, encode

from ingest.media.facts import ClipFacts, ClipKind, Disagreement
from ingest.media.health import Depth, HealthState
from ingest.media.judging import judge
from ingest.media.looking.viewing import view
from ingest.media.reading.demuxing import Demuxed
from ingest.media.reading.picture_format import with_picture_format
from ingest.media.reading.probe import probe


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("judged")


@pytest.mark.parametrize("made", EVERY, ids=lambda made: made.file)
def test_facts_and_health_agree_with_ffmpeg_and_with_what_was_encoded(
    folder: Path, made: Made
) -> None:
    """Size, rate, length, depth, chroma, colour, timecode, sound; it plays, sampled and deep."""
    path = encode(folder, made)
    facts = probe(path)
    assert facts.kind is ClipKind.PICTURE
    assert facts.signs == ()
    assert (facts.codec, facts.width, facts.height) == (made.codec, *made.size)
    assert (facts.bit_depth, facts.chroma) == (made.bits, made.chroma)
    assert (facts.frame_rate, facts.variable_rate) == (made.rate, False)
    assert facts.start_timecode == made.timecode
    assert facts.drop_frame == (None if made.timecode is None else ";" in made.timecode)
    assert facts.scan == made.scan
    judged_by_ffmpeg(path, facts, made)
    for deep in (False, True):
        health = judge(facts, view(path, facts, deep=deep).seen, name=made.file)
        assert (health.state, health.findings) == (HealthState.HEALTHY, ())
        assert health.depth is (Depth.DEEP if deep else Depth.SAMPLED)
    assert health.frames == made.frames


def judged_by_ffmpeg(path: Path, facts: ClipFacts, made: Made) -> None:
    with av.open(str(path)) as container:
        video = container.streams.video[0]
        assert (facts.width, facts.height) == (video.width, video.height)
        assert facts.bit_depth == video.codec_context.format.components[0].bits
        frames = [frame for packet in container.demux(video) for frame in packet.decode()]
        assert len(frames) == made.frames
        fields = (facts.scan or "").startswith("interlaced")
        assert {frame.interlaced_frame for frame in frames} == {fields}
        if made.colour:
            first = frames[0]
            assert (first.color_primaries, first.color_trc) == made.colour[:2]
            transfer = {16: "PQ", 18: "HLG"}[made.colour[1]]
            assert (facts.colour.primaries, facts.colour.transfer) == ("BT.2020", transfer)
            assert facts.hdr == transfer
        if facts.duration_frames is not None and path.suffix != ".mts":
            # A transport stream states no count: MediaInfo works it out, one frame more or less.
            assert facts.duration_frames == made.frames
        assert facts.duration_seconds is not None
        slack = 2 / made.rate if path.suffix == ".mts" else Fraction(1, 500)
        assert abs(facts.duration_seconds - made.frames / made.rate) <= slack
        sounds = container.streams.audio
        assert [(each.channels, each.sample_rate) for each in facts.audio] == [
            (each.codec_context.channels, each.codec_context.sample_rate) for each in sounds
        ]


@pytest.mark.parametrize("file", ["inter.mts", "bottom.mov", "fields.mov", "fields.mxf"])
def test_which_field_comes_first_is_the_same_by_both(folder: Path, file: str) -> None:
    """MediaInfo reads it from the stream's headers; FFmpeg has it as AVFieldOrder (2 top, 3
    bottom field first, the values of its `libavcodec/defs.h`, from memory)."""
    made = next(each for each in EVERY if each.file == file)
    path = encode(folder, made)
    with av.open(str(path)) as container:
        order = container.streams.video[0].codec_context.field_order
    assert probe(path).scan == {2: TOP, 3: BOTTOM}[order]


def test_fields_that_only_the_decoder_sees_are_told(folder: Path) -> None:
    """The two views stand in for each other, and what they contradict each other in is said."""
    apart: list[Disagreement] = []
    plain = ClipFacts(kind=ClipKind.PICTURE)
    silent = with_picture_format(plain, {}, Demuxed(tags={}, scan=TOP), apart)
    assert (silent.scan, apart) == (TOP, [])
    less = {"scan_type": "Interlaced"}
    assert with_picture_format(plain, less, Demuxed(tags={}, scan=TOP), apart).scan == TOP
    assert apart == []
    whole = {"scan_type": "Progressive"}
    assert (
        with_picture_format(plain, whole, Demuxed(tags={}, scan=TOP), apart).scan == "progressive"
    )
    assert apart == [Disagreement("scan", {"header": "progressive", "decoder": TOP}, "header")]


@pytest.mark.parametrize("file", ["reel.mov", "reel.mxf"])
def test_the_reel_name_of_a_timecode_track_is_found(folder: Path, file: str) -> None:
    """QuickTime's source reference in `tmcd`, MXF's tape package; as FFmpeg reads them."""
    made = Made(file, "prores_ks", "ProRes", FILM, "yuv422p10le", timecode="10:00:00:00",
                tags={"reel_name": "A007"}, frames=3)  # fmt: skip
    path = encode(folder, made)
    with av.open(str(path)) as container:
        assert "A007" in [stream.metadata.get("reel_name") for stream in container.streams]
    facts = probe(path)
    assert (facts.reel, facts.start_timecode) == ("A007", "10:00:00:00")


def test_a_constant_rate_in_avi_stays_constant_where_mediainfo_doubts_it(folder: Path) -> None:
    """FFmpeg is right: AVI has one rate in its stream header and no times of frames."""
    facts = probe(encode(folder, next(each for each in EVERY if each.file == "mjpeg.avi")))
    assert (facts.variable_rate, facts.frame_rate) == (False, 25)


def test_a_constant_rate_in_a_transport_stream_stays_constant_where_mediainfo_doubts_it(
    folder: Path,
) -> None:
    """The times of the frames are right: MediaInfo says variable of every H.264 stream that has no
    fixed_frame_rate_flag (ITU-T H.264 E.2.1), which promises less than it is taken for."""
    facts = probe(encode(folder, next(each for each in EVERY if each.file == "h264.mts")))
    assert facts.extra["Video frame_rate_mode"] == "VFR"
    assert (facts.variable_rate, facts.frame_rate) == (False, 25)


def test_tags_of_any_maker_give_camera_lens_exposure_place_and_sensor_rate(folder: Path) -> None:
    """By what a key ends in; the zone of the local date is kept, and a second date that is days
    away is said."""
    path = folder / "tags.mov"
    tags = {
        "com.lumora.camera.Make": "Lumora",
        "com.lumora.camera.Model": "K7",
        "com.lumora.camera.SerialNumber": "K7-0042",
        "com.lumora.lens.Model": "35 mm",
        "com.lumora.lens.SerialNumber": "L-9",
        "com.lumora.camera.ISO": "800",
        "com.lumora.camera.WhiteBalanceKelvin": "5600",
        "com.lumora.capture.fps": "119.880",
        "com.lumora.camera.ReelName": "A001",
        "com.apple.quicktime.location.ISO6709": "+48.5000-011.2500+120.000/",
        "com.apple.quicktime.creationdate": "2026-03-14T10:20:30+0100",
    }
    with av.open(str(path), "w", options={"movflags": "use_metadata_tags"}) as container:
        for key, value in tags.items():
            container.metadata[key] = value
        container.metadata["creation_time"] = "2001-01-01T00:00:00.000000Z"
        video = container.add_stream("libx264", rate=25)
        video.width, video.height, video.pix_fmt = 64, 36, "yuv420p"
        for number in range(3):
            frame = av.VideoFrame(64, 36, "yuv420p")
            frame.pts = number
            container.mux(video.encode(frame))
        container.mux(video.encode())
    facts = probe(path)
    assert (facts.camera_make, facts.camera_model) == ("Lumora", "K7")
    assert (facts.camera_serial, facts.lens, facts.iso) == ("K7-0042", "35 mm", "800")
    assert (facts.white_balance, facts.reel) == ("5600", "A001")
    assert facts.sensor_rate == Fraction(120000, 1001)
    assert (facts.location or "").startswith("+48.5000-011.2500")
    assert facts.recorded == "2026-03-14T10:20:30+0100"
    assert facts.recorded_zone == "+0100"
    (apart,) = [each for each in facts.disagreements if each.what == "recording date"]
    assert apart.taken == "com.apple.quicktime.creationdate"
    assert any("2001-01-01" in value for value in apart.values.values())
    assert any("disagree on its recording date" in doubt for doubt in facts.doubts)
