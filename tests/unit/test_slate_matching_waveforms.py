"""Two sounds compared: the same or not, and how far apart they begin."""

from fractions import Fraction

import numpy as np
import pytest
from scipy.signal import correlate, correlation_lags, resample_poly

from ingest.slate.matching.waveforms import RATE, Verdict, compare

FILM = Fraction(24000, 1001)


def speech(seed, seconds, rate=RATE):
    """Syllables of coloured noise with pauses, full scale 1."""
    dice = np.random.default_rng(seed)
    sound = dice.normal(0, 0.002, int(seconds * rate))
    at = 0
    while at < len(sound):
        length = int(dice.uniform(0.08, 0.3) * rate)
        burst = np.convolve(dice.normal(0, 0.2, length), [0.5, 0.3, 0.2], "same")
        burst *= np.hanning(length) * dice.uniform(0.2, 1)
        sound[at : at + length] += burst[: len(sound) - at]
        at += length + int(dice.uniform(0.02, 0.6) * rate)
    return sound


def judged(first, second):
    """The lag that scipy.signal.correlate finds, in seconds, with the sign used here."""
    full = correlate(first, second, "full", "fft")
    return correlation_lags(len(first), len(second))[np.argmax(np.abs(full))] / RATE


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("start", [-6.0, -0.125, 0.0, 0.12525, 7.5])
def test_when_the_same_sound_starts_elsewhere_then_the_lag_is_that_of_scipy(seed, start):
    """Outside judge: scipy.signal.correlate on the whole signals."""
    whole = speech(seed, 30)
    first = whole[10 * RATE : 20 * RATE]
    second = whole[int((10 + start) * RATE) :][: 12 * RATE]
    heard = compare(first, RATE, second, RATE)
    assert heard.verdict is Verdict.SAME
    assert heard.lag_s == pytest.approx(start, abs=1 / RATE)
    assert heard.lag_s == pytest.approx(judged(first, second), abs=1 / RATE)
    assert heard.frames(FILM) == round(start * 24000 / 1001)


@pytest.mark.parametrize("gain", [0.02, -0.3, 4.0])
def test_when_the_scratch_track_is_softer_turned_over_or_noisy_then_it_is_still_the_same(gain):
    """Level, polarity, another microphone's colour, and hiss."""
    whole = speech(5, 25)
    first = np.convolve(whole[: 15 * RATE], [0.4, 0.0, 0.3, -0.2], "same") * gain
    first = first + np.random.default_rng(1).normal(0, 0.03 * abs(gain), len(first))
    heard = compare(first, RATE, whole[2 * RATE :], RATE)
    assert heard.verdict is Verdict.SAME
    assert heard.lag_s == pytest.approx(2.0, abs=0.002)


def test_when_the_rates_differ_then_both_are_brought_to_one():
    """48 kHz of a recorder against 44.1 kHz of a camera."""
    whole = speech(6, 20)
    first = resample_poly(whole[: 12 * RATE], 441, 80)
    second = resample_poly(whole[3 * RATE :], 6, 1)
    heard = compare(first, 44100, second, 48000)
    assert heard.verdict is Verdict.SAME
    assert heard.lag_s == pytest.approx(3.0, abs=0.001)


def test_when_one_clock_drifts_then_the_pieces_still_agree():
    """50 parts in a million, over 30 s: 1.5 ms."""
    whole = speech(7, 40)
    at = np.arange(30 * RATE) * (1 + 50e-6) + 4 * RATE
    heard = compare(whole, RATE, np.interp(at, np.arange(len(whole)), whole), RATE)
    assert heard.verdict is Verdict.SAME
    assert heard.lag_s == pytest.approx(4.0, abs=0.002)


@pytest.mark.parametrize("seed", range(30))
def test_when_the_sounds_are_others_then_that_is_said(seed):
    """No lag of two unrelated sounds convinces."""
    heard = compare(speech(100 + seed, 20), RATE, speech(200 + seed, 25), RATE)
    assert (heard.verdict, heard.lag_s, heard.frames(FILM)) == (Verdict.OTHER, None, None)


@pytest.mark.parametrize(
    ("first", "second", "why"),
    [
        (np.zeros(10 * RATE), speech(1, 10), "there is silence"),
        (speech(1, 10), speech(1, 1), "less than 2 s of sound"),
        (np.zeros(0), speech(1, 10), "less than 2 s of sound"),
        (
            np.random.default_rng(2).normal(0, 0.1, 10 * RATE),
            speech(1, 10),
            "the sound is even throughout",
        ),
        (
            np.sin(np.arange(10 * RATE) / 3),
            np.sin(1 + np.arange(12 * RATE) / 3),
            "the sound is even throughout",
        ),
    ],
    ids=["silence", "short", "empty", "hiss", "tone"],
)
def test_when_there_is_nothing_to_tell_by_then_nothing_is_said(first, second, why):
    """Neither confirmed nor refuted."""
    heard = compare(first, RATE, second, RATE)
    assert (heard.verdict, heard.why) == (Verdict.UNKNOWN, why)
