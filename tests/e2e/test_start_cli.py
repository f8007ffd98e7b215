"""`ingest start`: the file, the drives, and the file found again from the drives."""

from __future__ import annotations

import os
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from ingest.catalog.records import Drive
from ingest.cli.answers import (
    devices_said,
    devices_typed,
    likely_kinds,
    read_days,
    read_devices,
    read_frame_rate,
)
from ingest.drives import MARKER, DriveSeen, recognise
from ingest.errors import UsageError
from ingest.jobs.known import DriveHere
from ingest.jobs.settings_here import drives_bearing
from ingest.settings import FILE, find_settings
from tests.conftest import Runner

WORDS = ("--production", "Salt Wind", "--days", "2026-03-14 to 2026-03-16", "--system-disk-ok")


def test_options_answer_the_questions(
    desk: Path, drives: tuple[Path, Path], ingest: Runner
) -> None:
    """The file is written and read; drives are marked, named, and carry the same file."""
    heron, otter = drives
    ran = ingest(
        "start",
        "shoot",
        *WORDS,
        *("--frame-rate", "23.976", "--devices", "A B D=drone / S / P", "--copies", "3"),
        *("--drive", f"{heron}@bag 1", "--drive", f"{otter}=EGRET@the vault"),
        *("--time-zone", "Europe/Lisbon", "--json"),
    )
    assert ran.code == 0
    assert ran.document["written"] is True
    assert [(one["name"], one["marked_now"]) for one in ran.document["drives"]] == [
        ("HERON", True),
        ("EGRET", True),
    ]
    settings = find_settings(desk / "shoot")
    assert settings.production == "Salt Wind"
    assert settings.days == (date(2026, 3, 14), date(2026, 3, 15), date(2026, 3, 16))
    assert str(settings.frame_rate) == "24000/1001"
    assert [(d.kind, d.letter, d.name) for d in settings.devices.values()] == [
        ("camera", "A", None),
        ("camera", "B", None),
        ("camera", "D", "drone"),
        ("recorder", "S", None),
        ("stills", "P", None),
    ]
    assert (settings.copies, settings.time_zone) == (3, "Europe/Lisbon")
    assert {one.name: one.where for one in settings.drives.values()} == {
        "HERON": "bag 1",
        "EGRET": "the vault",
    }
    text = (desk / "shoot" / FILE).read_bytes()
    assert (heron / FILE).read_bytes() == (otter / FILE).read_bytes() == text
    seen = recognise(str(otter))
    assert seen is not None and seen.name == "EGRET"
    assert sorted(os.listdir(heron)) == sorted([MARKER, FILE]), "nothing else is left there"


def test_without_a_terminal_nothing_is_guessed(desk: Path, program: Runner) -> None:
    """Exit 2 and the option to give, for the name and for the days; nothing is written."""
    ran = program("start")
    assert (ran.code, "--production" in ran.err) == (2, True)
    ran = program("start", "--production", "Salt Wind")
    assert (ran.code, "--days" in ran.err) == (2, True)
    assert not (desk / FILE).exists()


def test_a_file_that_is_there_is_never_overwritten(
    desk: Path, drives: tuple[Path, Path], ingest: Runner
) -> None:
    """Its copy goes on the drives; the one that lay there keeps lying there."""
    assert ingest("start", *WORDS, "--drive", drives[0]).code == 0
    refused = ingest("start", *WORDS)
    assert refused.code == 2
    assert "is there already" in refused.err
    mine = (desk / FILE).read_text() + "\n# edited\n"
    (desk / FILE).write_text(mine)
    old = (drives[0] / FILE).read_bytes()
    ran = ingest("start", "--drive", drives[0], "--drive", drives[1], "--system-disk-ok")
    assert ran.code == 0
    assert "write [drive.OTTER] into ingest.toml" in ran.out
    assert (desk / FILE).read_text() == mine
    assert (drives[0] / FILE).read_text() == (drives[1] / FILE).read_text() == mine
    (older,) = drives[0].glob(f"{FILE}.before-*")
    assert older.read_bytes() == old
    again = ingest("start", "--drive", drives[0], "--system-disk-ok")
    assert again.code == 0
    assert len(list(drives[0].glob(f"{FILE}*"))) == 2, "the same file is not put there again"


def test_two_drives_with_one_label_get_two_names(
    tmp_path: Path, desk: Path, ingest: Runner
) -> None:
    """What the system calls NAME and NAME 1, or shows at two places, is told apart by us."""
    places = [tmp_path / "one" / "UNTITLED", tmp_path / "two" / "UNTITLED"]
    for place in places:
        place.mkdir(parents=True)
    ran = ingest("start", *WORDS, "--drive", places[0], "--drive", places[1], "--json")
    assert [one["name"] for one in ran.document["drives"]] == ["UNTITLED", "UNTITLED-2"]
    assert list(find_settings(desk).drives) == ["UNTITLED", "UNTITLED-2"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--drive", "nowhere"), "no folder at nowhere"),
        (("--days", "14.3.2026"), "A shoot day is a date"),
        (("--days", "2026-03-16 to 2026-03-14"), "is no shoot"),
        (("--frame-rate", "fast"), "A frame rate is"),
        (("--devices", "A A"), "no letter of its own"),
        (("--devices", "A B S"), "cameras A and B, sound recorder S, or cameras all of them?"),
        (("--devices", "A / S / P / X"), "Three kinds"),
        (("--copies", "0"), "from 1 to 9"),
        (("--production", "Salt\nWind"), "on one line"),
        (("--time-zone", "Mars/Base"), "IANA"),
    ],
)
def test_an_answer_that_can_t_be_meant_is_refused(
    desk: Path, ingest: Runner, words: tuple[str, ...], said: str
) -> None:
    """Exit 2, and no file is left."""
    ran = ingest("start", *WORDS, *words)
    assert ran.code == 2
    assert said in ran.err
    assert not (desk / FILE).exists()


def test_a_drive_on_this_computers_own_disk_is_refused(
    desk: Path, drives: tuple[Path, Path], ingest: Runner
) -> None:
    """It is also what an unmounted drive's folder is."""
    ran = ingest("start", *WORDS[:-1], "--drive", drives[0])
    assert ran.code == 2
    assert "own disk" in ran.err
    assert not list(drives[0].iterdir())
    assert not (desk / FILE).exists()


def test_dates_letters_and_rates_are_read_as_people_write_them() -> None:
    """Commas, blanks, `to`; 23.976 means 24000/1001 (SMPTE ST 12-1)."""
    assert read_days("2026-03-15, 2026-03-14") == (date(2026, 3, 14), date(2026, 3, 15))
    assert len(read_days("2026-02-27 to 2026-03-02, 2026-03-05")) == 5
    assert str(read_frame_rate("29.97")) == "30000/1001"
    assert [d.letter for d in read_devices(" a, b /s/ ")] == ["A", "B", "S"]
    with pytest.raises(UsageError):
        read_days("2026-03-14 to")


def kinds(text: str) -> list[str] | None:
    likely = likely_kinds(text)
    return None if likely is None else [f"{one.kind} {one.letter}" for one in likely]


def test_letters_without_slashes_are_taken_for_what_people_mostly_mean() -> None:
    """S for sound and P for photographs, or a name that says so; slashes leave no doubt."""
    assert kinds("A B D S P") == ["camera A", "camera B", "camera D", "recorder S", "stills P"]
    assert kinds("s a p2") == ["camera A", "recorder S", "stills P2"]
    assert kinds("A D=drone M=mixer S=second") == [
        "camera A",
        "camera D",
        "camera S",
        "recorder M",
    ]
    for plain in ("A B D", "A B / S / P", "A B S P /", "S /"):
        assert kinds(plain) is None
    likely = likely_kinds("A D=drone S P")
    assert likely is not None
    assert devices_said(likely) == "cameras A and D (drone), sound recorder S, stills camera P"
    assert read_devices(devices_typed(likely)) == likely
    alone = likely_kinds("S")
    assert alone is not None and read_devices(devices_typed(alone)) == alone


def offloaded(place: Path, drives: tuple[Path, Path], ingest: Runner, *words: object) -> int:
    card = place / "card"
    card.mkdir(exist_ok=True)
    (card / "A001C001.BIN").write_bytes(b"footage " * 500)
    to = ("--to", drives[0], "--to", drives[1])
    return ingest("offload", card, *to, "--system-disk-ok", *map(str, words)).code


def test_a_drive_marked_after_the_file_was_written_is_known_by_its_copy(
    desk: Path, drives: tuple[Path, Path], ingest: Runner
) -> None:
    """The file names no drive. What is said is which time zone was taken, since nobody said one;
    a file on a drive that can't be read, or is another production's, makes it none of this one."""
    first = ingest("start", *WORDS)
    assert first.code == 0 and "Time zone: " in first.out
    assert "# [drive.NAME]" in (desk / FILE).read_text()
    again = ingest("start", "--system-disk-ok", "--drive", drives[0], "--drive", drives[1])
    assert again.code == 0 and "Time zone: " not in again.out
    heron, otter = (drive_here(number, root) for number, root in enumerate(drives, 1))
    assert drives_bearing((heron, otter), "Salt Wind") == (1, 2)
    assert drives_bearing((heron, otter), "Salt Winds") == ()
    (drives[1] / FILE).write_text("production = ")
    assert drives_bearing((heron, otter), "Salt Wind") == (1,)


def test_the_first_bag_is_packed_before_a_card_came_in(desk: Path, ingest: Runner) -> None:
    """Every device of ingest.toml has its line in `ingest kit`; a production that is not meant
    isn't told in its place, and one that nobody named is still asked for."""
    assert ingest("kit").code == 2
    assert ingest("start", *WORDS, "--devices", "A D=drone / S / P").code == 0
    ran = ingest("kit")
    assert ran.code == 3 and ran.out.startswith("KIT FOR DAY 1\n")
    told = ingest("kit", "--json").document
    assert [one["device"] for one in told["devices"]] == ["A", "D", "S", "P"]
    assert ingest("kit", "--production", "Salt Wind", "--json").document == told
    assert ingest("kit", "--production", "Nobody").code == 2


def drive_here(number: int, root: Path) -> DriveHere:
    """What is plugged in at `root`, without asking the machine."""
    name, now = root.name, datetime(2026, 3, 14, 21, 0, tzinfo=UTC)
    drive = Drive(number, name, name, None, None, name, "ext4", str(root), now, now)
    return DriveHere(drive, DriveSeen(name, name, None, None, name, "ext4", str(root)), None, "")


def test_far_from_the_folder_the_file_is_found_on_the_drives(
    tmp_path: Path,
    apart: None,
    drives: tuple[Path, Path],
    ingest: Runner,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The newest wins, and it is said which."""
    ingest("start", *WORDS, "--drive", drives[0], "--drive", drives[1])
    newer = (drives[1] / FILE).read_text().replace("Salt Wind", "Salt Winds")
    (drives[1] / FILE).write_text(newer)
    os.utime(drives[0] / FILE, (1_700_000_000, 1_700_000_000))
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    monkeypatch.chdir(elsewhere)
    refused = ingest(
        "offload", drives[0], "--to", drives[0], "--to", drives[1], "--dry-run", "--json"
    )
    assert "Drives of several productions are here (Salt Winds, Salt Wind)" in refused.err
    (drives[0] / FILE).write_text(newer.replace("day_ends = 5", "day_ends = 6"))
    os.utime(drives[0] / FILE, (1_700_000_000, 1_700_000_000))
    ran = ingest("drives")
    assert "The ingest.toml of the drive OTTER counts, the newest of 2" in ran.err
    assert offloaded(tmp_path, drives, ingest, "--day", "1") == 0
    (roll,) = ingest("rolls", "--json").document["rolls"]
    assert (roll["production"], roll["date"]) == ("Salt Winds", "2026-03-14")
