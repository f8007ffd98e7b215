"""ingest.toml, strictly: an unknown key or a value of the wrong type is named with its line.

production = "Salt Wind"
days = ["2026-03-14", "2026-03-15"]   # the shoot days, in order
day_ends = 5                          # a clip before this hour belongs to the day before
time_zone = "Europe/Lisbon"
frame_rate = "24000/1001"
copies = 2                            # wanted, on different physical devices

[camera.A]
name = "main"
size = "3840x2160"

[drive.ALBATROSS]
where = "bag 1"

[policy]
offsite = 1
"""

from __future__ import annotations

import tomllib
from pathlib import Path

from ingest.checksums import DEFAULT_KINDS, KINDS
from ingest.errors import BadSettings
from ingest.names import shown
from ingest.settings.lines import line_of
from ingest.settings.table import Table
from ingest.settings.values import (
    DAY_ENDS,
    KINDS_OF_DEVICE,
    LAYOUT,
    DeviceSettings,
    DriveSettings,
    PolicySettings,
    Settings,
)

__all__ = ["FILE", "find_settings", "parse_settings", "read_settings"]

FILE = "ingest.toml"


def find_settings(start: Path) -> Settings:
    """The settings in `start` or the nearest folder above it; the defaults when there are none.

    Raises BadSettings with the key and line that are wrong.
    """
    for folder in (start, *start.parents):
        place = folder / FILE
        if place.is_file():
            return read_settings(place)
    return Settings()


def read_settings(place: Path) -> Settings:
    """The settings of one file. Raises BadSettings with the key and line that are wrong."""
    name = shown(str(place))
    try:
        text = place.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise BadSettings(f"{name}: {error}.", do="save it as UTF-8 text") from error
    except OSError as error:
        raise BadSettings(f"{name} can't be read: {error.strerror}.") from error
    return parse_settings(text, str(place))


def parse_settings(text: str, place: str) -> Settings:
    """The settings that `text` states; `place` is where it came from, for messages. Pure.

    Raises BadSettings with the key and line that are wrong.
    """
    name = shown(place)
    try:
        told = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise BadSettings(f"{name}: {error}.", do="mend the line that is named") from error

    def wrong(path: tuple[str, ...], says: str, do: str = "") -> BadSettings:
        return BadSettings(f"{name}, line {line_of(text, path)}: {says}", do=do)

    top = Table(told, (), wrong)
    devices: dict[str, DeviceSettings] = {}
    for kind in KINDS_OF_DEVICE:
        for letter, table in top.tables(kind).items():
            if letter in devices:
                other = devices[letter].kind
                raise table.wrong(f"{letter} is {other}.{letter} already; a letter is used once.")
            devices[letter] = _device(letter, kind, table)
    settings = Settings(
        place=place,
        production=top.text("production"),
        client=top.text("client"),
        time_zone=top.time_zone("time_zone"),
        days=top.days("days"),
        day_ends=top.number("day_ends", 0, 12, DAY_ENDS),
        frame_rate=top.rate("frame_rate"),
        copies=top.number("copies", 1, 9, 2),
        checksums=top.choices("checksums", KINDS, DEFAULT_KINDS),
        layout=top.text("layout") or LAYOUT,
        names=top.pattern("names"),
        display=top.pattern("display"),
        devices=devices,
        drives={drive: _drive(drive, table) for drive, table in top.tables("drive").items()},
        policy=_policy(top.table("policy")),
    )
    top.end()
    return settings


def _device(letter: str, kind: str, table: Table) -> DeviceSettings:
    if not (
        1 <= len(letter) <= 2
        and letter.isascii()
        and letter.isalnum()
        and letter[0].isupper()
        and letter == letter.upper()
    ):
        raise table.wrong(
            f"a {kind} is named by a capital letter, such as [{kind}.A], not {shown(letter)}."
        )
    device = DeviceSettings(
        letter=letter,
        kind=next(known for known in KINDS_OF_DEVICE if known == kind),
        name=table.text("name"),
        frame_rate=table.rate("frame_rate"),
        sensor_rate=table.rate("sensor_rate"),
        size=table.picture_size("size"),
        codec=table.text("codec"),
        bit_depth=table.optional("bit_depth", 1, 64),
        colour=table.text("colour"),
        audio_channels=table.optional("audio_channels", 0, 128),
        sample_rate=table.optional("sample_rate", 1_000, 1_000_000),
        rotation=table.optional("rotation", 0, 270),
    )
    if device.rotation is not None and device.rotation % 90:
        raise table.wrong("rotation is 0, 90, 180 or 270 (degrees).", "rotation")
    table.end()
    return device


def _drive(name: str, table: Table) -> DriveSettings:
    if not name.strip() or not name.isprintable():
        raise table.wrong("a drive's name is a text on one line, such as [drive.ALBATROSS].")
    drive = DriveSettings(name=name, where=table.text("where"), offsite=table.flag("offsite"))
    table.end()
    return drive


def _policy(table: Table) -> PolicySettings:
    policy = PolicySettings(
        copies=table.optional("copies", 1, 9),
        offsite=table.optional("offsite", 0, 9),
        read_twice=table.flag("read_twice"),
        max_age=table.optional("max_age", 1, 36_500),
        audit_every=table.optional("audit_every", 1, 36_500),
        viewed=table.flag("viewed"),
        hold_until=table.day("hold_until"),
        words=table.text("words"),
    )
    table.end()
    return policy
