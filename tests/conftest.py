"""What many tests share: the demo cards, made once, and two ways to run the program.

A test that changes a card asks for `card` (a copy of its own); one that only reads may use
`shoot.cards[...]` itself. `ingest` runs a command line in this process, `program` the same as a
real program; both read exit code, standard output and standard error apart, and keep their
catalog below the test's own folder.
"""

from __future__ import annotations

import importlib.util
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import pytest
from hypothesis import settings

if TYPE_CHECKING:
    from postgres import Server

# No test asserts a time: a machine under load must not fail one.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / "tests" / "helpers"))


@dataclass(frozen=True, slots=True)
class Ran:
    """How one command line ended."""

    code: int
    out: str
    err: str

    @property
    def document(self) -> dict[str, Any]:
        """Standard output as the one JSON document that it must be."""
        told = json.loads(self.out)
        assert isinstance(told, dict)
        return told


class Runner(Protocol):
    """Runs one command line of the program."""

    def __call__(self, *words: str | os.PathLike[str]) -> Ran: ...


class Shoot(Protocol):
    """What fixtures/make_cards.py gives; see there."""

    folder: Path
    cards: dict[str, Path]
    slate_log: Path
    shot_list: Path
    expected: Path
    truth: dict[str, Any]


@pytest.fixture(scope="session")
def shoot(tmp_path_factory: pytest.TempPathFactory) -> Shoot:
    """The demo cards and papers, made once. Nobody changes them."""
    spec = importlib.util.spec_from_file_location(
        "shared_make_cards", ROOT / "fixtures" / "make_cards.py"
    )
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    made: Shoot = module.make_cards(tmp_path_factory.mktemp("shoot"))
    return made


@pytest.fixture
def card(shoot: Shoot, tmp_path: Path) -> Callable[[str], Path]:
    """`card("DAY1/A001")`: a copy of that card, times kept, to do with as the test likes."""

    def copy(key: str) -> Path:
        place = tmp_path / "cards" / key
        shutil.copytree(shoot.cards[key], place, symlinks=True)
        return place

    return copy


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty folder to stand in, with a catalog of its own named by INGEST_CATALOG."""
    place = tmp_path / "desk"
    place.mkdir()
    monkeypatch.chdir(place)
    monkeypatch.setenv("INGEST_CATALOG", str(tmp_path / "catalog.sqlite3"))
    return place


@pytest.fixture(scope="session")
def postgres() -> Iterator[Server]:
    """A PostgreSQL server of our own, started when the first test asks for it."""
    from postgres import server

    with server() as started:
        yield started


@pytest.fixture
def drives(tmp_path: Path) -> tuple[Path, Path]:
    """Two folders that stand in for drives, HERON and OTTER. They lie on one device and on the
    system's disk, so an offload to them needs two flags, and counts as one copy."""
    places = (tmp_path / "HERON", tmp_path / "OTTER")
    for place in places:
        place.mkdir()
    return places


@pytest.fixture
def apart(monkeypatch: pytest.MonkeyPatch) -> None:
    """Make each folder on top level of the test's own folder look like a device of its own,
    outside the system's disk, to what runs in this process."""
    from ingest import drives

    real = drives.look_at

    def look_at(path: str) -> drives.Volume:
        seen = real(path)
        name = os.path.basename(seen.root)
        return replace(seen, disks=(f"disk-{name}",), serial=f"serial-{name}", system=False)

    monkeypatch.setattr(drives, "look_at", look_at)


@pytest.fixture
def ingest(desk: Path, capsys: pytest.CaptureFixture[str]) -> Runner:
    """Runs a command line in this process."""
    from ingest.cli.main import run

    def call(*words: str | os.PathLike[str]) -> Ran:
        capsys.readouterr()
        code = run([os.fspath(word) for word in words])
        said = capsys.readouterr()
        return Ran(code, said.out, said.err)

    return call


@pytest.fixture
def program(desk: Path) -> Runner:
    """Runs a command line as a real program of its own."""

    def call(*words: str | os.PathLike[str]) -> Ran:
        ran = subprocess.run(
            [sys.executable, "-m", "ingest", *map(os.fspath, words)],
            capture_output=True,
            stdin=subprocess.DEVNULL,
            cwd=desk,
            timeout=120,
            check=False,
        )
        return Ran(ran.returncode, ran.stdout.decode(), ran.stderr.decode())

    return call
