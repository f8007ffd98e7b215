"""The end of the first day, from the cards to the last line: what was planted is named, and
nothing else; mended, it is complete and packed in two bags."""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from fixtures.damage import flip_bit
from fixtures.first_day import PLANTED, make_first_evening
from tests.conftest import Runner, Shoot
from tests.faults.laboratory.loops import loop_drive, need_loops
from tests.helpers.screens import as_shown

pytestmark = [pytest.mark.laboratory, pytest.mark.long]

Drives = tuple[Path, Path]


@pytest.fixture
def two_disks() -> Iterator[Drives]:
    """ALBATROSS and BITTERN, each a disk of its own."""
    need_loops()
    with ExitStack() as stack:
        one, other = (
            stack.enter_context(loop_drive(100, name=name)).mount
            for name in ("ALBATROSS", "BITTERN")
        )
        yield one, other


@pytest.fixture
def evening(desk: Path, shoot: Shoot, ingest: Runner, two_disks: Drives) -> Path:
    """Half past midnight: what was offloaded is in, the log and the shot list lie there."""
    cards = desk / "cards"
    shutil.copytree(shoot.folder, cards)
    made = make_first_evening(cards)
    for name in ("ingest.toml", "SHOTS.csv"):
        shutil.copy(made / name, desk / name)
    for card in ("DAY1/A001", "EVENING/LUNCH/B001", "DAY1/SOUND", "DAY1/STILLS"):
        offload(ingest, cards / card, two_disks)
    assert ingest("slate", "load", cards / "slate-log.csv").code in (0, 3)
    return cards


def offload(ingest: Runner, card: Path, drives: Drives, *words: str) -> None:
    to = [word for drive in drives for word in ("--to", str(drive))]
    ran = ingest("offload", card, "--day", "1", *to, *words)
    assert ran.code == 0, ran.out + ran.err


def test_the_first_day_names_what_was_planted_and_nothing_else(
    evening: Path, ingest: Runner, two_disks: Drives
) -> None:
    """The drone's card, the take of camera B, the shot, the clip set wrong, the clock; mended or
    decided, the day is complete and says what goes into which bag."""
    ran = ingest("wrap", "--day", "1", "--json")
    assert ran.code == 3
    told = ran.document
    assert (told["day"], told["verdict"]) == (1, "open")
    assert tuple(one["kind"] for one in told["open"]) == PLANTED
    drone, take, shot, clip, clock = told["open"]
    assert drone["what"].startswith("D drone: nothing came in")
    assert "14 take 1" in drone["because"]
    assert take["what"] == "12A take 2 on camera B: no picture came in"
    assert "clip C0004" in take["because"]
    assert shot["what"] == "shot 11 (scene 12C) is still owed at Kestrel Quay"
    assert clip["what"] == "A001/A001C003_260314_K7QD: 29.97 fps instead of 23.976 fps"
    assert "A001/A001C004_260314_K7QD, circled) covers it" in clip["because"]
    assert clock["what"] == "B is 3 min 12 s slow"
    beside_the_links = ingest("slate", "match").out
    assert "camera B, day 1: 3 min 12 s slow against the recorder's clock" in beside_the_links
    assert all(one["do"] for one in told["open"])

    offload(ingest, evening / "DAY1" / "DRONE", two_disks, "--camera", "D", "--roll", "D001")
    offload(ingest, evening / "EVENING" / "B001", two_disks)
    assert ingest("slate", "match").code in (0, 3)
    kinds = [one["kind"] for one in ingest("wrap", "--day", "1", "--json").document["open"]]
    assert kinds == ["shot", "set wrong", "clock"]
    settled = ("--settle", "shot-11", "--settle", "clock-b", "--settle")
    ran = ingest("wrap", "--day", "1", *settled, "A001/A001C003_260314_K7QD", "--note", "seen")
    assert ran.code == 0
    assert ran.out.startswith("Kestrel_Quay, day 1: COMPLETE.")
    lines = [line.strip() for line in ran.out.splitlines()]
    assert "Then no bag loses a clip." in lines
    bags = [line for line in lines if line.startswith("Bag ")]
    assert len(bags) == 2
    assert "ALBATROSS" in bags[0] and "BITTERN" in bags[1]
    assert ingest("whatif").code == 0

    later = [one["what"] for one in ingest("wrap", "--day", "2", "--json").document["open"]]
    assert any("shot 9 " in what for what in later)
    assert not any("shot 11 " in what for what in later), "dropped is dropped, also tomorrow"

    again = ingest("wrap", "--day", "1", "--reopen", "clock-B", "--json")
    assert [one["kind"] for one in again.document["open"]] == ["clock"]


def test_a_camera_that_was_set_wrong_all_day_is_listed_settled_and_taken_back_as_one(
    evening: Path, ingest: Runner, desk: Path
) -> None:
    """One line, its clips when asked for, one word that settles them all; one clip may still be
    settled alone."""
    toml = desk / "ingest.toml"
    toml.write_text(toml.read_text().replace("[camera.A]\n", '[camera.A]\nframe_rate = "30"\n'))

    def wrong(*words: str) -> list[str]:
        ran = ingest("wrap", "--day", "1", *words, "--json")
        return [one["what"] for one in ran.document["open"] if one["kind"] == "set wrong"]

    one, many = sorted(wrong(), key=lambda what: what.startswith("A:"))
    assert one == "A001/A001C003_260314_K7QD: 29.97 fps instead of 30 fps"
    assert many == "A: 6 of 7 clips: 23.976 fps instead of 30 fps"
    assert "    A001/A001C004_260314_K7QD\n" not in ingest("wrap", "--day", "1").out
    assert "    A001/A001C004_260314_K7QD\n" in ingest("wrap", "--day", "1", "--each").out
    assert wrong("--settle", "A001/A001C001_260314_K7QD") == [
        "A: 5 of 7 clips: 23.976 fps instead of 30 fps",
        one,
    ]
    assert wrong("--settle", "A-23.976-fps", "--note", "meant") == [one]
    settled = ingest("wrap", "--day", "1").out
    assert "Settled: A: 5 of 7 clips: 23.976 fps instead of 30 fps (settled by" in settled
    assert len(wrong("--reopen", "A-23.976-fps")) == 2


def test_what_is_said_of_a_day_is_kept_and_what_can_not_be_said_is_refused(
    evening: Path, ingest: Runner
) -> None:
    """An idle drone is no finding; a device that isn't there, and copies, can't be settled."""
    ran = ingest("wrap", "--day", "1", "--idle", "drone", "--json")
    assert "device" not in [one["kind"] for one in ran.document["open"]]
    # The log names its roll all the same: that it was idle is not the whole story.
    assert "D001 is not in" in [one["what"] for one in ran.document["open"]]
    assert ran.document["idle"] == ["D"]
    for words in (("--idle", "X"), ("--settle", "copies"), ("--reopen", "nothing")):
        ran = ingest("wrap", "--day", "1", *words)
        assert ran.code == 2 and "Do: " in ran.err
    assert ingest("wrap", "--day", "7").code == 2
    bad = evening / "TWICE.csv"
    bad.write_text("Shot,Scene,Day,Location\n1,12,1,Kestrel Quay\n1,12,1,Skerrow Point\n")
    ran = ingest("wrap", "--day", "1", "--shots", bad)
    assert ran.code == 2 and "the same shot as row 2" in ran.err


def test_one_copy_where_two_are_wanted_is_open_and_no_bag_saves_it(
    evening: Path, ingest: Runner, two_disks: Drives
) -> None:
    """A drive that is lost counts for nothing; the copies to make are named."""
    assert ingest("drives", "set", "BITTERN", "--lost").code in (0, 3)
    told = ingest("wrap", "--day", "1", "--json").document
    (copies,) = [one for one in told["open"] if one["kind"] == "copies"]
    assert "one proven copy on separate devices, 2 wanted" in copies["what"]
    whatif = ingest("whatif", "--json")
    assert whatif.code == 0  # the cards still hold everything ...
    packing = whatif.document["packing"]
    assert packing["needs_cards"] is True  # ... as long as nobody formats them
    assert ingest("whatif", "--bags", "1").code == 0


def test_room_and_kit_count_every_device_and_what_was_measured(
    evening: Path, ingest: Runner, two_disks: Drives
) -> None:
    """The drone has its line though no card of it is known; a card that doesn't fit says so."""
    room = ingest("room", evening / "DAY2" / "A002", "--json")
    assert room.code == 0
    told = room.document
    assert told["fits"] is True and {one["drive"] for one in told["drives"]} == {
        "ALBATROSS",
        "BITTERN",
    }
    assert told["rates"]["A"]["measured"] and told["rates"]["D"] is None
    assert set(told["drives"][0]["hours"]) == {"A", "B", "S"}
    large = evening / "LARGE"
    large.mkdir()
    with (large / "A003C001_260315_K7QD.mov").open("wb") as clip:
        clip.truncate(10**9)
    ran = ingest("room", large, "--to", "ALBATROSS")
    assert ran.code == 3 and "! ALBATROSS: DOES NOT FIT" in ran.out
    assert "of it for folders, hash lists and" in ran.out
    assert ingest("room", "--to", "NOBODY").code == 2

    ran = ingest("kit", "--hours", "A=2", "--card-size", "A=128")
    assert ran.code == 3
    assert "D drone: no card known, take 1" in ran.out
    assert "ready (in as A001, all copies good" in ran.out
    assert all(len(line) <= 100 for line in ran.out.splitlines())
    told = ingest("kit", "--hours", "drone=0", "--json").document
    assert told["day"] == 2
    by_letter = {one["device"]: one for one in told["devices"]}
    assert set(by_letter) == {"A", "B", "D", "S", "P"}
    assert by_letter["D"]["cards_needed"] == 0
    assert by_letter["B"]["hours_because"].startswith("3 planned shots of 4")
    for words in (("--hours", "A"), ("--hours", "X=2"), ("--hours", "A=much")):
        assert ingest("kit", *words).code == 2

    assert ingest("rolls", "set", "A001", "--hold", "client wants it").code in (0, 3)
    told = ingest("kit", "--json").document
    (card,) = next(one["cards"] for one in told["devices"] if one["device"] == "A")
    assert card["state"] == "hold" and card["why"].endswith(": client wants it")
    assert [reason["why"] for reason in card["reasons"]] == [card["why"]]
    kinds = [one["kind"] for one in ingest("wrap", "--day", "1", "--json").document["open"]]
    assert kinds[-1] == "hold"


def test_a_clip_lost_on_every_drive_is_told_as_the_shots_that_it_costs(
    evening: Path, ingest: Runner, two_disks: Drives
) -> None:
    """In the audit that finds it and at the end of the day: what covers the shot, or that it must
    be shot again."""
    for drive in two_disks:
        for name in ("A001C002*.mov", "A001C005*.mov"):
            flip_bit(next(drive.rglob(name)))
    ran = ingest("audit", "--json")
    assert ran.code == 3
    again, covered = ran.document["stories"]
    assert (again["shot"], again["again"], again["covers"]) == ("3", True, [])
    assert again["words"].endswith(
        "it must be shot again at Kestrel Quay; the last day there is day 2"
    )
    assert (covered["shot"], covered["covers"]) == ("1", ["B001/C0002"])
    assert "the same take, camera B (B001/C0002, circled) covers it" in covered["words"]
    problems = [
        one
        for one in ingest("wrap", "--day", "1", "--json").document["open"]
        if one["kind"] == "problem"
    ]
    assert len(problems) == 2
    assert "no other good copy of them is known; shot 3 (scene 12B)" in problems[0]["because"]


@pytest.mark.parametrize("columns", [80, 200])
def test_screens_of_the_evening_stand_as_they_were_looked_at(
    evening: Path, ingest: Runner, columns: int
) -> None:
    """Kept as text for both widths; INGEST_WRITE_SCREENS=1 writes them anew, to be looked at."""
    said = {
        words: as_shown(ingest(*words.split()).out, columns)
        for words in ("wrap --day 1", "whatif", "kit --hours A=2 --card-size A=128", "room")
    }
    text = "".join(f"== {words} ==\n{out}\n" for words, out in said.items())
    assert not [line for line in text.splitlines() if len(line) > columns]
    text = re.sub(r"\b\d[\d,.]* (bytes?|kB|MB|GB|TB)\b", "SIZE", text)
    text = re.sub(r"\d{4}-\d\d-\d\d", "WHEN", text)
    text = re.sub(r": [\d,]+ (min|s|pictures)$", r": N \1", text, flags=re.MULTILINE)
    kept = Path(__file__).parent / "screens" / f"evening-{columns}.txt"
    if os.environ.get("INGEST_WRITE_SCREENS"):
        kept.write_text(text)
    assert text == kept.read_text()
