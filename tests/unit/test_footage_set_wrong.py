"""Cameras and recorders left on other settings than they should have been. Pure.

What counts as a setting, and that a mix of rates is a mistake, is common practice, no source.
One codec by two names: ITU-T H.264 and ISO/IEC 14496-10 (AVC) are one text, as are H.265 and
ISO/IEC 23008-2 (HEVC).
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest

from ingest.assurance.footage.set_wrong import ASKED, USUAL, Oddity, differences, set_wrong
from ingest.catalog.records import Clip, Roll
from ingest.media.facts import AudioTrack, ClipFacts, ClipKind, Colour, SoundNotes
from ingest.settings import DeviceSettings

FILM = Fraction(24000, 1001)
NTSC = Fraction(30000, 1001)
GOOD = ClipFacts(
    kind=ClipKind.PICTURE,
    codec="ProRes",
    profile="422 HQ",
    width=3840,
    height=2160,
    bit_depth=10,
    frame_rate=FILM,
    rotation=0,
    colour=Colour("BT.709", "BT.709"),
    audio=(AudioTrack(channels=1, sample_rate=48_000),),
)


def clip(number: int, facts: ClipFacts = GOOD, *, roll: str = "A001", camera: str | None = "A"):
    at = Roll(
        int.from_bytes(roll.encode(), "big"), "Saltmarsh", roll, 1, "2026-03-14", camera, "card"
    )
    return Clip(number, at, f"C{number:04}", (), facts, None)


def told(odd: tuple[Oddity, ...]) -> list[tuple[str, str, bool]]:
    return [(one.clip, one.words, one.wrong) for one in odd]


def test_the_one_clip_at_another_rate_is_found_without_any_settings() -> None:
    """By what the same camera did on its other clips, on another roll too."""
    clips = [clip(1), clip(2, replace(GOOD, frame_rate=NTSC)), clip(3), clip(4, roll="A002")]
    (one,) = set_wrong(clips, {})
    assert (one.clip, one.device, one.setting, one.basis) == (
        "A001/C0002",
        "A",
        "frame rate",
        USUAL,
    )
    assert one.words == "29.97 fps instead of 23.976 fps"


def test_one_difference_of_many_clips_is_told_once_and_what_is_wrong_first() -> None:
    """A camera that was left wrong for an hour is one thing to ask about."""
    silent = replace(GOOD, audio=())
    wrong = replace(GOOD, frame_rate=NTSC)
    clips = [clip(1, silent), *(clip(number) for number in range(2, 7)), clip(7, wrong),
             clip(8, wrong)]  # fmt: skip
    assert [
        (each.setting, each.wrong, each.clips) for each in differences(set_wrong(clips, {}))
    ] == [
        ("frame rate", True, ("A001/C0007", "A001/C0008")),
        ("audio channels", False, ("A001/C0001",)),
    ]


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"variable_rate": True}, "a varying rate instead of 23.976 fps"),
        ({"width": 1920, "height": 1080}, "1920x1080 instead of 3840x2160"),
        ({"profile": "422 LT"}, "ProRes 422 LT instead of ProRes 422 HQ"),
        ({"bit_depth": 8}, "8 bit instead of 10 bit"),
        ({"colour": Colour("BT.2020", "HLG")}, "HLG BT.2020 instead of BT.709"),
        ({"rotation": 180}, "turned 180 degrees instead of 0 degrees"),
        (
            {"audio": (AudioTrack(channels=2, sample_rate=48_000),)},
            "2 audio channels instead of 1 audio channel",
        ),
        ({"audio": (AudioTrack(channels=1, sample_rate=44_100),)}, "44100 Hz instead of 48000 Hz"),
    ],
)
def test_each_setting_that_one_clip_does_not_share_is_found(
    wrong: dict[str, object], words: str
) -> None:
    """The odd one among four, with what differs and nothing else."""
    clips = [clip(1), clip(2), clip(3, replace(GOOD, **wrong)), clip(4)]
    assert told(set_wrong(clips, {})) == [("A001/C0003", words, True)]


def test_of_few_clips_nothing_is_called_usual() -> None:
    """Two that differ: either may be right. Two against two, likewise."""
    other = replace(GOOD, frame_rate=NTSC)
    assert set_wrong([clip(1), clip(2, other)], {}) == ()
    assert set_wrong([clip(1), clip(2), clip(3, other), clip(4, other)], {}) == ()


def test_each_camera_is_compared_with_itself_alone() -> None:
    """A drone that always records otherwise is not wrong for that; nor is an unknown camera."""
    other = replace(GOOD, frame_rate=NTSC, width=1920, height=1080)
    drone = [clip(number, other, roll="D001", camera="D") for number in (11, 12, 13)]
    nobody = [clip(21, other, roll="0001", camera=None)]
    assert set_wrong([clip(1), clip(2), clip(3), *drone, *nobody], {}) == ()


def test_two_ways_of_writing_one_rate_are_one_rate() -> None:
    """30000/1001 and 2997/100 both occur in files."""
    clips = [clip(number, replace(GOOD, frame_rate=NTSC)) for number in (1, 2)]
    clips.append(clip(3, replace(GOOD, frame_rate=Fraction(2997, 100))))
    assert set_wrong(clips, {}, NTSC) == ()


def test_off_speed_that_the_file_tells_of_is_told_and_not_wrong() -> None:
    """Slow motion is meant. It plays at the project's rate, or at its own."""
    slow = replace(GOOD, sensor_rate=Fraction(96))
    clips = [clip(1), clip(2, slow), clip(3), clip(4)]
    assert told(set_wrong(clips, {})) == [
        ("A001/C0002", "recorded at 96 fps, plays at 23.976 fps", False)
    ]
    at_its_own = replace(GOOD, frame_rate=Fraction(50), sensor_rate=Fraction(100))
    clips[1] = clip(2, at_its_own)
    assert [wrong for _, _, wrong in told(set_wrong(clips, {}))] == [False, False]


def test_a_silent_clip_among_others_is_told_and_not_wrong() -> None:
    """It may be MOS. Where sound is asked for it is wrong."""
    clips = [clip(1), clip(2), clip(3), clip(4, replace(GOOD, audio=()))]
    assert told(set_wrong(clips, {})) == [
        ("A001/C0004", "no sound instead of 1 audio channel", False)
    ]
    asked = {"A": DeviceSettings("A", "camera", audio_channels=1)}
    assert [one.wrong for one in set_wrong(clips, asked)] == [True]


def test_what_ingest_toml_asks_goes_before_what_is_usual() -> None:
    """A camera that was wrong all day, and the only clip that was right."""
    clips = [clip(number, replace(GOOD, frame_rate=NTSC)) for number in (1, 2, 3)] + [clip(4)]
    odd = set_wrong(clips, {"a": DeviceSettings("a", "camera", frame_rate=FILM)})
    assert {(one.clip, one.basis) for one in odd} == {
        (f"A001/C000{number}", ASKED) for number in (1, 2, 3)
    }
    assert {one.clip for one in set_wrong(clips, {}, FILM)} == {one.clip for one in odd}


@pytest.mark.parametrize(
    ("device", "words"),
    [
        ({"size": (1920, 1080)}, ["3840x2160 instead of 1920x1080"]),
        ({"size": (3840, 2160)}, []),
        ({"codec": "prores 422"}, []),
        ({"codec": "ProRes 4444"}, ["ProRes 422 HQ instead of ProRes 4444"]),
        ({"colour": "Rec.709"}, []),
        ({"colour": "HLG"}, ["BT.709 instead of HLG"]),
        ({"bit_depth": 12}, ["10 bit instead of 12 bit"]),
        ({"rotation": 90}, ["turned 0 degrees instead of 90 degrees"]),
        ({"sample_rate": 96_000}, ["48000 Hz instead of 96000 Hz"]),
        ({"sensor_rate": Fraction(96)}, []),  # the file doesn't say
    ],
)
def test_each_thing_asked_is_compared(device: dict[str, object], words: list[str]) -> None:
    """One clip is enough where ingest.toml asks."""
    devices = {"A": DeviceSettings("A", "camera", **device)}
    assert [one.words for one in set_wrong([clip(1)], devices)] == words


def test_a_codec_by_its_other_name_is_the_same() -> None:
    """ITU-T and ISO/IEC names."""
    devices = {"A": DeviceSettings("A", "camera", codec="AVC")}
    assert set_wrong([clip(1, replace(GOOD, codec="H.264", profile="High"))], devices) == ()
    odd = set_wrong([clip(1, replace(GOOD, codec="H.265", profile="Main"))], devices)
    assert [one.setting for one in odd] == ["codec"]


def test_another_sensor_rate_than_asked_is_wrong() -> None:
    """Slow motion was wanted, at another speed."""
    devices = {"A": DeviceSettings("A", "camera", sensor_rate=Fraction(96))}
    odd = set_wrong([clip(1, replace(GOOD, sensor_rate=Fraction(48)))], devices)
    assert told(odd) == [("A001/C0001", "48 fps instead of 96 fps", True)]


def test_a_recorder_that_counts_timecode_at_another_rate_is_found() -> None:
    """The rate in its iXML, against the project's."""
    facts = ClipFacts(
        kind=ClipKind.SOUND,
        audio=(AudioTrack(channels=4, sample_rate=48_000, bit_depth=24),),
        sound=SoundNotes(timecode_rate=Fraction(25)),
    )
    odd = set_wrong([clip(1, facts, roll="S001", camera=None)], {}, FILM)
    assert told(odd) == [("S001/C0001", "25 fps instead of 23.976 fps", True)]


def test_sound_with_other_numbers_of_channels_is_usual() -> None:
    """They follow the microphones of the scene."""
    facts = [
        ClipFacts(kind=ClipKind.SOUND, audio=(AudioTrack(channels=count, sample_rate=48_000),))
        for count in (2, 2, 2, 4)
    ]
    clips = [clip(n, one, roll="S001", camera=None) for n, one in enumerate(facts)]
    assert set_wrong(clips, {}) == ()


def test_what_a_file_does_not_say_is_no_fault() -> None:
    """Nothing was read of it."""
    unread = ClipFacts(kind=ClipKind.PICTURE)
    device = DeviceSettings(
        "A", "camera", frame_rate=FILM, size=(3840, 2160), codec="ProRes", audio_channels=1
    )
    odd = set_wrong([clip(1), clip(2), clip(3), clip(4, unread)], {"A": device})
    assert odd == ()
