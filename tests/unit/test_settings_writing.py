"""The ingest.toml that is written is the ingest.toml that is read."""

from __future__ import annotations

import tomllib
from datetime import date
from fractions import Fraction

from hypothesis import given
from hypothesis import strategies as st

from ingest.settings import DeviceSettings, DriveSettings, Settings, parse_settings
from ingest.settings.writing import Start, commented

START = Start(
    production="Kestrel Quay",
    days=(date(2026, 3, 14), date(2026, 3, 15)),
    frame_rate=Fraction(24000, 1001),
    devices=(
        DeviceSettings("A", "camera"),
        DeviceSettings("D", "camera", "drone"),
        DeviceSettings("S", "recorder"),
        DeviceSettings("P", "stills"),
    ),
    drives=(DriveSettings("ALBATROSS", "bag 1"), DriveSettings("BITTERN 2")),
    copies=3,
    time_zone="Europe/Lisbon",
)


def test_what_was_answered_is_read_again() -> None:
    """Nothing more, nothing less."""
    read = parse_settings(commented(START), "ingest.toml")
    assert read == Settings(
        place="ingest.toml",
        production=START.production,
        time_zone="Europe/Lisbon",
        days=START.days,
        frame_rate=START.frame_rate,
        copies=3,
        devices={device.letter: device for device in START.devices},
        drives={drive.name: drive for drive in START.drives},
    )


def test_what_was_not_answered_is_the_defaults() -> None:
    """A production's name alone is enough."""
    read = parse_settings(commented(Start("Salt Wind")), "ingest.toml")
    assert read == Settings(place="ingest.toml", production="Salt Wind")


def test_every_comment_is_true_once_it_is_switched_on() -> None:
    """The `# key = value` lines can be used as they stand."""
    text = commented(Start("Salt Wind", drives=(DriveSettings("ALBATROSS"),)))
    on = [
        line.removeprefix("# ") if line[2:3].islower() and " = " in line[:16] else line
        for line in text.splitlines()
    ]
    read = parse_settings("\n".join(on), "ingest.toml")
    assert read.policy.offsite == 1
    assert read.policy.words
    assert read.drives["ALBATROSS"].offsite is True
    assert (read.names, read.client) == ("{scene}-{take}", "The Harbour Trust")


def test_lines_fit_a_terminal() -> None:
    """80 columns, comments included, where the names allow it."""
    assert max(len(line) for line in commented(START).splitlines()) <= 80


@given(
    st.text(st.characters(exclude_categories=("Cs",)), min_size=1).filter(str.strip),
    st.text(st.characters(exclude_categories=("Cs", "Cc", "Zl", "Zp")), min_size=1).filter(
        lambda name: bool(name.strip()) and name.isprintable()
    ),
)
def test_any_name_is_written_so_that_it_is_read_again(production: str, drive: str) -> None:
    """TOML 1.0 basic strings and quoted keys, by the standard library's own reader."""
    text = commented(Start(production, drives=(DriveSettings(drive),)))
    assert tomllib.loads(text)["production"] == production
    assert list(parse_settings(text, "ingest.toml").drives) == [drive]
