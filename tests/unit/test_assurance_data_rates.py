"""Room arithmetic against published data rates and plain sums."""

from __future__ import annotations

from fractions import Fraction

import pytest

from ingest.assurance.data_rates import Recording, expected_rate, hours_left, measured_rate
from ingest.settings import DeviceSettings

FILM = Fraction(24000, 1001)


def camera(**more: object) -> DeviceSettings:
    return DeviceSettings("A", "camera", **more)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("codec", "size", "frames", "megabits"),
    [
        ("prores 422 proxy", (1920, 1080), FILM, 36),
        ("prores 422", (1920, 1080), Fraction(24), 117),
        ("ProRes 422 HQ", (1920, 1080), FILM, 176),
        ("prores 4444", (1920, 1080), Fraction(24), 264),
        ("prores hq", (3840, 2160), FILM, 707),
        ("prores 4444 xq", (4096, 2160), Fraction(24), 1697),
        ("prores lt", (1920, 1080), Fraction(60000, 1001), 204),
    ],
)
def test_a_codec_of_the_published_table_goes_by_its_target(
    codec: str, size: tuple[int, int], frames: Fraction, megabits: int
) -> None:
    """Apple ProRes White Paper, appendix Target Data Rates (read in a transcription)."""
    told = expected_rate(camera(codec=codec, size=size, frame_rate=frames), None)
    assert told is not None
    assert told.bytes_per_second == Fraction(megabits * 10**6, 8)
    assert "published target" in told.basis and f"{megabits} Mb/s" in told.basis


def test_hours_on_a_drive_by_the_worked_example() -> None:
    """1 TB holds 12.626 h at 176 Mb/s; 500 GB hold 1.5716 h at 707 Mb/s (sums over that table)."""
    hq = expected_rate(camera(codec="prores 422 hq", size=(1920, 1080)), FILM)
    uhd = expected_rate(camera(codec="prores 422 hq", size=(3840, 2160)), FILM)
    assert hq is not None and uhd is not None
    assert f"{float(hours_left(10**12, hq)):.3f}" == "12.626"
    assert f"{float(hours_left(500 * 10**9, uhd)):.4f}" == "1.5716"
    assert hq.bytes_per_hour == 79_200_000_000
    assert hq.basis.endswith("176 Mb/s x 0.45 = 79.2 GB an hour")


@pytest.mark.parametrize(
    ("size", "bits", "frames", "megabits", "gigabytes"),
    [
        ((1920, 1080), 8, Fraction(25), "829.440", "373.248"),
        ((1920, 1080), 10, FILM, "994.334", "447.45"),
        ((3840, 2160), 10, FILM, "3,977.335", "1,789.801"),
        ((3840, 2160), 12, Fraction(24), "7,166.362", "3,224.863"),
        ((4096, 2160), 16, Fraction(24), "10,192.159", "4,586.471"),
    ],
)
def test_other_pictures_go_by_their_pixels_and_the_sum_is_shown(
    size: tuple[int, int], bits: int, frames: Fraction, megabits: str, gigabytes: str
) -> None:
    """Width x height x bits a pixel x rate: arithmetic, held against sums made elsewhere."""
    told = expected_rate(camera(size=size, bit_depth=bits, codec="h264"), frames)
    assert told is not None
    assert f"{megabits} Mb/s" in told.basis
    assert f"{float(told.bytes_per_second * 3600 / 10**9):,.3f}".rstrip("0") == gigabytes
    assert told.basis.endswith("uncompressed; h264 may need less")


def test_sound_goes_by_channels_samples_and_bits() -> None:
    """8 channels of 48 kHz, 24 bit: 9.216 Mb/s, 4.1472 GB an hour (arithmetic)."""
    told = expected_rate(DeviceSettings("S", "recorder", audio_channels=8, sample_rate=48000), None)
    assert told is not None
    assert told.basis == "8 x 48,000 Hz x 24 bits = 9.216 Mb/s = 4.1472 GB an hour"
    assert told.bytes_per_hour == 4_147_200_000


def test_what_was_shot_on_the_last_day_beats_everything() -> None:
    """A camera whose settings changed overnight is measured by what it does now."""
    told = measured_rate(
        [
            Recording(1, 10**9, Fraction(10)),
            Recording(2, 3 * 10**9, Fraction(10)),
            Recording(2, 10**9, Fraction(10)),
            Recording(2, 10**9, Fraction(0)),
        ]
    )
    assert told is not None and told.measured
    assert told.bytes_per_second == 2 * 10**8
    assert told.basis == "measured on 2 clips of day 2, 4 GB in 20.0 s"


def test_too_little_said_gives_no_number() -> None:
    """No guess where nothing is known."""
    assert expected_rate(camera(), FILM) is None
    assert expected_rate(camera(size=(1920, 1080), codec="h264"), FILM) is None
    assert expected_rate(camera(size=(1920, 1080), bit_depth=10), None) is None
    assert expected_rate(DeviceSettings("S", "recorder"), None) is None
    assert expected_rate(DeviceSettings("P", "stills", size=(6000, 4000)), FILM) is None
    assert measured_rate([]) is None
