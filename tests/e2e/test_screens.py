"""What commands say: folded at words in a terminal, one line an item in a pipe."""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest

from fixtures.damage import flip_bit
from tests.conftest import Runner, Shoot
from tests.faults.laboratory.loops import loop_drive, need_loops
from tests.helpers.keyboard import Keyboard
from tests.helpers.screens import as_shown, too_long, words_of

pytestmark = [pytest.mark.laboratory, pytest.mark.long]

SCREENS = Path(__file__).parent / "screens"
NAMES = ("ALBATROSS", "BITTERN")

READS = (
    "find 12A 2",
    "find --scene 12A --take 9",
    "audit",
    "reuse cards/DAY1/A001",
    "report --out report",
    "slate match",
    "rebuild ALBATROSS BITTERN --catalog anew.sqlite3",
    "audit BITTERN --against proof",
    "rolls --roll A001",
    "drives",
)
"""Commands that say the same when they are typed again."""

LATER = (READS[6], "drives")
"""Of them, those that don't: a claim is new once, and a device's name ends with its line."""

ERRORS = (
    "offload cards/nowhere --day 1 --to ALBATROSS",
    "find --day yesterday",
    "audit --against proof --quick",
    "rolls set A009 --roll A010",
    "slate load cards/expected.csv",
)


class Person:
    """At the keyboard, with what goes to one of the two streams on the screen."""

    def __init__(self, keyboard: Keyboard, places: Mapping[str, str]) -> None:
        self._keyboard = keyboard
        self._places = places

    def said(self, words: str, *, wrong: bool = False) -> str:
        typed = " ".join(self._places.get(word, word) for word in words.split())
        self._keyboard.type(f"ingest {typed} </dev/null {'2>&1' if wrong else '2>/dev/null'}\n")
        return self._keyboard.ends().partition("\n")[2]


class Evening:
    """Two drives, the demo cards and papers; what is said, with places as README has them."""

    def __init__(self, desk: Path, places: tuple[Path, ...], ingest: Runner) -> None:
        self.desk = desk
        self.places = tuple(os.path.realpath(place) for place in places)
        self._ingest = ingest

    @contextmanager
    def sits(self) -> Iterator[Person]:
        """Somebody sits down at a terminal of 80 columns."""
        keyboard = Keyboard(
            self.desk, self.places, environment={"INGEST_CATALOG": os.environ["INGEST_CATALOG"]}
        )
        try:
            yield Person(keyboard, dict(zip(NAMES, self.places, strict=True)))
        finally:
            keyboard.leave()

    def says(self, words: str, *, wrong: bool = False) -> str:
        """What a command says into a pipe, or where it is wrong on standard error."""
        real = dict(zip(NAMES, self.places, strict=True))
        ran = self._ingest(*(real.get(word, word) for word in words.split()))
        assert (ran.code == 2) is wrong, ran.out + ran.err
        return self.settled(ran.err if wrong else ran.out)

    def settled(self, text: str) -> str:
        """What differs from run to run taken out: places, sizes, dates, devices."""
        for name, place in zip(NAMES, self.places, strict=True):
            text = text.replace(place, f"/media/{name}")
        text = text.replace(f"{self.desk}/", "")
        text = re.sub(r"\b\d[\d,.]* (bytes?|kB|MB|GB|TB)\b", "SIZE", text)
        text = re.sub(r"\d{4}-\d\d-\d\d( \d\d:\d\d UTC)?", "WHEN", text)
        text = re.sub(r"\b(\d+ (second|minute)s? ago|just now)\b", "AGO", text)
        text = re.sub(r"WHEN to WHEN|between WHEN and WHEN|on WHEN", "WHEN", text)
        text = re.sub(r"\bloop\d+\b[^,;)\n]*", "DEVICE", text)
        return re.sub(r"set-aside-[0-9a-f]{8}", "set-aside-RUN", text)


@pytest.fixture
def evening(desk: Path, shoot: Shoot, ingest: Runner) -> Iterator[Evening]:
    need_loops()
    shutil.copytree(shoot.folder, desk / "cards")
    (desk / "ingest.toml").write_text('production = "Kestrel_Quay"\n')
    with ExitStack() as stack:
        places = [stack.enter_context(loop_drive(64, name=name)).mount for name in NAMES]
        yield Evening(desk, tuple(places), ingest)


def test_every_command_folds_at_words_and_stands_as_it_was_looked_at(evening: Evening) -> None:
    """At 80 and at 200 columns, kept as text; INGEST_WRITE_SCREENS=1 writes them anew, to be
    looked at. In a terminal the same words come, and nothing is left for it to break but a path
    longer than a line, which stands alone."""
    said: dict[str, str] = {}
    said["offload"] = evening.says("offload cards/DAY1/A001 --day 1 --to ALBATROSS --to BITTERN")
    evening.says("offload cards/DAY1/B001 --day 1 --to ALBATROSS --to BITTERN")
    evening.says("slate load cards/slate-log.csv")
    evening.says("proof --out proof")
    flip_bit(next(Path(evening.places[1]).rglob("A001C002*.mov")))
    evening.says("audit")
    for words in READS:
        said[words] = evening.says(words)
    for words in ERRORS:
        said[words] = evening.says(words, wrong=True)

    with evening.sits() as person:
        for words in (*READS, *ERRORS):
            screen = person.said(words, wrong=words in ERRORS)
            assert not too_long(screen, 80), words
            if words not in LATER:
                assert words_of(evening.settled(words_of(screen))) == words_of(said[words])
        screen = person.said("proof --out again")
        mail = screen.partition("\n\n")[0].splitlines()
        assert mail[0].startswith("As of") and len(mail) > 4
        assert not any(line.startswith(" ") for line in mail), "it is pasted into a mail"
    said["mend"] = evening.says("mend BITTERN")
    for width in (80, 200):
        text = "".join(f"== {name} ==\n{as_shown(one, width)}\n" for name, one in said.items())
        assert not too_long(text, width)
        kept = SCREENS / f"answers-{width}.txt"
        if os.environ.get("INGEST_WRITE_SCREENS"):
            kept.write_text(text)
        assert text == kept.read_text()
