"""ingest.toml: found from where one stands, read strictly; the policy when nothing is said."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path

import pytest

from ingest.checksums import DEFAULT_KINDS
from ingest.errors import BadSettings
from ingest.settings import FILE, LAYOUT, Settings, find_settings, shoot_date

WHOLE = """
production = "Salt Wind"
days = ["2026-03-14", 2026-03-15]
day_ends = 4
copies = 3
checksums = ["md5", "xxh64", "md5"]
layout = "{production}/{roll}"
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
