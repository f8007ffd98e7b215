"""Do two recordings hold the same sound, and how far apart do they begin? Pure.

First the envelopes are laid over each other at every lag (normalised cross-correlation by FFT:
Pearson's coefficient over what overlaps), then, around the best lags, the samples themselves,
piece by piece. What convinces is that the pieces agree on one lag: two microphones in one room
differ in colour and level, but not in when. Needs numpy and scipy.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.fft import irfft, next_fast_len, rfft
from scipy.signal import resample_poly

__all__ = ["RATE", "Heard", "Verdict", "compare"]

Floats = NDArray[np.float64]

RATE = 8000
"""Samples a second at which sound is compared."""
_HOP = RATE // 100
"""Samples of one value of the envelope: 10 ms."""
_SHORTEST = 2.0
"""Seconds of overlap below which nothing is said."""
_LAGS = 6
"""Lags of the envelopes that are looked at by their samples."""
_NEAR = RATE // 20
"""Samples around a lag that are searched: 50 ms."""
_TOLERANCE = RATE // 500
"""Samples by which pieces may differ in lag: 2 ms, the drift of two clocks within a take."""
_MOST_PIECES = 16
_SILENT = 2e-4
"""Root mean square, full scale being 1, below which there is nothing to hear (-74 dB)."""
_FLAT = 0.25
"""Deviation of an envelope by its mean below which it has no shape: steady noise, or a tone."""
_AGREE = 0.1
"""Coefficient from which a piece counts. Unrelated white noise of a second stays below 0.05."""
_UNIQUE = 0.9
"""A second peak this near to the best makes a piece a tone, which fits anywhere."""


class Verdict(StrEnum):
    SAME = "same"
    OTHER = "other"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Heard:
    """What the comparison of two sounds gave."""

    verdict: Verdict
    score: float
    """Median coefficient of the pieces that agree, without sign; 0 where none do."""
    lag_s: float | None
    """Seconds by which the second starts after the first; None unless the sound is the same."""
    why: str
    """In words."""

    def frames(self, rate: Fraction) -> int | None:
        """The lag in frames of this rate, to the nearest."""
        return None if self.lag_s is None else round(Fraction(self.lag_s) * rate)


def compare(first: ArrayLike, first_rate: int, second: ArrayLike, second_rate: int) -> Heard:
    """Compare two mono sounds; samples at full scale 1, rates in samples a second.

    Gain, polarity and steady noise don't matter. UNKNOWN where one is silent, too short, or has
    nothing in it by which it could be told from another (a tone, an even noise).
    """
    one, other = _prepared(first, first_rate), _prepared(second, second_rate)
    if min(len(one), len(other)) < _SHORTEST * RATE:
        return Heard(Verdict.UNKNOWN, 0.0, None, f"less than {_SHORTEST:g} s of sound")
    if min(_level(one), _level(other)) < _SILENT:
        return Heard(Verdict.UNKNOWN, 0.0, None, "there is silence")
    envelopes = _envelope(one), _envelope(other)
    best: tuple[int, float, float] | None = None
    for hops in _best_lags(*envelopes):
        found = _by_samples(one, other, hops * _HOP)
        if found is not None and (best is None or found[:2] > best[:2]):
            best = found
    if best is not None:
        _, score, lag = best
        return Heard(Verdict.SAME, score, lag / RATE, "the waveforms agree")
    if min(float(np.std(each) / np.mean(each)) for each in envelopes) < _FLAT:
        return Heard(Verdict.UNKNOWN, 0.0, None, "the sound is even throughout")
    return Heard(Verdict.OTHER, 0.0, None, "the waveforms differ")


def _prepared(samples: ArrayLike, rate: int) -> Floats:
    sound: Floats = np.asarray(samples, dtype=np.float64)
    if rate != RATE and len(sound):
        part = Fraction(RATE, rate)
        sound = np.asarray(resample_poly(sound, part.numerator, part.denominator))
    return sound - sound.mean() if len(sound) else sound


def _level(sound: Floats) -> float:
    return float(np.sqrt(np.mean(sound**2)))


def _envelope(sound: Floats) -> Floats:
    hops = sound[: len(sound) // _HOP * _HOP].reshape(-1, _HOP)
    found: Floats = np.sqrt(np.mean(hops**2, axis=1)) + 1e-9
    return found


def _best_lags(one: Floats, other: Floats) -> list[int]:
    """Lags, in hops, at which the envelopes fit best, best first."""
    fit, first = _pearson(one, other, least=int(_SHORTEST * RATE / _HOP))
    found: list[int] = []
    for _ in range(_LAGS):
        at = int(np.argmax(fit))
        if fit[at] <= 0:
            break
        found.append(at + first)
        fit[max(0, at - 3) : at + 4] = 0
    return found


def _pearson(one: Floats, other: Floats, *, least: int) -> tuple[Floats, int]:
    """Pearson's coefficient over the overlap at each lag, and the lag of its first value.

    Lags are those by which `other` starts after `one`. A short overlap fits by chance more
    easily, and so counts by the root of its length. Less overlap than `least` counts 0.
    """
    length = len(one) + len(other) - 1
    size = next_fast_len(length, real=True)

    def crossed(a: Floats, b: Floats) -> Floats:
        # Value k belongs to the lag k - (len(other) - 1).
        return np.asarray(irfft(rfft(a, size) * rfft(b[::-1], size), size)[:length])

    one, other = one - one.mean(), other - other.mean()
    ones, others = np.ones(len(one)), np.ones(len(other))
    count = np.maximum(np.round(crossed(ones, others)), 1.0)
    sum_one, sum_other = crossed(one, others), crossed(ones, other)
    both = crossed(one, other) - sum_one * sum_other / count
    spread_one = crossed(one**2, others) - sum_one**2 / count
    spread_other = crossed(ones, other**2) - sum_other**2 / count
    least_spread = 1e-6 * (float(np.var(one)) * float(np.var(other)) + 1e-30) ** 0.5
    under = np.sqrt(
        np.maximum(spread_one, least_spread * count)
        * np.maximum(spread_other, least_spread * count)
    )
    weight = np.sqrt(np.minimum(1.0, count / min(len(one), len(other))))
    return np.where(count >= least, both / under * weight, 0.0), 1 - len(other)


def _by_samples(one: Floats, other: Floats, lag: int) -> tuple[int, float, float] | None:
    """Pieces that agree around this lag, their median coefficient, and the lag, in samples;
    None where they don't agree."""
    start, end = max(0, lag), min(len(one), lag + len(other))
    count = int((end - start) // RATE)
    if count < _SHORTEST - 1:
        return None
    begins = [start + RATE * number for number in range(count)]
    begins.sort(key=lambda at: -float(np.sum(one[at : at + RATE] ** 2)))
    lags, scores = [], []
    for at in begins[:_MOST_PIECES]:
        found = _piece(one[at : at + RATE], other, at - lag)
        if found is not None:
            lags.append(lag - found[0])
            scores.append(found[1])
    if not lags:
        return None
    middle = max(lags, key=lambda each: sum(abs(each - some) <= _TOLERANCE for some in lags))
    agreed = [n for n, each in enumerate(lags) if abs(each - middle) <= _TOLERANCE]
    tried = min(len(begins), _MOST_PIECES)
    # By chance one piece lands within the tolerance of another once in 25 times.
    if len(agreed) < 2 or (len(agreed) < 3 and tried >= 5) or 4 * len(agreed) < tried:
        return None
    score = float(np.median([scores[n] for n in agreed]))
    return len(agreed), score, float(np.median([lags[n] for n in agreed]))


def _piece(piece: Floats, other: Floats, at: int) -> tuple[int, float] | None:
    """How far from `at` a piece lies in the other sound, in samples, and its coefficient; None
    where it is not there, or could be anywhere."""
    low, high = max(0, at - _NEAR), min(len(other), at + len(piece) + _NEAR)
    place = other[low:high]
    if len(place) < len(piece):
        return None
    fit = np.abs(_normalised(np.diff(piece), np.diff(place)))
    best = int(np.argmax(fit))
    rest = np.concatenate((fit[: max(0, best - 2 * _TOLERANCE)], fit[best + 2 * _TOLERANCE :]))
    if fit[best] < _AGREE or (len(rest) and rest.max() > _UNIQUE * fit[best]):
        return None
    return low + best - at, float(fit[best])


def _normalised(piece: Floats, place: Floats) -> Floats:
    """The coefficient of a piece at each position wholly inside a place, by FFT."""
    size = next_fast_len(len(piece) + len(place) - 1, real=True)
    crossed: NDArray[Any] = irfft(rfft(place, size) * rfft(piece[::-1], size), size)
    inside = crossed[len(piece) - 1 : len(place)]
    power = np.concatenate(([0.0], np.cumsum(place**2)))
    powers = power[len(piece) :] - power[: -len(piece)]
    under = np.sqrt(np.maximum(powers, 1e-12) * max(float(np.sum(piece**2)), 1e-12))
    found: Floats = inside / under
    return found
