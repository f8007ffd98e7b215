"""What looking at a clip comes to: pure, no decoder."""

from __future__ import annotations

import json
from datetime import date
from fractions import Fraction

import pytest

from ingest.media.facts import ClipFacts, ClipKind, Sign
from ingest.media.health import Depth, Finding, Health, HealthState, Severity, lost, standing
from ingest.media.health_json import health_from_json, health_to_json
from ingest.media.judging import judge
from ingest.media.looking.seen import Glimpse, Heard, Seen
from ingest.media.shoot_date import date_of, far_from_shoot

PICTURE = ClipFacts(kind=ClipKind.PICTURE, duration_frames=100, duration_seconds=Fraction(4))
BRIGHT = Glimpse("first", mean=90, spread=40, sharp=5, middle=bytes(range(200)))
OTHER = Glimpse("middle", mean=80, spread=30, sharp=5, middle=bytes(range(55, 255)))
LAST = Glimpse("last", mean=85, spread=35, sharp=5, middle=bytes(200))
LOUD = Heard(peaks=(0.5, 0.4), places=5)
WELL = Seen(glimpses=(BRIGHT, OTHER, LAST), sounds=(LOUD,))


def kinds(health: Health) -> list[str]:
    return [finding.kind for finding in health.findings]


def test_a_clip_whose_frames_were_decoded_and_show_nothing_wrong_is_healthy() -> None:
    """And only that is: not looked at is unchecked."""
    assert judge(PICTURE, WELL, name="A.MOV").state is HealthState.HEALTHY
    assert judge(PICTURE, None, name="A.MOV").state is HealthState.UNCHECKED


@pytest.mark.parametrize("name", ["A001_C001.R3D", "A001.BRAW", "IMG_1.CR3"])
def test_camera_raw_that_nothing_here_knows_is_unchecked_never_healthy_nor_broken(
    name: str,
) -> None:
    """The same bytes under the name of an open container are broken."""
    facts = ClipFacts(kind=ClipKind.PICTURE, signs=(Sign.UNKNOWN,))
    health = judge(facts, Seen(error="no demuxer"), name=name)
    assert health.state is HealthState.UNCHECKED
    assert "RAW" in health.unchecked
    assert judge(facts, Seen(error="no demuxer"), name="A.MOV").state is HealthState.BROKEN


def test_a_codec_without_decoder_is_unchecked_and_named() -> None:
    """It may be whole: nobody has looked."""
    health = judge(PICTURE, Seen(no_decoder="XYZ9"), name="A.MOV")
    assert (health.state, health.unchecked) == (
        HealthState.UNCHECKED,
        "XYZ9 can't be decoded here.",
    )


@pytest.mark.parametrize("sign", [sign for sign in Sign if sign is not Sign.CLOSED_TO_FFMPEG])
def test_every_sign_of_damage_makes_a_clip_broken(sign: Sign) -> None:
    """However well its frames decode."""
    facts = ClipFacts(kind=ClipKind.PICTURE, container="MOV", signs=(sign,))
    assert judge(facts, WELL, name="A.MOV").state is HealthState.BROKEN


def test_a_transport_stream_that_ends_in_a_packet_asks_for_a_look_only() -> None:
    """Such streams may end anywhere (ISO/IEC 13818-1 has no end of file)."""
    facts = ClipFacts(kind=ClipKind.PICTURE, container="MPEG-TS", signs=(Sign.CLAIMS_MORE,))
    assert judge(facts, WELL, name="A.MTS").state is HealthState.LOOK


def test_one_cut_is_told_once() -> None:
    """The container's claim and the missing frames are the same fact."""
    facts = ClipFacts(kind=ClipKind.PICTURE, signs=(Sign.CLAIMS_MORE, Sign.PAST_END))
    assert kinds(judge(facts, WELL, name="A.MOV")) == ["past the end"]


def test_the_first_middle_or_last_frame_that_cannot_be_decoded_is_named() -> None:
    """Other places only where those three are fine."""
    bad = Glimpse("last", error="invalid data")
    seen = Seen(glimpses=(BRIGHT, Glimpse("1/5", error="invalid data"), OTHER, bad))
    health = judge(PICTURE, seen, name="A.MOV")
    assert [finding.words for finding in health.findings] == [
        "Its last frame can't be decoded: invalid data."
    ]
    seen = Seen(glimpses=(BRIGHT, Glimpse("1/5", error="invalid data"), OTHER, LAST))
    assert kinds(judge(PICTURE, seen, name="A.MOV")) == ["1/5 frame"]


def test_black_or_frozen_throughout_asks_for_a_look() -> None:
    """Every place looked at, not some; a moving grain is no freeze."""
    dark = Glimpse("first", mean=16, spread=0.5, middle=bytes(200))
    assert kinds(judge(PICTURE, Seen(glimpses=(dark,) * 3), name="A.MOV")) == ["black"]
    assert kinds(judge(PICTURE, Seen(glimpses=(dark, BRIGHT, dark)), name="A.MOV")) == []
    health = judge(PICTURE, Seen(glimpses=(BRIGHT,) * 3), name="A.MOV")
    assert (kinds(health), health.state) == (["frozen"], HealthState.LOOK)
    grain = Glimpse("last", mean=90, spread=40, middle=bytes(each ^ 1 for each in BRIGHT.middle))
    assert kinds(judge(PICTURE, Seen(glimpses=(BRIGHT, BRIGHT, grain)), name="A.MOV")) == []
    settled = judge(PICTURE, Seen(glimpses=(BRIGHT, BRIGHT, BRIGHT, grain)), name="A.MOV")
    assert (
        settled.findings[0].words == "Its picture is the same in 3 of 4 places looked at: frozen?"
    )


@pytest.mark.parametrize(("same", "frozen"), [(99, "all its 100"), (94, "95 of its 100"), (90, "")])
def test_a_deep_look_tells_a_freeze_by_its_frames(same: int, frozen: str) -> None:
    """A few that are drawn anew are the encoder's; a tenth is a picture that moves."""
    deep = Seen(
        glimpses=WELL.glimpses, depth=Depth.DEEP, frames=100, same_frames=same, black_frames=99
    )
    health = judge(PICTURE, deep, name="A.MOV")
    words = [f"Its picture is the same in {frozen} frames: frozen?"] if frozen else []
    assert [finding.words for finding in health.findings] == words


def test_a_bright_but_even_picture_is_not_black() -> None:
    """A white wall."""
    white = Glimpse("first", mean=200, spread=0.2, middle=bytes([200] * 100))
    moving = [
        Glimpse("x", mean=200, spread=1, middle=bytes([200 + number] * 100)) for number in range(3)
    ]
    assert kinds(judge(PICTURE, Seen(glimpses=(white, *moving)), name="A.MOV")) == []


def test_silence_on_all_channels_asks_for_a_look_and_on_some_is_a_note() -> None:
    """A recorder's unused track is common; a camera with no sound at all is not."""
    silent = Heard(peaks=(0.0, 0.0), places=5)
    health = judge(PICTURE, Seen(glimpses=WELL.glimpses, sounds=(silent,)), name="A.MOV")
    assert (kinds(health), health.state) == (["silent"], HealthState.LOOK)
    half = Heard(peaks=(0.5, 0.0), places=5)
    health = judge(PICTURE, Seen(glimpses=WELL.glimpses, sounds=(half,)), name="A.MOV")
    assert (kinds(health), health.state) == (["silent channel"], HealthState.HEALTHY)
    assert health.findings[0].words.startswith("Channel 2 of its sound")
    health = judge(PICTURE, Seen(glimpses=WELL.glimpses, sounds=(LOUD, silent)), name="A.MOV")
    assert "Track 2 channel 1, track 2 channel 2" in health.findings[0].words


def test_sound_shorter_than_the_picture_asks_for_a_look() -> None:
    """Half a second or a hundredth of the length, whichever is more; codecs round the end."""
    seen = Seen(
        glimpses=WELL.glimpses,
        sounds=(LOUD,),
        picture_seconds=Fraction(10),
        sound_seconds=(Fraction(9),),
    )
    assert kinds(judge(PICTURE, seen, name="A.MOV")) == ["short sound"]
    near = Seen(
        glimpses=WELL.glimpses, picture_seconds=Fraction(10), sound_seconds=(Fraction(98, 10),)
    )
    assert kinds(judge(PICTURE, near, name="A.MOV")) == []


def test_what_is_wrong_with_many_sound_tracks_takes_one_line() -> None:
    """Thirty-two lines of the same would hide what else is said."""
    gone = Heard(error="no sound comes")
    for sounds, which in (
        ((gone,), "Its sound "),
        ((LOUD, gone), "Its sound track 2 "),
        ((gone,) * 32, "Its sound, tracks 1 to 32, "),
        ((gone, LOUD, gone), "Its sound, tracks 1 and 3, "),
    ):
        health = judge(PICTURE, Seen(glimpses=WELL.glimpses, sounds=sounds), name="A.MOV")
        assert [each.words for each in health.findings] == [
            f"{which}can't be decoded: no sound comes."
        ]


def test_deep_counts_what_can_not_be_decoded_and_what_is_missing() -> None:
    """One or two frames hidden by an edit list are a note."""
    deep = Seen(glimpses=WELL.glimpses, depth=Depth.DEEP, frames=97)
    assert kinds(judge(PICTURE, deep, name="A.MOV")) == ["fewer frames"]
    assert judge(PICTURE, deep, name="A.MOV").state is HealthState.BROKEN
    near = Seen(glimpses=WELL.glimpses, depth=Depth.DEEP, frames=99)
    assert judge(PICTURE, near, name="A.MOV").state is HealthState.HEALTHY
    bad = Seen(
        glimpses=WELL.glimpses,
        depth=Depth.DEEP,
        frames=100,
        bad_frames=3,
        first_bad=Fraction(5, 2),
    )
    (finding,) = judge(PICTURE, bad, name="A.MOV").findings
    assert finding.words == "3 frames of it can't be decoded whole, the first at 2.50 s."


def test_a_decoder_that_hung_or_crashed_leaves_a_broken_clip() -> None:
    """It could not be shown to play, and somebody must view it."""
    assert lost("The decoder crashed (signal 11).").state is HealthState.BROKEN


@pytest.mark.parametrize(
    ("written", "found"),
    [
        ("2026-03-14T10:20:30+01:00", date(2026, 3, 14)),
        ("2026:03:14 10:20:30", date(2026, 3, 14)),
        ("2026-03-14 10:20:30 UTC", date(2026, 3, 14)),
        ("1904-01-01 00:00:01 UTC", date(1904, 1, 1)),
        ("2026-13-14", None),
        ("0000:00:00 00:00:00", None),
        ("yesterday", None),
        (None, None),
    ],
)
def test_a_recording_date_is_read_as_written(written: str | None, found: date | None) -> None:
    """ISO 8601, and EXIF's colons (CIPA DC-008)."""
    assert date_of(written) == found


@pytest.mark.parametrize(
    ("recorded", "far"),
    [
        ("2026-03-14T23:50:00", False),
        ("2026-03-13T23:50:00Z", False),
        ("2026-03-16 01:00:00", True),
        ("1904-01-01 00:00:00 UTC", True),
        ("2106-02-07T06:28:15Z", True),
        (None, False),
    ],
)
def test_a_date_far_from_the_shoot_day_asks_for_a_look(recorded: str | None, far: bool) -> None:
    """A day more or less is a time zone."""
    found = far_from_shoot(ClipFacts(recorded=recorded), date(2026, 3, 14))
    assert bool(found) == far
    assert all(finding.severity is Severity.LOOK for finding in found)


def test_the_deepest_look_stands_and_bad_news_since_stands_before_it() -> None:
    """Ten good frames never outweigh what decoding all of them showed."""
    well = Health(Depth.SAMPLED, frames=10)
    deep = Health(Depth.DEEP, frames=100)
    broken = Health(Depth.DEEP, (Finding("bad frames", Severity.BROKEN, "."),), 100)
    hung = lost("The decoder gave no answer within 60 s.")
    assert standing([]) is None
    assert standing([well, deep, well]) is deep
    assert standing([broken, well]) is broken
    assert standing([broken, deep]) is deep
    assert standing([deep, hung]) is hung
    assert standing([hung, well]) is well


def test_health_written_to_json_comes_back_equal() -> None:
    """Through real JSON text; nonsense is refused."""
    health = Health(Depth.DEEP, (Finding("black", Severity.LOOK, "…"),), 100, "why")
    document = json.loads(json.dumps(health_to_json(health)))
    assert document["state"] == "look"
    assert health_from_json(document) == health
    for broken in ({}, {"depth": "deep"}, {"depth": "no such", "findings": []}):
        with pytest.raises(ValueError, match=r".+"):
            health_from_json(broken)
