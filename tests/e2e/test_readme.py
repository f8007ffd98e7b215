"""README's examples are real: each `$` line is run, in order, and answers as printed.

`INGEST_WRITE_README=1 pytest tests/e2e/test_readme.py` writes the answers anew.
"""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import pytest

from fixtures.damage import flip_bit
from fixtures.make_cards import make_cards
from tests.faults.laboratory.loops import loop_drive, need_loops
from tests.helpers.screens import as_shown, words_of

ROOT = Path(__file__).resolve().parents[2]
README = ROOT / "README.md"
TOML = re.compile(r"```toml\n(.*?)```", re.DOTALL)
BLOCK = re.compile(r"```console\n(.*?)```", re.DOTALL)
DRIVES = ("ALBATROSS", "BITTERN", "CORMORANT")

pytestmark = [pytest.mark.laboratory, pytest.mark.long]


@dataclass(frozen=True, slots=True)
class Desk:
    """A working folder with the demo cards, and where each drive is mounted."""

    folder: Path
    drives: dict[str, Path]

    def type(self, command: str) -> str:
        """Run a command as README shows it; what it says, in README's names of places."""
        places = {f"/media/{name}": str(mount) for name, mount in self.drives.items()}
        for shown, real in places.items():
            command = command.replace(shown, real)
        words = shlex.split(command)
        assert words[0] == "ingest"
        done = subprocess.run(
            [sys.executable, "-m", "ingest", *words[1:]],
            cwd=self.folder,
            env={
                **os.environ,
                "INGEST_CATALOG": str(self.folder / "catalog.sqlite3"),
                "PYTHONPATH": str(ROOT),
            },
            capture_output=True,
            text=True,
            check=False,
            timeout=300,
        )
        assert done.returncode in (0, 3), f"{command}\n{done.stdout}\n{done.stderr}"
        said = done.stdout
        for shown, real in places.items():
            said = said.replace(real, shown)
        said = re.sub(r"\bheld by \S+:", "held by ines:", said)
        said = re.sub(r"\(\S+ on \S+\)$", "(ines on cart)", said, flags=re.MULTILINE)
        return as_shown(said.replace(f"{self.folder}/", ""), 100)


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    """The demo cards, and two drives on loop devices."""
    need_loops()
    make_cards(tmp_path / "cards")
    settings = TOML.search(README.read_text())
    assert settings is not None
    (tmp_path / "ingest.toml").write_text(settings[1])
    with ExitStack() as stack:
        mounts = [stack.enter_context(loop_drive(200, name=name)).mount for name in DRIVES]
        yield Desk(tmp_path, dict(zip(DRIVES, mounts, strict=True)))


def without_chance(text: str) -> str:
    """Dates, devices and sizes differ from run to run, and with their lengths where lines are
    folded; everything else must be as printed."""
    text = words_of(text)
    text = re.sub(r"\d{4}-\d\d-\d\d \d\d:\d\d UTC", "WHEN", text)
    text = text.replace("WHEN to WHEN", "WHEN")  # a run that began in another minute
    text = text.replace("between WHEN and WHEN", "on WHEN")
    text = re.sub(r"\b\d[\d,.]* (bytes?|kB|MB|GB|TB)\b", "SIZE", text)
    text = re.sub(
        r"\b(\d+ (second|minute)s?|less than a minute|a moment) ago|just now", "AGO", text
    )
    text = re.sub(r"\d{4}-\d\d-\d\d_\d{6}Z", "WHEN", text)
    text = re.sub(r"set-aside-[0-9a-f]{8}", "set-aside-RUN", text)
    return re.sub(r"\bloop\d+\b[^,;]*", "DEVICE", text)


def test_every_example_in_the_readme_answers_as_printed(desk: Desk) -> None:
    """A reader who types what README shows sees what README shows."""
    text = README.read_text()
    written = []
    for block in BLOCK.findall(text):
        told = []
        for command in re.findall(r"^\$ (.*)$", block, re.MULTILINE):
            if command == "ingest audit":
                flip_bit(next(desk.drives[DRIVES[1]].rglob("A001C002*.mov")))
            told.append(f"$ {command}\n{desk.type(command)}")
        written.append("\n".join(told))
    if os.environ.get("INGEST_WRITE_README"):
        blocks = iter(written)
        README.write_text(BLOCK.sub(lambda _: f"```console\n{next(blocks)}```", text))
        return
    for printed, now in zip(BLOCK.findall(text), written, strict=True):
        assert without_chance(now) == without_chance(printed)
