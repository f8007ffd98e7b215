"""What `ingest offload` alone means, from what is plugged in and known; and its six lines."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from ingest.catalog.custody_records import DrivePlace, Standing
from ingest.catalog.records import Drive
from ingest.drives import DriveSeen, Volume
from ingest.errors import UsageError
from ingest.jobs.around import Around
from ingest.jobs.known import DriveHere
from ingest.jobs.offloading.at_a_glance import glance_lines
from ingest.jobs.offloading.shortest import (
    Doubt,
    LastUse,
    proposed_cards,
    proposed_drives,
    proposed_production,
    what_is_uncertain,
)
from ingest.names import from_bytes
from ingest.settings import DeviceSettings, DriveSettings, Settings, shoot_date
from tests.unit.test_offloading_telling import PLAN

NOW = datetime(2026, 3, 14, 21, 0, tzinfo=UTC)
HOSTILE = from_bytes(b"\x1b[2J\n\xff<b>")


def volume(name: str, st_dev: int, *, read_only: bool = False) -> Volume:
    return Volume(
        root=f"/media/{name}",
        mount_point=f"/media/{name}",
        fs_type="ext4",
        source=f"/dev/{name}1",
        fs_uuid=None,
        disks=(name,),
        serial=name,
        device=name,
        mount="7",
        st_dev=st_dev,
        total=10**12,
        free=10**11,
        read_only=read_only,
        system=False,
        rotational=False,
    )


def here(number: int, name: str, doubt: str = "", *, read_only: bool = False) -> DriveHere:
    drive = Drive(number, name, name, None, name, name, "ext4", f"/media/{name}", NOW, NOW)
    seen = DriveSeen(name, name, None, name, name, "ext4", f"/media/{name}")
    return DriveHere(drive, seen, volume(name, number, read_only=read_only), doubt)


HERON, OTTER, STOAT = here(1, "HERON"), here(2, "OTTER"), here(3, "STOAT")
AROUND = Around((volume("A001", 9), volume("B001", 10)), (HERON, OTTER, STOAT), (), ())
QUAY = Settings(production="Quay")
LAST = LastUse({"Quay": NOW - timedelta(hours=3)}, {"Quay": {1, 2}, "Reed": {3}})


def test_cards_are_what_holds_footage_and_is_no_destination() -> None:
    """A new drive that was named with --to, and has footage on it already, is no card."""
    assert proposed_cards(AROUND, ()) == ("/media/A001", "/media/B001")
    assert proposed_cards(AROUND, (9,)) == ("/media/B001",)
    with pytest.raises(UsageError, match="No card is here"):
        proposed_cards(AROUND, (9, 10))


def test_drives_are_those_that_hold_the_production() -> None:
    """Where ingest.toml names none. Another production's drive is left alone."""
    assert proposed_drives(AROUND, QUAY, "Quay", LAST, {}) == ("/media/HERON", "/media/OTTER")
    with pytest.raises(UsageError, match="No drive of Salt is here"):
        proposed_drives(AROUND, QUAY, "Salt", LAST, {})


def test_a_drive_that_bears_the_productions_file_is_its_drive_before_anything_is_on_it() -> None:
    """`ingest start --drive` marked it after ingest.toml was written, which doesn't name it."""
    assert proposed_drives(AROUND, QUAY, "Salt", LAST, {}, (3,)) == ("/media/STOAT",)
    only = replace(QUAY, drives={"HERON": DriveSettings("HERON")})
    assert proposed_drives(AROUND, only, "Quay", LAST, {}, (3,)) == ("/media/HERON",)


def test_drives_that_ingest_toml_names_beat_that() -> None:
    """Also one with a marker that this catalog has never seen: written on another machine."""
    named = {name: DriveSettings(name) for name in ("Otter", "EGRET")}
    settings = replace(QUAY, drives=named)
    egret = DriveSeen("m", "EGRET", None, None, "sdz", "exfat", "/media/EGRET 1")
    around = replace(AROUND, strangers=(egret,))
    assert proposed_drives(around, settings, "Quay", LAST, {}) == ("/media/OTTER", "/media/EGRET 1")
    with pytest.raises(UsageError, match=r"\(EGRET\)"):
        only = replace(QUAY, drives={"EGRET": DriveSettings("EGRET")})
        proposed_drives(AROUND, only, "Quay", LAST, {})


@pytest.mark.parametrize(
    "bad",
    [here(2, "OTTER", "its hardware is not the one"), here(2, "OTTER", read_only=True)],
)
def test_a_drive_in_doubt_or_read_only_is_not_proposed(bad: DriveHere) -> None:
    """It would be refused, or be the wrong one."""
    around = replace(AROUND, drives=(HERON, bad))
    assert proposed_drives(around, QUAY, "Quay", LAST, {}) == ("/media/HERON",)


def test_a_drive_that_was_given_up_is_not_proposed() -> None:
    """Lost or dead, by what was written down; one in transit that is here is here."""
    lost = {2: DrivePlace(OTTER.drive, Standing.LOST)}
    assert proposed_drives(AROUND, QUAY, "Quay", LAST, lost) == ("/media/HERON",)
    sent = {2: DrivePlace(OTTER.drive, Standing.SENT)}
    assert len(proposed_drives(AROUND, QUAY, "Quay", LAST, sent)) == 2


@pytest.mark.parametrize(
    ("ago", "asked"),
    [
        (timedelta(hours=3), ""),
        (timedelta(days=3), ""),
        (timedelta(days=3, minutes=1), "last used 3 days ago"),
        (timedelta(days=-1), "clock is behind"),
    ],
)
def test_a_production_is_asked_for_when_it_was_not_used_lately(ago: timedelta, asked: str) -> None:
    """More than three days ago; and when the clock can't tell."""
    last = LastUse({"Quay": NOW - ago}, LAST.on)
    found = proposed_production(QUAY, False, last, (), NOW)
    assert found is not None
    assert found.name == "Quay"
    assert (asked in found.ask) if asked else not found.ask


def test_a_production_that_never_came_in_is_taken_from_the_folder_and_not_from_a_drive() -> None:
    """Whoever stands in the folder means it; a drive may have come along by chance."""
    none = LastUse({}, {})
    folder = proposed_production(QUAY, False, none, (), NOW)
    drive = proposed_production(QUAY, True, none, (), NOW)
    assert folder is not None and not folder.ask
    assert drive is not None and drive.ask


def test_without_ingest_toml_the_drives_tell_and_two_productions_are_asked() -> None:
    """The one that was used last; never from a card, and none when nothing tells."""
    at = {"Quay": NOW - timedelta(hours=3), "Reed": NOW - timedelta(hours=9)}
    last = LastUse(at, LAST.on)
    one = proposed_production(Settings(), False, last, (1,), NOW)
    both = proposed_production(Settings(), False, last, (1, 3), NOW)
    assert one is not None and (one.name, one.ask) == ("Quay", "")
    assert both is not None and both.name == "Quay"
    assert "2 productions" in both.ask
    assert proposed_production(Settings(), False, last, (), NOW) is None


def test_what_would_be_a_guess_is_told_with_the_option() -> None:
    """A day that is no shoot day, a camera that nothing tells or that ingest.toml doesn't name."""
    request = replace(PLAN.request, settings=replace(QUAY, days=(date(2026, 3, 20),)))
    assert list(what_is_uncertain([replace(PLAN, request=request)])) == [
        Doubt("2026-03-13 is not among the shoot days", "--day N")
    ]
    unknown = replace(PLAN, roll="X001", camera=None)
    assert [one.option for one in what_is_uncertain([unknown])] == ["--camera LETTER"]
    letters = {"B": DeviceSettings("B", "camera")}
    other = replace(PLAN.request, settings=replace(QUAY, devices=letters))
    assert [one.what for one in what_is_uncertain([replace(PLAN, request=other)])] == [
        "A (A001) is not in ingest.toml"
    ]
    said = replace(other, camera="A", day=1)
    assert list(what_is_uncertain([replace(PLAN, request=said)])) == []


# The six lines ----------------------------------------------------------------------------------


def test_one_card_is_six_lines_that_fit_80_columns() -> None:
    """Card, production, day, roll, drives, time; as they stand on the screen."""
    assert list(glance_lines([PLAN], "from ingest.toml", {}, ())) == [
        "Card        A001: 2 files, 1.5 kB (/media/A001)",
        "Production  Kestrel Quay (from ingest.toml)",
        "Day         1, 2026-03-14 (today)",
        "Roll        A001, camera A (from the clip names)",
        "Drives      HERON, OTTER (2 copies on separate devices)",
        "Time        less than a minute (then free: HERON 100 GB, OTTER 100 GB)",
    ]


def test_several_cards_are_one_line_more_each() -> None:
    """With the roll that each becomes."""
    second = replace(PLAN, roll="B001", camera="B")
    lines = list(glance_lines([PLAN, second], "from ingest.toml", {}, ()))
    assert lines[:2] == [
        "Card 1      A001: 2 files, 1.5 kB as A001, camera A (/media/A001)",
        "Card 2      A001: 2 files, 1.5 kB as B001, camera B (/media/A001)",
    ]
    assert len(lines) == 6


def test_long_and_hostile_names_never_break_a_line() -> None:
    """80 columns, nothing that moves the cursor; a wide terminal shows more of it."""
    card = replace(PLAN.card, label=HOSTILE * 9)
    root = "/media/" + "x" * 150
    plan = replace(
        PLAN,
        card=card,
        card_volume=replace(PLAN.card_volume, root=root),
        production=HOSTILE * 30,
        roll=HOSTILE * 9,
        drives=tuple(replace(drive, name=HOSTILE * 9) for drive in PLAN.drives),
    )
    narrow = list(glance_lines([plan], "x" * 90, {}, ()))
    assert len(narrow) == 6
    assert all(len(line) <= 80 and line.isprintable() for line in narrow)
    wide = list(glance_lines([plan], "x" * 90, {}, (), 240))
    assert all(len(line) <= 240 and line.isprintable() for line in wide)
    assert root in wide[0]


def test_what_a_person_must_see_stands_below() -> None:
    """Too few copies, and every doubt."""
    one = replace(PLAN, copies=1)
    lines = list(glance_lines([one], "", {}, [Doubt("today is no shoot day", "--day N")]))
    assert lines[6:] == [
        "! These drives count as 1 copy; 2 are wanted: another one is owed.",
        "! Today is no shoot day.",
    ]


# Days and clocks --------------------------------------------------------------------------------

LISBON = ZoneInfo("Europe/Lisbon")


@pytest.mark.parametrize(
    ("local", "day"),
    [
        # The night of 29 March 2026: 01:00 WET is 02:00 WEST (IANA tz database, Europe/Lisbon).
        (datetime(2026, 3, 29, 0, 40, tzinfo=LISBON), date(2026, 3, 28)),
        (datetime(2026, 3, 29, 4, 59, tzinfo=LISBON), date(2026, 3, 28)),
        (datetime(2026, 3, 29, 5, 0, tzinfo=LISBON), date(2026, 3, 29)),
        # The night of 25 October 2026: 01:30 comes twice.
        (datetime(2026, 10, 25, 1, 30, fold=0, tzinfo=LISBON), date(2026, 10, 24)),
        (datetime(2026, 10, 25, 1, 30, fold=1, tzinfo=LISBON), date(2026, 10, 24)),
        (datetime(2026, 10, 25, 5, 0, tzinfo=LISBON), date(2026, 10, 25)),
    ],
)
def test_the_day_ends_by_the_wall_clock_also_when_it_is_changed(local: datetime, day: date) -> None:
    """The hour that people read decides, however many hours the night had."""
    assert shoot_date(local, 5) == day
    assert shoot_date(local.astimezone(UTC).astimezone(LISBON), 5) == day


def test_the_productions_zone_decides_which_day_it_is() -> None:
    """A laptop that still has the clock of home: 03:00 there is noon on set."""
    at = datetime(2026, 3, 14, 3, 0, tzinfo=UTC)
    assert shoot_date(at, 5) == date(2026, 3, 13)
    assert shoot_date(at.astimezone(ZoneInfo("Asia/Tokyo")), 5) == date(2026, 3, 14)
