"""An ingest.toml with comments, from a few answers. Pure."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from fractions import Fraction

from ingest.settings.values import DAY_ENDS, LAYOUT, DeviceSettings, DriveSettings

__all__ = ["Start", "commented", "drive_heading"]


@dataclass(frozen=True, slots=True)
class Start:
    """What is asked at the start of a production."""

    production: str
    days: tuple[date, ...] = ()
    frame_rate: Fraction | None = None
    devices: tuple[DeviceSettings, ...] = ()
    drives: tuple[DriveSettings, ...] = ()
    copies: int = 2
    time_zone: str | None = None
    day_ends: int = DAY_ENDS


def commented(start: Start) -> str:
    """The file's text: what was answered, and the rest as comments to be made true."""
    return "\n".join(_lines(start)) + "\n"


def _lines(start: Start) -> Iterator[str]:
    yield "# What this production is. Everything may be left out; an option beats it."
    yield "# A # at the start of a line switches it off. A typo is named with its line."
    yield ""
    yield f"production = {_text(start.production)}"
    yield '# client = "The Harbour Trust"'
    days = ", ".join(_text(day.isoformat()) for day in start.days)
    yield _row(bool(days), f"days = [{days or _text('2026-03-14')}]", "the shoot days, in order")
    yield _row(True, f"day_ends = {start.day_ends}", "a clip before it is the day before's")
    zone = start.time_zone
    yield _row(zone is not None, f"time_zone = {_text(zone or 'Europe/Lisbon')}", "IANA name")
    rate = _rate(start.frame_rate or Fraction(25))
    yield _row(
        start.frame_rate is not None, f"frame_rate = {rate}", 'the project\'s; 23.976: "24000/1001"'
    )
    yield _row(True, f"copies = {start.copies}", "wanted, on different physical devices")
    yield '# checksums = ["xxh128", "md5"]   # also xxh64, xxh3, sha1, c4; sha256'
    yield f"# layout = {_text(LAYOUT)}"
    yield '# names = "{scene}-{take}"        # scene and take in names of files or folders'
    yield '# display = "{scene}-{take}-{camera}"'
    yield ""
    yield "# What was on set, by its letter, and what each should record, such as"
    yield '#   size = "3840x2160", frame_rate, sensor_rate = 50, codec, bit_depth = 10,'
    yield "#   colour, audio_channels = 4, sample_rate = 48000, rotation = 0"
    yield "# [camera.A], [recorder.S], [stills.P]; a drone is a camera."
    for device in start.devices:
        yield ""
        yield f"[{device.kind}.{device.letter}]"
        name = device.name or _NAMES[device.kind]
        yield _row(device.name is not None, f"name = {_text(name)}")
    yield ""
    yield "# The drives, by name. A place with offsite = true counts as off-site."
    if not start.drives:
        yield "# [drive.NAME]"
        yield '# where = "bag 1"'
        yield "# offsite = true"
    for number, drive in enumerate(start.drives, 1):
        yield ""
        yield drive_heading(drive.name)
        yield _row(drive.where is not None, f"where = {_text(drive.where or f'bag {number}')}")
        yield "# offsite = true"
    yield ""
    yield "# What must hold before a card may be reused."
    yield "[policy]"
    yield "# copies = 3"
    yield _row(False, "offsite = 1", "of the copies, read where they are")
    yield _row(False, "read_twice = true", "the card is read a second time (--reread)")
    yield _row(False, "max_age = 30", "days since a copy was read")
    yield _row(False, "audit_every = 90", "days after which a drive is due for an audit")
    yield _row(False, "viewed = true", "a person viewed what can't be decoded")
    yield "# hold_until = 2026-12-31"
    yield '# words = "What the contract says, quoted."'


_NAMES = {"camera": "main", "recorder": "mixer", "stills": "photos"}
"""What a device might be called, as an example."""


def _row(on: bool, text: str, comment: str = "") -> str:
    line = text if on else f"# {text}"
    return f"{line:<33} # {comment}" if comment else line


def _text(text: str) -> str:
    """A TOML basic string: JSON's escapes are among those that TOML has."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def drive_heading(name: str) -> str:
    """The line that begins what is said of a drive."""
    bare = name.isascii() and name.replace("-", "").replace("_", "").isalnum()
    return f"[drive.{name if bare else _text(name)}]"


def _rate(rate: Fraction) -> str:
    return str(rate) if rate.denominator == 1 else _text(str(rate))
