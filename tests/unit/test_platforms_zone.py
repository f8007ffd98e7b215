"""The machine's time zone by its name, where the system tells it."""

from __future__ import annotations

from pathlib import Path

import pytest

from ingest.platforms.zone import zone_name


@pytest.mark.parametrize(
    ("told", "name"),
    [
        ("Europe/Lisbon", "Europe/Lisbon"),
        (":Europe/Lisbon", "Europe/Lisbon"),
        ("WET0WEST,M3.5.0/1,M10.5.0", None),
        ("../etc/passwd", None),
        ("Europe", None),
    ],
)
def test_the_environment_is_asked_first(told: str, name: str | None, tmp_path: Path) -> None:
    """A name of the IANA database counts; a rule or a path says no name (POSIX TZ, tzset(3))."""
    assert zone_name({"TZ": told}, str(tmp_path / "absent")) == name


@pytest.mark.parametrize(
    ("target", "name"),
    [
        ("usr/share/zoneinfo/Europe/Lisbon", "Europe/Lisbon"),
        ("var/db/timezone/zoneinfo/Asia/Tokyo", "Asia/Tokyo"),
        ("usr/share/zoneinfo/posix/Asia/Tokyo", "Asia/Tokyo"),
        ("somewhere/else", None),
    ],
)
def test_else_the_link_tells(target: str, name: str | None, tmp_path: Path) -> None:
    """As Linux (localtime(5)) and macOS lay it; a plain file tells nothing."""
    file = tmp_path / target
    file.parent.mkdir(parents=True)
    file.touch()
    link = tmp_path / "localtime"
    link.symlink_to(file)
    assert zone_name({}, str(link)) == name
