"""ingest.toml: found from where one stands, read strictly; the policy when nothing is said."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta, timezone
from fractions import Fraction
from pathlib import Path

import pytest

from ingest.checksums import DEFAULT_KINDS
from ingest.errors import BadSettings
from ingest.settings import (
    FILE,
    LAYOUT,
    DeviceSettings,
    DriveSettings,
    PolicySettings,
    Settings,
    find_settings,
    parse_settings,
    shoot_date,
)
from ingest.settings.lines import line_of

WHOLE = """
production = "Salt Wind"
days = ["2026-03-14", 2026-03-15]
day_ends = 4
copies = 3
checksums = ["md5", "xxh64", "md5"]
layout = "{production}/{roll}"
"""

CREW = """
production = "Salt Wind"
client = "The Harbour Trust"
time_zone = "Europe/Lisbon"
frame_rate = "24000/1001"
names = "{scene}-{take}"
display = "{scene}-{take}-{camera}"

[camera.A]
name = "main"
frame_rate = 25
sensor_rate = "50"
size = "3840x2160"
codec = "HEVC"
bit_depth = 10
colour = "HLG"
rotation = 90

[camera.D]

[recorder.S]
audio_channels = 4
sample_rate = 48000
bit_depth = 24

[stills.P]
name = "stills"

[drive.ALBATROSS]
where = "bag 1"

[drive."BITTERN 2"]
where = "the vault"
offsite = true

[policy]
copies = 3
offsite = 1
read_twice = true
max_age = 30
audit_every = 90
viewed = true
hold_until = 2026-12-31
words = "Three copies, one off-site, until the end of the year."
"""


def written(folder: Path, text: str) -> Path:
    (folder / FILE).write_text(text, encoding="utf-8")
    return folder


def test_without_a_file_two_copies_are_wanted() -> None:
    """Two copies before a card is wiped, then three in all, on two kinds of media, one elsewhere.

    Two before a wipe is common practice, no source. 3-2-1: Ruggiero and Heckathorn, "Data Backup
    Options", US-CERT 2012, which credits Krogh, "The DAM Book", 2nd edition 2009, p. 207. The
    card counts as a copy only until it is wiped (our reading), so two others are the least.
    """
    assert Settings().copies == 2


def test_without_a_file_the_defaults_stand(tmp_path: Path) -> None:
    """Two checksums of one read, the contract's folders, a day that ends at five."""
    assert find_settings(tmp_path) == Settings(
        place="",
        production=None,
        days=(),
        day_ends=5,
        copies=2,
        checksums=DEFAULT_KINDS,
        layout="{production}/D{day:02}_{date}/{roll}",
    )
    assert DEFAULT_KINDS == ("xxh128", "md5")


def test_every_key_is_read(tmp_path: Path) -> None:
    """Dates as texts or as dates; a kind named twice counts once."""
    assert find_settings(written(tmp_path, WHOLE)) == Settings(
        place=str(tmp_path / FILE),
        production="Salt Wind",
        days=(date(2026, 3, 14), date(2026, 3, 15)),
        day_ends=4,
        copies=3,
        checksums=("md5", "xxh64"),
        layout="{production}/{roll}",
    )


def test_devices_drives_and_policy_are_read() -> None:
    """What a device should record, where a drive lives, what must hold before a card is reused."""
    read = parse_settings(CREW, "ingest.toml")
    assert (read.client, read.time_zone) == ("The Harbour Trust", "Europe/Lisbon")
    assert read.frame_rate == Fraction(24000, 1001)
    assert (read.names, read.display) == ("{scene}-{take}", "{scene}-{take}-{camera}")
    assert read.devices == {
        "A": DeviceSettings(
            letter="A",
            kind="camera",
            name="main",
            frame_rate=Fraction(25),
            sensor_rate=Fraction(50),
            size=(3840, 2160),
            codec="HEVC",
            bit_depth=10,
            colour="HLG",
            rotation=90,
        ),
        "D": DeviceSettings(letter="D", kind="camera"),
        "S": DeviceSettings(
            letter="S", kind="recorder", audio_channels=4, sample_rate=48_000, bit_depth=24
        ),
        "P": DeviceSettings(letter="P", kind="stills", name="stills"),
    }
    assert list(read.drives.values()) == [
        DriveSettings("ALBATROSS", "bag 1", None),
        DriveSettings("BITTERN 2", "the vault", True),
    ]
    assert read.policy == PolicySettings(
        copies=3,
        offsite=1,
        read_twice=True,
        max_age=30,
        audit_every=90,
        viewed=True,
        hold_until=date(2026, 12, 31),
        words="Three copies, one off-site, until the end of the year.",
    )


def test_an_editors_byte_order_mark_does_no_harm(tmp_path: Path) -> None:
    """Some editors put one before UTF-8 text."""
    (tmp_path / FILE).write_bytes(b'\xef\xbb\xbfproduction = "Salt Wind"')
    assert find_settings(tmp_path).production == "Salt Wind"


def test_the_nearest_file_above_counts(tmp_path: Path) -> None:
    """From a folder below, upward, the first one found."""
    below = tmp_path / "DIT" / "today"
    below.mkdir(parents=True)
    written(tmp_path, 'production = "Salt Wind"')
    assert find_settings(below).production == "Salt Wind"
    written(below.parent, 'production = "Other Tide"')
    assert find_settings(below).production == "Other Tide"


def test_an_empty_file_is_the_defaults(tmp_path: Path) -> None:
    """Only the place is another one."""
    assert find_settings(written(tmp_path, "")) == Settings(place=str(tmp_path / FILE))


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("copis = 2", "copis"),
        ("copies = 0", "copies"),
        ("copies = true", "copies"),
        ('copies = "2"', "copies"),
        ("copies = 10", "copies"),
        ("day_ends = 13", "day_ends"),
        ("day_ends = -1", "day_ends"),
        ("day_ends = 4.5", "day_ends"),
        ("production = 7", "production"),
        ('production = "  "', "production"),
        ('layout = ["x"]', "layout"),
        ('days = "2026-03-14"', "days"),
        ('days = ["14.3.2026"]', "days"),
        ("days = [7]", "days"),
        ("days = [2026-03-14T10:00:00]", "days"),
        ('days = ["2026-03-15", "2026-03-14"]', "days"),
        ('days = ["2026-03-14", "2026-03-14"]', "days"),
        ("checksums = []", "checksums"),
        ('checksums = ["crc32"]', "checksums"),
        ('checksums = "md5"', "checksums"),
        ("time_zone = 1", "time_zone"),
        ('time_zone = "Europe/Lisbonn"', "Europe/Lisbonn"),
        ('time_zone = "Europe"', "time_zone"),
        ('time_zone = "../etc/passwd"', "time_zone"),
        ("frame_rate = 23.976", "frame_rate"),
        ('frame_rate = "23.976"', "frame_rate"),
        ('frame_rate = "25/0"', "frame_rate"),
        ("frame_rate = 0", "frame_rate"),
        ("frame_rate = true", "frame_rate"),
        ('names = "scene-take"', "names"),
        ('names = "{scene"', "names"),
        ('display = "{scene}{}"', "display"),
        ('display = "{weather}"', "display"),
        ("camera = 1", "camera is a table"),
        ("[[camera]]\n", "camera is a table"),
        ("[camera]\nA = 1", "camera.A is a table"),
        ("[camera.a]\n", "capital letter"),
        ("[camera.ABC]\n", "capital letter"),
        ("[camera.A]\n[stills.A]\n", "A is camera.A already"),
        ("[camera.A]\nsiez = '1x1'", "siez"),
        ('[camera.A]\nsize = "3840 x 2160"', "size"),
        ("[camera.A]\nrotation = 45", "rotation"),
        ("[camera.A]\nbit_depth = 0", "bit_depth"),
        ("[recorder.S]\nsample_rate = 48", "sample_rate"),
        ('[drive."A\\nB"]\n', "one line"),
        ('[drive.A]\noffsite = "yes"', "offsite"),
        ("[policy]\nmax_age = 0", "max_age"),
        ("[policy]\nhold_until = 2026-12-31T00:00:00", "hold_until"),
        ("[policy]\nviewd = true", "viewd"),
        ("production = \n", "line 1"),
        ('production = "a"\nproduction = "b"\n', "line 2"),
    ],
)
def test_a_wrong_value_is_refused_by_name(tmp_path: Path, text: str, named: str) -> None:
    """Never passed over, never guessed: file and key stand in the message."""
    with pytest.raises(BadSettings) as told:
        find_settings(written(tmp_path, text))
    assert named in told.value.what
    assert FILE in told.value.what


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("copis = 2", 1),
        ('# first\n\nproduction = "a"\ncopies = 0\n', 4),
        ('days = [\n  "2026-03-14",\n  # the last\n]\n\ncopies = 0\n', 6),
        ('days = [\n  "2026-03-14",\n  7,\n]\n', 1),
        ('[policy]\nwords = """\nthree\ncopies = 0\n"""\ncopies = 0\n', 6),
        ("[camera.A]\nsize = '1x1'\n\n[camera.B]\nname = 'b'\nsize = 1\n", 6),
        ("[camera.A]\n[camera.B]\n\n[recorder.B]\n", 4),
        ("policy = { viewd = true }", 1),
        ("policy.viewed = true\npolicy.viewd = true", 2),
    ],
)
def test_the_line_of_the_wrong_key_is_named(text: str, line: int) -> None:
    """Counted from 1, as editors count; arrays and long texts over several lines included."""
    with pytest.raises(BadSettings) as told:
        parse_settings(text, "ingest.toml")
    assert told.value.what.startswith(f"ingest.toml, line {line}: ")


def test_a_key_that_is_not_there_has_the_first_line() -> None:
    """Nothing better can be said."""
    assert line_of("copies = 2", ("days",)) == 1


def test_a_typo_is_answered_with_what_was_meant() -> None:
    """The nearest known key of that table, or a zone of that sound."""
    for text, meant in (
        ("copis = 2", "copies"),
        ("[policy]\nviewd = true", "viewed"),
        ('time_zone = "Europe/Lisbonn"', "Europe/Lisbon"),
    ):
        with pytest.raises(BadSettings) as told:
            parse_settings(text, "ingest.toml")
        assert told.value.do == f"write {meant}, if that was meant"


def test_a_file_that_is_not_text_is_refused(tmp_path: Path) -> None:
    """Bytes that are not UTF-8."""
    (tmp_path / FILE).write_bytes(b'production = "\xff"')
    with pytest.raises(BadSettings, match=FILE):
        find_settings(tmp_path)


def test_a_hostile_key_is_shown_safely(tmp_path: Path) -> None:
    """An escape code in a key never reaches the screen."""
    with pytest.raises(BadSettings) as told:
        find_settings(written(tmp_path, '"\\u001b[31mred" = 1'))
    assert "\x1b" not in told.value.what
    assert "\\x1b" in told.value.what


@pytest.mark.parametrize(
    ("hour", "minute", "day"), [(0, 40, 14), (4, 59, 14), (5, 0, 15), (12, 0, 15), (23, 59, 15)]
)
def test_after_midnight_it_is_still_the_day_before(hour: int, minute: int, day: int) -> None:
    """The call sheet's day: a clip at 00:40 belongs to the day before (common practice)."""
    now = datetime(2026, 3, 15, hour, minute, tzinfo=timezone(timedelta(hours=2)))
    assert shoot_date(now, 5) == date(2026, 3, day)


def test_a_day_that_ends_at_midnight_is_the_calendars() -> None:
    """Nought turns the rule off."""
    assert shoot_date(datetime(2026, 3, 15, 0, 0, tzinfo=UTC), 0) == date(2026, 3, 15)


def test_the_default_layout_is_the_contracts() -> None:
    """Drives of an earlier version go on in the same folders."""
    assert LAYOUT == "{production}/D{day:02}_{date}/{roll}"
