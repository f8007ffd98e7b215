"""The sound of a file, decoded in a process of its own."""

import wave
from array import array
from fractions import Fraction

import av
import numpy as np
import pytest

from ingest.media.hearing import CannotHear, hear


def written(path, channels, samples, rate=8000):
    with wave.open(str(path), "wb") as out:
        out.setparams((channels, 2, rate, 0, "NONE", ""))
        out.writeframes(samples.tobytes())
    return str(path)


def test_when_a_file_has_two_channels_then_their_mean_is_heard(tmp_path):
    """Judged by the standard library's wave, which wrote them."""
    path = written(tmp_path / "a%03d\n.wav", 2, array("h", [100, 300, -200, 200, 5, 5] * 100))
    assert hear(path, timeout_s=60) == array("h", [200, 0, 5] * 100)


def test_when_it_has_another_rate_then_it_comes_at_8_khz(tmp_path):
    """A second stays a second."""
    path = written(tmp_path / "a.wav", 1, array("h", [1000] * 48000), rate=48000)
    assert abs(len(hear(path, timeout_s=60)) - 8000) <= 1


def test_when_a_stream_counts_from_elsewhere_then_its_sound_still_begins_at_the_picture(tmp_path):
    """A transport stream, written by FFmpeg, whose clock starts an hour in; sound 0.5 s late."""
    path = str(tmp_path / "a.mts")
    with av.open(path, "w", format="mpegts") as out:
        picture = out.add_stream("mpeg2video", rate=25, width=64, height=48, pix_fmt="yuv420p")
        sound = out.add_stream("mp2", rate=48000, layout="mono")
        for number in range(50):
            frame = av.VideoFrame(64, 48, "yuv420p")
            frame.pts, frame.time_base = 3600 * 25 + number, Fraction(1, 25)
            out.mux(picture.encode(frame))
        out.mux(picture.encode(None))
        for number in range(50):
            tone = np.full((1, 1152), 8000, np.int16)
            frame = av.AudioFrame.from_ndarray(tone, format="s16", layout="mono")
            frame.sample_rate, frame.time_base = 48000, Fraction(1, 48000)
            frame.pts = (3600 * 2 + 1) * 24000 + number * 1152
            out.mux(sound.encode(frame))
        out.mux(sound.encode(None))
    heard = hear(path, timeout_s=60)
    assert not any(heard[:3600])
    assert len(heard) == pytest.approx(4000 + 50 * 192, abs=500)


def test_when_nothing_can_be_decoded_then_that_is_said(tmp_path):
    """Garbage, and nothing at all."""
    (tmp_path / "a.wav").write_bytes(b"garbage" * 99)
    with pytest.raises(CannotHear, match="Invalid data"):
        hear(str(tmp_path / "a.wav"), timeout_s=60)
    with pytest.raises(CannotHear, match="No such file"):
        hear(str(tmp_path / "b.wav"), timeout_s=60)


def test_when_the_decoder_hangs_then_it_is_ended(tmp_path, monkeypatch):
    """A child that never answers."""
    monkeypatch.setattr("ingest.media.hearing._CHILD", "import time; time.sleep(600)")
    with pytest.raises(CannotHear, match=r"no answer within 0\.5 s"):
        hear(str(tmp_path), timeout_s=0.5)


def test_when_the_decoder_crashes_then_that_is_said(tmp_path, monkeypatch):
    """A child that dies of a signal."""
    monkeypatch.setattr("ingest.media.hearing._CHILD", "import os; os.kill(os.getpid(), 9)")
    with pytest.raises(CannotHear, match="crashed"):
        hear(str(tmp_path), timeout_s=60)
