"""bext's description: lines of keys, and scene and take in words (common practice, no source)."""

from fractions import Fraction

import pytest

from ingest.media.facts import SoundNotes
from ingest.media.reading.described import read_description, timecode_rate


def test_when_lines_have_keys_then_all_of_them_are_read():
    """A maker's letter before each key; lines end in CRLF."""
    text = (
        "sSPEED=023.976-ND\r\nsTAKE=03\r\nsSCENE=12A\r\nsTAPE=S001\r\nsPROJECT=Salt\r\n"
        "sCIRCLED=TRUE\r\nsNOTE=gulls = wind\r\nsTRK1=BOOM\r\nsTRK3=NELL\r\n"
    )
    assert read_description(text) == SoundNotes(
        scene="12A",
        take="03",
        tape="S001",
        project="Salt",
        note="gulls = wind",
        circled=True,
        tracks=("BOOM", "", "NELL"),
        timecode_rate=Fraction(24000, 1001),
        drop_frame=False,
    )


@pytest.mark.parametrize(
    ("text", "scene", "take"),
    [
        ("Scene 12A Take 3", "12A", "3"),
        ("day 1, SC: 12A, TK: 3", "12A", "3"),
        ("slate #104 / t 2", "104", "2"),
        ("scene=12a\ntake=WT2", "12a", "WT2"),
        ("SCENE=12A", "12A", None),
        ("scene by the quay, take your time", None, None),
        ("take 3", None, None),
        ("a scene of 12 ropes", None, None),
        ("", None, None),
    ],
)
def test_when_words_tell_scene_and_take_then_both_must_be_there(text, scene, take):
    """One word alone may mean anything."""
    told = read_description(text)
    assert (told.scene, told.take) == (scene, take)


@pytest.mark.parametrize(
    ("line", "rate", "drop"),
    [
        ("sSPEED=025.000-ND", Fraction(25), False),
        ("sSPEED=029.97-DF", Fraction(30000, 1001), True),
        ("sFRAMERATE=24ND", Fraction(24), False),
        ("sSPEED=fast", None, None),
        ("sSPEED=0", None, None),
    ],
)
def test_when_the_speed_is_told_then_it_is_a_fraction(line, rate, drop):
    """29.97 is 30000/1001 here: recorders write three decimals."""
    told = read_description(line)
    assert (told.timecode_rate, told.drop_frame) == (rate, drop)


@pytest.mark.parametrize("written", [None, "", "1/0", "x", "-25", "nan", "1e99"])
def test_when_a_rate_is_none_then_none_comes_of_it(written):
    """Whatever stands there."""
    assert timecode_rate(written) is None
