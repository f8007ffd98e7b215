"""Answers that people type to the questions of `ingest start`, read. Pure; all raise UsageError."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from fractions import Fraction

from ingest.errors import UsageError
from ingest.jobs.custody.texts import one_line
from ingest.names import shown
from ingest.settings import DeviceSettings
from ingest.settings.values import KINDS_OF_DEVICE, DeviceKind
from ingest.wording import listed

__all__ = [
    "LETTER",
    "devices_said",
    "devices_typed",
    "likely_kinds",
    "read_copies",
    "read_days",
    "read_devices",
    "read_frame_rate",
    "read_name",
]

_RATE = re.compile(r"([1-9][0-9]{0,6})(?:/([1-9][0-9]{0,6}))?")
_USUAL = {"23.976": "24000/1001", "23.98": "24000/1001", "29.97": "30000/1001"}
LETTER = re.compile(r"[A-Z][A-Z0-9]?")
"""A device's letter."""
_MOST_DAYS = 366
_LIKELY: dict[DeviceKind, tuple[str, tuple[str, ...]]] = {
    "recorder": ("S", ("sound", "recorder", "mixer", "audio")),
    "stills": ("P", ("stills", "photo", "photos")),
}
"""The letter, and the words in a name, by which each kind mostly goes (common practice, no
source)."""
_CALLED = {
    "camera": ("camera", "cameras"),
    "recorder": ("sound recorder", "sound recorders"),
    "stills": ("stills camera", "stills cameras"),
}


def read_name(text: str) -> str:
    """A production's name."""
    return one_line(text, "The production's name")


def read_days(text: str) -> tuple[date, ...]:
    """Shoot days: dates in any order, and `FIRST to LAST`."""
    parts = re.split(r"\s*(?:,|\s)\s*", text.replace(" to ", " - ").strip())
    days: list[date] = []
    through = False
    for part in filter(None, parts):
        if part == "-":
            through = True
            continue
        try:
            day = date.fromisoformat(part)
        except ValueError:
            raise UsageError(
                f"A shoot day is a date, not {shown(part)}.",
                do='"2026-03-14 to 2026-03-18", or "2026-03-14, 2026-03-16"',
            ) from None
        if through and days:
            first = days[-1]
            between = (day - first).days
            if not 0 < between <= _MOST_DAYS:
                raise UsageError(f"From {first} to {day} is no shoot.", do="check the dates")
            days += (first + timedelta(days=one) for one in range(1, between))
        days.append(day)
        through = False
    if not days or through:
        raise UsageError("No shoot day was named.", do='"2026-03-14 to 2026-03-18"')
    return tuple(sorted(set(days)))


def read_frame_rate(text: str) -> Fraction:
    """Frames a second; 23.976 and 29.97 mean what the trade means by them (SMPTE ST 12-1)."""
    found = _RATE.fullmatch(_USUAL.get(text, text))
    if found is None:
        raise UsageError(
            f"A frame rate is 25 or 24000/1001, not {shown(text)}.", do="write it as a fraction"
        )
    return Fraction(int(found[1]), int(found[2] or 1))


def read_devices(text: str) -> tuple[DeviceSettings, ...]:
    """Letters of cameras / recorders / stills cameras, each with =NAME if wanted. Without a slash
    all are cameras, whatever `likely_kinds` makes of them."""
    groups = text.split("/")
    if len(groups) > len(KINDS_OF_DEVICE):
        raise UsageError("Three kinds at most.", do='cameras / recorders / stills: "A B / S / P"')
    devices: dict[str, DeviceSettings] = {}
    for kind, group in zip(KINDS_OF_DEVICE, groups, strict=False):
        for word in re.split(r"[\s,]+", group.strip()):
            if not word:
                continue
            letter, _, name = word.partition("=")
            letter = letter.upper()
            if not LETTER.fullmatch(letter) or letter in devices:
                raise UsageError(
                    f"{shown(word)} is no letter of its own.",
                    do='a capital letter each, with a name if wanted: "A B D=drone / S / P"',
                )
            devices[letter] = DeviceSettings(letter, kind, name or None)
    return tuple(devices.values())


def likely_kinds(text: str) -> tuple[DeviceSettings, ...] | None:
    """What letters without a slash probably mean, where that isn't cameras alone; None where
    nothing is in doubt."""
    devices = read_devices(text)
    likely = [replace(one, kind=_likely_kind(one)) for one in devices]
    if "/" in text or all(one.kind == "camera" for one in likely):
        return None
    return tuple(sorted(likely, key=lambda one: KINDS_OF_DEVICE.index(one.kind)))


def _likely_kind(device: DeviceSettings) -> DeviceKind:
    words = re.findall(r"\w+", (device.name or "").casefold())
    for kind, (letter, names) in _LIKELY.items():
        if any(name in words for name in names):
            return kind
        if not words and device.letter[0] == letter:
            return kind
    return "camera"


def devices_said(devices: Sequence[DeviceSettings]) -> str:
    """`cameras A, B and D (drone), sound recorder S`."""
    parts = []
    for kind in KINDS_OF_DEVICE:
        named = [
            f"{shown(one.letter)} ({shown(one.name)})" if one.name else shown(one.letter)
            for one in devices
            if one.kind == kind
        ]
        if named:
            parts.append(f"{_CALLED[kind][len(named) > 1]} {listed(named, len(named))}")
    return ", ".join(parts)


def devices_typed(devices: Sequence[DeviceSettings]) -> str:
    """As `read_devices` reads them: `A B D=drone / S / P`."""
    groups = [
        " ".join(
            f"{one.letter}={one.name}" if one.name else one.letter
            for one in devices
            if one.kind == kind
        )
        for kind in KINDS_OF_DEVICE
    ]
    return shown(" / ".join(groups).strip())


def read_copies(text: str) -> int:
    """How many copies are wanted, 1 to 9."""
    if not text.isdecimal() or not 1 <= int(text) <= 9:
        raise UsageError(f"Copies are a number from 1 to 9, not {shown(text)}.")
    return int(text)
