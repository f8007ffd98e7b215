"""Making log and HDR pictures readable on a poster: tables for 8 bit, pure.

It is a look for finding a clip again, never one to judge exposure or colour by.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from ingest.media.facts import ClipFacts

__all__ = ["Tone", "says_log", "tone"]

_LOG = re.compile(r"(?<![a-z])[a-z]{0,2}-?log(?![a-z])", re.IGNORECASE)
_ABOUT_COLOUR = ("gamma", "transfer", "colour", "color", "look", "lut")

_REFERENCE_WHITE = 203.0
"""cd/m2 of diffuse white in HDR (ITU-R BT.2408)."""
_LIFTED, _LOWERED = 0.055, 0.82
"""Log keeps blacks up and whites down: between these lies all of a flat picture."""


@dataclass(frozen=True, slots=True)
class Tone:
    """`luma`: 256 bytes, what each value of video range becomes; `chroma` likewise, about 128."""

    luma: bytes
    chroma: bytes


def tone(facts: ClipFacts, histogram: Sequence[int]) -> Tone | None:
    """What makes the frame readable, or None where it is fine as it is.

    `histogram`: count of each of the 256 luma values of the frame, in video range (16 to 235).
    """
    transfer = (facts.colour.transfer or "").upper()
    if "PQ" in transfer or "2084" in transfer:
        return Tone(_table(lambda value: _shown(_pq(value))), _saturated(1.5))
    if "HLG" in transfer or "B67" in transfer:
        return Tone(_table(lambda value: _shown(_hlg(value))), _saturated(1.25))
    low, high = _share(histogram, 0.01), _share(histogram, 0.99)
    if low is None or high is None:
        return None
    deep = (facts.bit_depth or 8) >= 10
    if says_log(facts) or (deep and low > _LIFTED and high < _LOWERED and high - low > 0.08):
        span = max(high - low, 0.2)
        return Tone(
            _table(lambda value: _curve((value - low) / span)),
            _saturated(min(2.0, 0.9 / span)),
        )
    return None


def says_log(facts: ClipFacts) -> bool:
    """Whether the file itself says that it was recorded in a log curve, whichever."""
    said = [facts.colour.transfer or ""]
    said += [
        value
        for key, value in facts.extra.items()
        if any(word in key.lower() for word in _ABOUT_COLOUR)
    ]
    return any(_LOG.search(each) for each in said)


def _share(histogram: Sequence[int], share: float) -> float | None:
    """The value, from 0 to 1, below which that share of the pixels lies."""
    wanted, passed = sum(histogram) * share, 0
    for value, count in enumerate(histogram):
        passed += count
        if passed >= wanted and passed:
            return min(1.0, max(0.0, (value - 16) / 219))
    return None


def _table(curve: Callable[[float], float]) -> bytes:
    values = (curve(min(1.0, max(0.0, (value - 16) / 219))) for value in range(256))
    return bytes(16 + round(219 * min(1.0, max(0.0, value))) for value in values)


def _saturated(gain: float) -> bytes:
    return bytes(min(240, max(16, round(128 + gain * (value - 128)))) for value in range(256))


def _curve(value: float) -> float:
    """A gentle S: log footage has its subject in the middle."""
    value = min(1.0, max(0.0, value))
    return 0.35 * value + 0.65 * value * value * (3 - 2 * value)


def _pq(signal: float) -> float:
    """SMPTE ST 2084: light in cd/m2 of a signal from 0 to 1."""
    m1, m2 = 2610 / 16384, 2523 / 4096 * 128
    c1, c2, c3 = 3424 / 4096, 2413 / 4096 * 32, 2392 / 4096 * 32
    power = signal ** (1 / m2)
    return float(10_000 * (max(power - c1, 0) / (c2 - c3 * power)) ** (1 / m1))


def _hlg(signal: float) -> float:
    """ARIB STD-B67 / ITU-R BT.2100: light in cd/m2 on a display of 1000, of a signal 0 to 1."""
    a, b, c = 0.17883277, 0.28466892, 0.55991073
    scene = signal * signal / 3 if signal <= 0.5 else (math.exp((signal - c) / a) + b) / 12
    return float(1000 * scene**1.2)


def _shown(light: float) -> float:
    """Light as an ordinary screen's signal: white a little below the top, highlights rolled off."""
    bright = 1.1 * light / _REFERENCE_WHITE
    rolled = bright if bright <= 0.6 else 0.6 + 0.4 * (1 - 1 / (1 + (bright - 0.6) / 0.4))
    return float(rolled ** (1 / 2.2))
