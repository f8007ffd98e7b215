"""The command line itself: exit codes, one document, errors, and no traceback."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click
import pytest

from ingest import __version__
from ingest.cli import main
from ingest.cli.main import JOBS, cli, run

if TYPE_CHECKING:
    from tests.conftest import Runner

COMMANDS = [name for jobs in JOBS.values() for name in jobs]


@pytest.mark.parametrize("words", [["--help"], ["-h"], *([name, "--help"] for name in COMMANDS)])
def test_help_is_0_and_on_standard_output(ingest: Runner, words: list[str]) -> None:
    """With nothing on standard error."""
    ran = ingest(*words)
    assert (ran.code, ran.err) == (0, "")
    assert ran.out.startswith("Usage: ingest")


def test_the_version_is_told(program: Runner) -> None:
    """By the real program."""
    ran = program("--version")
    assert (ran.code, ran.err) == (0, "")
    assert __version__ in ran.out


@pytest.mark.parametrize(
    "words",
    [
        ["nonsense"],
        ["--nonsense"],
        ["offload", "--nonsense"],
        ["offload", "--day", "two"],
        ["offload", "--to"],
        *([name, "--nonsense"] for name in COMMANDS),
    ],
    ids=" ".join,
)
def test_a_wrong_command_line_is_2_with_a_next_step(ingest: Runner, words: list[str]) -> None:
    """One document and nothing else with --json; else two lines on standard error."""
    plain = ingest(*words)
    assert (plain.code, plain.out) == (2, "")
    assert plain.err.splitlines()[-1].startswith("Do: ingest")
    if words[0] == "--nonsense":
        return
    told = ingest(*words[:1], "--json", *words[1:])
    assert told.code == 2
    assert told.document["error"]["exit"] == 2


def test_as_a_real_program_errors_are_the_same(ingest: Runner, program: Runner) -> None:
    """Exit code, standard output and standard error."""
    words = ["offload", "/nowhere/at/all", "--to", "/nor/here", "--production", "P"]
    assert ingest(*words) == program(*words)
    assert ingest(*words, "--json") == program(*words, "--json")


@pytest.mark.parametrize("name", COMMANDS)
def test_a_bug_is_1_without_a_traceback(
    ingest: Runner, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """One line on what failed and how to see more; one document with --json."""

    def broken(*words: object, **named: object) -> int:
        raise ZeroDivisionError("a bug\x1b[2J")

    command = cli.get_command(click.Context(cli), name)
    assert command is not None
    monkeypatch.setattr(command, "parse_args", lambda context, words: [])
    monkeypatch.setattr(command, "invoke", broken)
    ran = ingest(name)
    assert (ran.code, ran.out) == (1, "")
    assert "ZeroDivisionError" in ran.err
    assert "--debug" in ran.err
    assert "Traceback" not in ran.err
    assert "\x1b" not in ran.err
    told = ingest(name, "--json")
    assert told.code == 1
    assert told.document["error"]["exit"] == 1


def test_debug_shows_where_a_bug_is(monkeypatch: pytest.MonkeyPatch) -> None:
    """The exception itself comes out."""

    def broken(*words: object, **named: object) -> int:
        raise ZeroDivisionError("a bug")

    monkeypatch.setattr(main.cli, "main", broken)
    with pytest.raises(ZeroDivisionError):
        run(["offload", "--debug"])


@pytest.mark.parametrize("error", [KeyboardInterrupt(), click.Abort()])
def test_ctrl_c_anywhere_is_130(
    ingest: Runner, monkeypatch: pytest.MonkeyPatch, error: BaseException
) -> None:
    """Not 1, which means a bug."""

    def stopped(*words: object, **named: object) -> int:
        raise error

    monkeypatch.setattr(main.cli, "main", stopped)
    ran = ingest("rolls", "--json")
    assert ran.code == 130
    assert ran.document["error"]["exit"] == 130


@pytest.mark.parametrize("name", ["rolls", "drives"])
def test_a_list_of_nothing_is_one_document(ingest: Runner, name: str) -> None:
    """With no set-up at all: the catalog is made on first use."""
    ran = ingest(name, "--json")
    assert ran.code == 0
    assert ran.document[name] == []
    assert not any(ran.document.values())
    assert Path(os.environ["INGEST_CATALOG"]).exists()


def test_the_option_beats_the_environment(ingest: Runner, tmp_path: Path) -> None:
    """--catalog names another one."""
    assert ingest("rolls", "--catalog", tmp_path / "mine.sqlite3").code == 0
    assert (tmp_path / "mine.sqlite3").exists()
    assert not Path(os.environ["INGEST_CATALOG"]).exists()


def test_a_reader_that_goes_away_is_no_bug(desk: Path) -> None:
    """`ingest --help | head -1`: no traceback, no 1."""
    ran = subprocess.run(
        f"{sys.executable} -m ingest --help | true; echo ${{PIPESTATUS[0]}}",
        shell=True,
        executable="/bin/bash",
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert ran.stdout.strip() == "0"
    assert "Traceback" not in ran.stderr


@pytest.mark.parametrize("name", ["SIGTERM", "SIGHUP", "SIGINT"])
def test_a_signal_stops_with_130(desk: Path, name: str) -> None:
    """While it waits for anything at all."""
    code = (
        "import os, signal, sys\n"
        "from ingest.cli import main\n"
        f"main.cli.main = lambda *w, **n: os.kill(os.getpid(), signal.{name}) or signal.pause()\n"
        "sys.argv = ['ingest', 'rolls', '--json']\n"
        "main.entry()\n"
    )
    ran = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=False
    )
    assert ran.returncode == 130, ran.stderr
    assert json.loads(ran.stdout)["error"]["exit"] == 130
    assert "Traceback" not in ran.stderr
