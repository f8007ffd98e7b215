"""What makers write into a container's free tags: found by what a key ends in, not by its maker.

Keys look like `com.maker.camera.SerialNumber` or `serial_number`; only the last word or two
count, without case and signs. Common practice, no source: there is no register of such keys.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from fractions import Fraction

__all__ = [
    "ISO",
    "LENS",
    "LOCATION",
    "MAKE",
    "MODEL",
    "REEL",
    "SENSOR_RATE",
    "SERIAL",
    "WHITE_BALANCE",
    "rate_of",
    "tag",
    "zone_of",
]

MAKE = ("make", "manufacturer", "cameramake", "cameramanufacturer")
MODEL = ("model", "cameramodel", "cameramodelname", "modelname")
SERIAL = (
    "cameraserialnumber",
    "bodyserialnumber",
    "serialnumber",
    "cameraserial",
    "serial",
    "cameraid",
)
LENS = ("lensmodel", "lens", "lenstype", "lensname", "lensmodelname")
ISO = ("iso", "isosensitivity", "isovalue", "exposureindexasa", "exposureindex", "asa")
WHITE_BALANCE = ("whitebalance", "whitebalancekelvin", "colortemperature", "colourtemperature")
SENSOR_RATE = ("capturefps", "capturerate", "captureframerate", "sensorfps", "sensorrate")
REEL = ("reelname", "reel", "tapename", "tape", "cameratape")
LOCATION = ("iso6709", "location", "locationeng", "xyz", "gpscoordinates", "recordedlocation")

_LONGEST = 500
_NO_SIGN = re.compile(r"[^a-z0-9]")
_ZONE = re.compile(r"(Z|UTC|[+-]\d{2}:?\d{2})\s*$", re.IGNORECASE | re.ASCII)


def tag(tags: Mapping[str, str], tails: Sequence[str]) -> str | None:
    """The first of these tags that says something; `tails` in the order of trust."""
    found: dict[str, str] = {}
    for key, value in tags.items():
        text = value.strip()
        if not text:
            continue
        parts = [_NO_SIGN.sub("", part) for part in re.split(r"[.:/]", key.lower())]
        parts = [part.removesuffix("firstframe") for part in parts if part]
        tails_of_it = {"".join(parts[-1:]), "".join(parts[-2:])}
        if parts[-2:-1] == ["lens"]:  # `lens.Model` is the lens's, and says nothing of the camera
            tails_of_it = {f"lens{parts[-1].removeprefix('lens')}"}
        for tail in tails_of_it:
            found.setdefault(tail, text[:_LONGEST])
    return next((found[tail] for tail in tails if tail in found), None)


def rate_of(written: str | None) -> Fraction | None:
    """`240`, `59.94`, `24000/1001`, `120.000 fps` as frames a second; None for anything else."""
    words = (written or "").split()
    if not words:
        return None
    try:
        rate = Fraction(words[0][:20])
    except (ValueError, ZeroDivisionError):
        return None
    slow = Fraction(round(rate) * 1000, 1001)
    if rate.denominator not in (1, 1001) and abs(rate - slow) < Fraction(1, 100):
        rate = slow
    return rate if 0 < rate < 100_000 else None


def zone_of(written: str | None) -> str | None:
    """The time zone at the end of a date as written, or None where it names none."""
    found = _ZONE.search(written or "")
    return found.group(1) if found and any(char.isdigit() for char in written or "") else None
