"""In a real terminal, with real volumes: keys and decisions counted, screens looked at."""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Iterator
from contextlib import ExitStack
from datetime import date, timedelta
from pathlib import Path

import pytest

from tests.conftest import Shoot
from tests.faults.laboratory.loops import loop_drive, need_loops
from tests.helpers.keyboard import Keyboard

pytestmark = [pytest.mark.laboratory]

START = "Enter starts, e changes one, Ctrl-C leaves everything as it is"


class Table:
    """Two drives and a card on loop devices, and a folder to stand in."""

    def __init__(self, desk: Path, shoot: Shoot, stack: ExitStack) -> None:
        self.desk = desk
        self.drives = [
            stack.enter_context(loop_drive(64, name=name)).mount for name in ("HERON", "OTTER")
        ]
        self.card = stack.enter_context(loop_drive(32, name="B001")).mount
        shutil.copytree(shoot.cards["DAY1/B001"], self.card, dirs_exist_ok=True)
        self._stack = stack

    def sits(self, columns: int = 80) -> Keyboard:
        """Somebody sits down at the desk, with card and drives plugged in."""
        own = [os.path.realpath(place) for place in (*self.drives, self.card)]
        keyboard = Keyboard(self.desk, own, columns=columns)
        self._stack.callback(keyboard.leave)
        return keyboard


@pytest.fixture
def table(tmp_path: Path, shoot: Shoot) -> Iterator[Table]:
    need_loops()
    with ExitStack() as stack:
        yield Table(tmp_path, shoot, stack)


def test_a_production_begins_with_six_questions_and_goes_on_with_16_keys(table: Table) -> None:
    """`ingest start` asks six things. Then `ingest offload`, Enter, Enter: 16 keystrokes and one
    decision for a known production."""
    yesterday, tomorrow = (date.today() + timedelta(days=one) for one in (-1, 1))
    first = table.sits()
    first.type("ingest start\n")
    for question, answer in (
        ("The production's name: ", "Kestrel Quay\n"),
        ("Shoot days, first to last, or with commas [", f"{yesterday} to {tomorrow}\n"),
        ("Frames a second of the project [25]: ", "24\n"),
        ("What records [A]: ", "A B / S\n"),
        ("Its drives, by number or folder, such as 1=NAME@PLACE [none]: ", "1, 2@bag 2\n"),
        ("Copies wanted of everything [2]: ", "\n"),
    ):
        first.waits(question)
        first.type(answer)
    said = " ".join(first.ends().split())
    assert said.startswith("Kestrel Quay: ") and "HERON: marked" in said
    # Which of the two is the second in the list depends on where the test could mount them.
    written = (table.desk / "ingest.toml").read_text()
    assert re.search(r'\[drive\.(HERON|OTTER)\]\nwhere = "bag 2"', written)
    assert first.decisions == 6
    first.leave()

    person = table.sits()
    person.type("ingest offload\n")
    shown = person.waits(START).splitlines()[1:]
    assert [line.split()[0] for line in shown] == [
        "Card",
        "Production",
        "Day",
        "Roll",
        "Drives",
        "Time",
    ]
    assert all(len(line) <= 80 for line in shown)
    person.type("\n")
    said = person.ends()
    assert "B001: MATCHED. 13 files" in said
    assert [line.partition(".")[0] for line in said.rstrip("\a\n").splitlines()[-4:]] == [
        "B001: MATCHED",
        "The card was read once",
        "You may take the card out",
        "The drives are done: eject them before you pull them",
    ], "the verdict is the last thing on the screen"
    assert (person.keys, person.decisions) == (16, 1)


def test_letters_without_slashes_are_shown_back_before_anything_is_written(table: Table) -> None:
    """S and P are a recorder and a stills camera, unless one key says that they are cameras."""
    question = "Enter if that is so, c if all are cameras, or type them again: "
    for keys, kinds in (
        ("\n", "cameras A and B, sound recorder S, stills camera P"),
        ("c\n", "cameras A, B, S and P"),
    ):
        person = table.sits()
        person.type("ingest start --production Quay --days 2026-03-14 ")
        person.type("--frame-rate 25 --copies 2; clear\n")
        person.waits("What records [A]: ")
        person.type("A B S P\n")
        assert "Taken for cameras A and B, sound recorder S, stills camera P." in person.waits(
            question
        )
        assert not (table.desk / "ingest.toml").exists()
        person.type(keys)
        person.waits("Its drives, by number or folder, such as 1=NAME@PLACE [none]: ")
        person.type("\n")
        assert f"It asks for {kinds}." in " ".join(person.ends().split())
        (table.desk / "ingest.toml").unlink()
        person.leave()


def test_e_changes_one_thing_and_leaving_changes_nothing(table: Table) -> None:
    """The camera is set right; a wrong answer is told and asked again; Ctrl-C leaves all as is."""
    (table.desk / "ingest.toml").write_text('production = "Kestrel Quay"\n[drive.HERON]\n')
    person = table.sits()
    person.type(f"ingest start --drive {table.drives[0]}\n")
    assert "HERON: marked" in person.ends()
    person.type("ingest offload\n")
    shown = person.waits(START)
    assert "camera B" in shown
    assert "! These drives count as 1 copy; 2 are wanted: another one is owed." in shown
    person.type("e\n")
    person.waits("Which? ")
    person.type("5\n")
    person.waits("Camera of B001 [B]: ")
    person.type("2 c\n")
    assert "A camera has a letter, not 2 C." in person.waits(START)
    person.type("e\n")
    person.waits("Which? ")
    person.type("5\n")
    person.waits("Camera of B001 [B]: ")
    person.type("c\n")
    assert "Roll        C001, camera C" in person.waits(START)
    person.type("e\n")
    person.waits("Which? ")
    person.type("3\n")
    person.waits("Day [1]: ")
    person.type("soon\n")
    assert "A shoot day is a number, not soon." in person.waits(START)
    person.type("\x03")
    assert "Stopped. Nothing more was done." in person.ends().splitlines(), "in a line of its own"
    assert not list(table.drives[0].rglob("C001"))
    person.type("ingest rolls\n")
    assert "No roll is in yet" in person.ends()


def test_without_a_terminal_nothing_is_guessed(table: Table) -> None:
    """What is certain goes at once; a day that is none, a camera that nothing tells: 2, with the
    option to give."""
    toml = table.desk / "ingest.toml"
    toml.write_text('production = "Heron Row"\nday_ends = 0\n[drive.HERON]\n[drive.OTTER]\n')
    person = table.sits()
    to = " ".join(f"--drive {os.path.realpath(place)}" for place in table.drives)
    person.type(f"ingest start {to}\n")
    person.ends()

    def typed(words: str) -> str:
        person.type(f"{words} </dev/null; echo it ended with $?\n")
        return person.ends()

    toml.write_text(toml.read_text().replace("day_ends", 'days = ["2001-01-01"]\nday_ends'))
    said = typed("ingest offload")
    assert "is not among the shoot days." in said and "Do: say --day N" in said
    assert "it ended with 2" in said
    toml.write_text(toml.read_text() + "[camera.A]\n")
    said = typed("ingest offload --day 1")
    assert "B (B001) is not in ingest.toml." in said and "Do: say --camera LETTER" in said
    assert not list(table.drives[0].rglob("B001"))
    said = typed("ingest offload --day 1 --camera B")
    assert "B001: MATCHED." in said and "it ended with 0" in said
    toml.unlink()
    said = typed("ingest offload")
    assert "The ingest.toml of the drive" in said, "its copy on the drives counts now"
    assert "NOTHING NEW" in said


SCREENS = Path(__file__).parent / "screens"


def settled(text: str, table: Table) -> str:
    """What differs from run to run taken out: places, sizes, dates, devices, machine."""
    for place in (*table.drives, table.card):
        text = text.replace(os.path.realpath(place), f"/media/{Path(place).name}")
    text = re.sub(r"\b\d[\d,.]* (bytes?|kB|MB|GB|TB)\b", "SIZE", text)
    text = re.sub(r"\d{4}-\d\d-\d\d( \d\d:\d\d UTC)?", "WHEN", text)
    text = re.sub(r"\b(\d+ (second|minute)s? ago|just now)\b", "AGO", text)
    text = re.sub(r"\bloop\d+\b[^,;)\n]*", "DEVICE", text)
    text = re.sub(r"\(\S+ on \S+\)$", "(WHO on MACHINE)", text, flags=re.MULTILINE)
    text = re.sub(r"^In today: .*$", "In today: ROLLS", text, flags=re.MULTILINE)
    text = re.sub(r"\bheld by \S+:", "held by WHO:", text)
    text = re.sub(r"\(\S+ said:", "(WHO said:", text)
    return text.strip("\n") + "\n"


@pytest.mark.parametrize("columns", [80, 200])
def test_screens_stand_as_they_were_looked_at(table: Table, columns: int) -> None:
    """A day's screens at 80x24 and at 200 columns, kept as text; INGEST_WRITE_SCREENS=1 writes
    them anew, to be looked at again."""
    (table.desk / "ingest.toml").write_text('production = "Heron Row"\nday_ends = 0\n')
    person = table.sits(columns)
    places = [os.path.realpath(place) for place in table.drives]
    to = " ".join(f"--drive {place}" for place in places)
    person.type(f"ingest start {to}; clear\n")
    person.ends()
    shown: dict[str, str] = {}

    def look(name: str, words: str) -> None:
        person.type(f"{words}\n")
        shown[name] = settled(person.ends().partition("\n")[2], table)

    look("bare-before", "ingest")
    person.type(f"ingest offload --to {places[0]} --to {places[1]}\n")
    shown["offload"] = settled(person.waits(START).partition("\n")[2], table)
    person.type("\n")
    person.ends()
    for command in (
        "drives set HERON --where 'bag 1'",
        "drives set OTTER --sent 'the vault' --by Rui",
        "cards set B001 --label 'CARD 7' --due 2999-01-31",
        "rolls set B001 --hold 'sync to be checked'",
    ):
        look(f"set-{command.split()[0]}-{command.split()[2]}", f"ingest {command}")
    look("bare-after", "ingest")
    look("drives", "ingest drives --history")
    look("cards", "ingest cards")
    look("rolls", "ingest rolls")
    long = [line for said in shown.values() for line in said.splitlines() if len(line) > columns]
    assert not long, "names here are short, so every line fits"
    text = "".join(f"== {name} ==\n{said}\n" for name, said in shown.items())
    kept = SCREENS / f"day-{columns}.txt"
    if os.environ.get("INGEST_WRITE_SCREENS"):
        SCREENS.mkdir(exist_ok=True)
        kept.write_text(text)
    assert text == kept.read_text()
