"""Looking at clips made here: what a whole file shows that nobody wants to have recorded."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
from made_clips import Made, encode

from ingest.media.health import Depth, Health, HealthState
from ingest.media.judging import judge
from ingest.media.looking.viewing import view
from ingest.media.reading.probe import probe

CONTAINERS = {
    "mov": Made("a.mov", "libx264", "H.264", sound="pcm_s16le"),
    "mp4": Made("a.mp4", "libx264", "H.264", sound="aac"),
    "mkv": Made("a.mkv", "ffv1", "FFV1", sound="pcm_s16le"),
    "mts": Made("a.mts", "libx264", "H.264", sound="ac3"),
    "avi": Made("a.avi", "mjpeg", "MJPEG", pixels="yuvj420p", sound="pcm_s16le"),
    "mxf": Made("a.mxf", "mpeg2video", "MPEG-2", sound="pcm_s16le"),
}
EVERY = pytest.mark.parametrize("container", CONTAINERS)
BOTH = pytest.mark.parametrize("deep", [False, True], ids=["sampled", "deep"])


def looked(path: Path, *, deep: bool) -> Health:
    facts = probe(path)
    health = judge(facts, view(path, facts, deep=deep).seen, name=path.name)
    assert health.depth is (Depth.DEEP if deep else Depth.SAMPLED)
    return health


def found(folder: Path, container: str, *, deep: bool, **how: object) -> list[str]:
    made = replace(CONTAINERS[container], frames=50, **how)  # type: ignore[arg-type]
    health = looked(encode(folder, made), deep=deep)
    assert health.state is HealthState.LOOK
    return [finding.words for finding in health.findings]


@EVERY
@BOTH
def test_a_black_clip_asks_for_an_eye_whatever_its_container(
    tmp_path: Path, container: str, deep: bool
) -> None:
    """Also where there is no index to find frames by."""
    places = "all its 50 frames" if deep else "all 5 places looked at"
    said = found(tmp_path, container, deep=deep, picture="black")
    assert said == [f"Its picture is black in {places}."]


@EVERY
@BOTH
def test_a_frozen_clip_asks_for_an_eye_whatever_its_container(
    tmp_path: Path, container: str, deep: bool
) -> None:
    """Encoders redraw a frozen picture now and then as they settle."""
    (said,) = found(tmp_path, container, deep=deep, picture="still")
    assert said.startswith("Its picture is the same in ")
    assert said.endswith(": frozen?")


# MXF is left out: its writer interleaves picture and sound, and cuts both to the shorter.
@pytest.mark.parametrize("container", [each for each in CONTAINERS if each != "mxf"])
@BOTH
def test_sound_that_ends_before_the_picture_asks_for_an_ear(
    tmp_path: Path, container: str, deep: bool
) -> None:
    """Matroska and AVI state a track's length elsewhere than FFmpeg looks for it."""
    (said,) = found(tmp_path, container, deep=deep, sound_frames=20)
    assert said.startswith("Its sound ends before the picture: 0.")
    assert said.endswith(" of 2.00 s.")


@EVERY
@BOTH
def test_silence_throughout_asks_for_an_ear(tmp_path: Path, container: str, deep: bool) -> None:
    """A cable that wasn't plugged in."""
    where = "throughout" if deep else "wherever it was heard (1 place)"
    said = found(tmp_path, container, deep=deep, silent=True)
    assert said == [f"Its sound is silent {where}."]


def test_each_sound_track_has_its_own_length(tmp_path: Path) -> None:
    """A fact of the file, beside the clip's length, which is the picture's."""
    made = replace(CONTAINERS["mkv"], frames=50, sound_frames=20)
    facts = probe(encode(tmp_path, made))
    assert facts.duration_seconds == 2
    (track,) = facts.audio
    assert track.seconds == Fraction(8, 10)
