"""A clip is held against what ingest.toml asks of its device."""

from __future__ import annotations

from fractions import Fraction

import pytest

from ingest.assurance.day.faults import set_wrong
from ingest.media.facts import AudioTrack, ClipFacts, ClipKind, Colour
from ingest.settings import DeviceSettings

FILM = Fraction(24000, 1001)
CLIP = ClipFacts(
    kind=ClipKind.PICTURE,
    codec="prores",
    profile="422 HQ",
    width=3840,
    height=2160,
    bit_depth=10,
    frame_rate=FILM,
    colour=Colour(transfer="arib-std-b67", primaries="bt2020"),
    audio=(AudioTrack(2, 48000, 24),),
)


def camera(**more: object) -> DeviceSettings:
    return DeviceSettings("A", "camera", **more)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("wanted", "told"),
    [
        (camera(), ()),
        (camera(frame_rate=Fraction(25)), ("23.976 fps instead of 25",)),
        (camera(frame_rate=Fraction(24)), ("23.976 fps instead of 24",)),
        (camera(size=(3840, 2160), codec="ProRes 422 HQ", bit_depth=10), ()),
        (camera(size=(1920, 1080)), ("3840x2160 instead of 1920x1080",)),
        (camera(codec="h264"), ("prores 422 HQ instead of h264",)),
        (camera(bit_depth=8), ("10 bit instead of 8",)),
        (camera(colour="bt2020"), ()),
        (camera(colour="bt709"), ("colour arib-std-b67 bt2020 instead of bt709",)),
        (camera(audio_channels=0), ("2 sound channels instead of 0",)),
        (camera(sample_rate=96000), ("48000 Hz instead of 96000",)),
        (camera(rotation=90), ("turned 0 degrees instead of 90",)),
        (camera(sensor_rate=Fraction(50)), ()),
    ],
)
def test_only_what_is_asked_and_what_the_file_tells_is_compared(
    wanted: DeviceSettings, told: tuple[str, ...]
) -> None:
    """Rates as exact fractions: 23.976 is not 24."""
    assert set_wrong(CLIP, wanted, None) == told


def test_the_rate_of_the_production_is_asked_of_every_camera_and_of_no_recorder() -> None:
    """A device's own rate beats it."""
    assert set_wrong(CLIP, None, Fraction(25)) == ("23.976 fps instead of 25",)
    assert set_wrong(CLIP, camera(frame_rate=FILM), Fraction(25)) == ()
    sound = ClipFacts(kind=ClipKind.SOUND, audio=(AudioTrack(1, 48000, 24),))
    recorder = DeviceSettings("S", "recorder", sample_rate=48000, bit_depth=24)
    assert set_wrong(sound, recorder, Fraction(25)) == ()
