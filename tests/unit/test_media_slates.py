"""Pictures of a clip: the slate by its clap, the most telling frame of the rest, log and HDR."""

from __future__ import annotations

import random
from array import array
from fractions import Fraction
from pathlib import Path

import av
import pytest

from ingest.media.facts import ClipFacts, Colour
from ingest.media.looking.listening import HEARD_RATE, Piece, find_clap
from ingest.media.looking.viewing import view
from ingest.media.posters import draw, draw_slate
from ingest.media.reading.probe import probe
from ingest.media.toning import says_log, tone

RATE = 25
SECONDS = 6


def clip(path: Path, *, clap: float | None, black: float = 0.0) -> Path:
    """Grey noise; the frame at the clap is white; until `black` seconds the picture is black."""
    dice = random.Random(5)
    at = round(clap * RATE) if clap is not None else -1
    with av.open(str(path), "w") as container:
        video = container.add_stream("mjpeg", rate=RATE)
        video.width, video.height, video.pix_fmt = 64, 36, "yuvj420p"
        audio = container.add_stream("pcm_s16le", rate=48000)
        audio.layout = "mono"
        for number in range(SECONDS * RATE):
            frame = av.VideoFrame(64, 36, "gray")
            plane = frame.planes[0]
            if number == at:
                picture = b"\xff" * plane.buffer_size
            elif number < black * RATE:
                picture = bytes(plane.buffer_size)
            else:
                picture = bytes(dice.randrange(60, 160) for _ in range(64)) * 36
                picture = picture.ljust(plane.buffer_size, b"\0")
            plane.update(picture[: plane.buffer_size])
            ready = frame.reformat(format="yuvj420p")
            ready.pts = number
            container.mux(video.encode(ready))
            samples = array("h", (dice.randrange(-300, 300) for _ in range(1920)))
            if number == at:
                for place in range(900):
                    burst = int(26000 * 0.985**place)
                    samples[place] = burst if place % 2 else -burst
            sound = av.AudioFrame("s16", "mono", 1920)
            sound.planes[0].update(samples.tobytes())
            sound.sample_rate, sound.pts = 48000, number * 1920
            sound.time_base = Fraction(1, 48000)
            container.mux(audio.encode(sound))
        container.mux(video.encode())
        container.mux(audio.encode())
    return path


def mean(picture: bytes, folder: Path) -> float:
    path = folder / "look.jpg"
    path.write_bytes(picture)
    with av.open(str(path)) as container:
        frame = next(container.decode(video=0)).reformat(width=16, height=16, format="gray")
    return sum(bytes(frame.planes[0])[:256]) / 256


@pytest.mark.parametrize("clap", [0.8, 5.2], ids=["head", "tail"])
def test_the_slate_is_the_frame_at_its_clap_and_the_poster_is_another(
    tmp_path: Path, clap: float
) -> None:
    """The only white frame is the one that the clap falls in."""
    path = clip(tmp_path / "c.mov", clap=clap)
    facts = probe(path)
    seen = view(path, facts)
    assert seen.clap is not None
    assert abs(seen.clap.at - clap) < 0.02
    slate = draw_slate(facts, seen)
    assert slate is not None
    assert mean(slate, tmp_path) > 200
    assert mean(draw(path, facts, seen), tmp_path) < 160


def test_without_a_clap_there_is_no_picture_of_a_slate(tmp_path: Path) -> None:
    """Nothing is made up."""
    path = clip(tmp_path / "c.mov", clap=None)
    facts = probe(path)
    assert draw_slate(facts, view(path, facts)) is None


def test_a_poster_is_not_black_where_the_clip_has_more(tmp_path: Path) -> None:
    """Two thirds are black."""
    path = clip(tmp_path / "c.mov", clap=None, black=4.0)
    assert mean(draw(path, probe(path)), tmp_path) > 60


def heard(samples: list[int]) -> list[Piece]:
    return [Piece(0.0, (array("h", samples),))]


def test_a_clap_is_sharp_loud_and_short() -> None:
    """Speech swells, a hum stays, a click is too quiet: none of them is a clap."""
    dice = random.Random(1)
    quiet = [dice.randrange(-100, 100) for _ in range(HEARD_RATE)]
    burst = [int((-1) ** n * 20000 * 0.97**n) for n in range(200)]
    clapped = quiet + burst + quiet
    found = find_clap(heard(clapped))
    assert found is not None
    assert abs(found.at - 1) <= 0.01
    assert find_clap(heard(quiet * 2)) is None
    assert find_clap(heard(quiet + [value // 50 for value in burst] + quiet)) is None
    hum = [int((-1) ** n * 20000) for n in range(HEARD_RATE)]
    assert find_clap(heard(quiet + hum)) is None
    assert find_clap([]) is None


def histogram(low: int, high: int) -> list[int]:
    return [100 if low <= value <= high else 0 for value in range(256)]


def test_flat_log_footage_is_spread_and_ordinary_footage_is_left_alone() -> None:
    """By what the file says, or by ten bits that use the middle only. 8 bit is never guessed."""
    flat = histogram(40, 150)
    ten = ClipFacts(bit_depth=10)
    made = tone(ten, flat)
    assert made is not None
    assert made.luma[45] < 30
    assert made.luma[145] > 210
    assert list(made.luma) == sorted(made.luma)
    assert tone(ten, histogram(16, 235)) is None
    assert tone(ClipFacts(bit_depth=8), flat) is None
    said = ClipFacts(bit_depth=8, extra={"tag camera gamma": "K-Log2"})
    assert says_log(said)
    assert tone(said, flat) is not None
    assert not says_log(ClipFacts(extra={"tag comment": "see the log"}))


@pytest.mark.parametrize(
    ("transfer", "signal"),
    [("PQ", 0.5806), ("HLG", 0.75)],
)
def test_hdr_white_becomes_an_ordinary_screens_light_tone(transfer: str, signal: float) -> None:
    """ITU-R BT.2408 table 1: diffuse white, 203 cd/m2, is 58 % in PQ and 75 % in HLG."""
    made = tone(ClipFacts(colour=Colour(transfer=transfer)), histogram(16, 235))
    assert made is not None
    white = (made.luma[round(16 + 219 * signal)] - 16) / 219
    assert 0.85 < white < 0.97
    assert made.luma[16] == 16
    assert made.luma[235] >= made.luma[200] > made.luma[100]
