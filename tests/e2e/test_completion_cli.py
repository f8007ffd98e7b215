"""Completion in bash, zsh and fish: commands, options, and names that the catalog knows."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from ingest.catalog.catalog import Catalog
from tests.conftest import Runner
from tests.e2e.further import disks_apart, offloaded


@pytest.fixture
def place(tmp_path: Path, ingest: Runner, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Roll A003 of Saltmarsh on HERON and OTTER; a production with a blank in its name too."""
    disks_apart(monkeypatch)
    offloaded(tmp_path, ingest)
    log = tmp_path / "desk" / "log.csv"
    log.write_text("scene,take,roll\n12A,1,A003\n14,2,A003\n")
    ingest("slate", "load", log, "--production", "Saltmarsh")
    with Catalog.open(os.environ["INGEST_CATALOG"]) as catalog:
        catalog.load_slate("Reed $(id) Bank", "log.csv", [])
    return tmp_path


def complete(words: str, shell: str = "bash") -> list[str]:
    """What a shell's script gets for a line whose last word is begun (click's protocol)."""
    parts = words.split(" ")
    ran = subprocess.run(
        [sys.executable, "-m", "ingest"],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        env={
            **os.environ,
            "_INGEST_COMPLETE": f"{shell}_complete",
            "COMP_WORDS": words,
            "COMP_CWORD": parts[-1] if shell == "fish" else str(len(parts) - 1),
        },
    )
    assert ran.stderr == ""
    return [line for line in ran.stdout.split("\n") if line]


def test_names_come_from_the_catalog(place: Path) -> None:
    """Rolls, drives, scenes and productions, case apart; a folder will do for a drive."""
    assert complete("ingest rolls set a") == ["plain,A003"]
    assert complete("ingest drives set o") == ["dir,o", "plain,OTTER"]
    assert complete("ingest find --scene 1") == ["plain,12A", "plain,14"]
    assert complete("ingest report --roll A") == ["plain,A003"]
    assert complete("ingest cards set c") == ["plain,card"]
    assert complete("ingest copy --to H", "fish") == ["dir,H", "plain,HERON"]
    assert complete("ingest rolls set A", "zsh") == ["plain", "A003", "_"]


def test_a_name_with_blanks_stays_one_word_in_bash(place: Path) -> None:
    """And runs nothing."""
    assert complete("ingest offload --production R") == [r"plain,Reed\ \$\(id\)\ Bank"]


def test_commands_are_completed_in_their_order(desk: Path) -> None:
    """With no catalog nothing is made, and a Tab key shows no error."""
    assert complete("ingest re") == ["plain,reuse", "plain,rebuild", "plain,report"]
    assert complete("ingest rolls set A") == []
    assert not (desk.parent / "catalog.sqlite3").exists()


def test_a_catalog_that_can_t_be_read_offers_nothing(
    desk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No error on the screen of somebody who pressed Tab."""
    bad = desk / "bad"
    bad.write_bytes(b"not a catalog " * 50)
    monkeypatch.setenv("INGEST_CATALOG", str(bad))
    assert complete("ingest rolls set A") == []


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_the_script_is_one_that_the_shell_understands(shell: str, program: Runner) -> None:
    """Where that shell is here, it reads the script without a word."""
    ran = program("completion", shell)
    assert ran.code == 0
    assert f"_INGEST_COMPLETE={shell}_complete" in ran.out
    program_of_shell = shutil.which(shell)
    if program_of_shell is not None:
        read = subprocess.run(
            [program_of_shell, "-n"], input=ran.out, capture_output=True, text=True, check=False
        )
        assert (read.returncode, read.stderr) == (0, "")


def test_bash_completes_with_it(place: Path, program: Runner, tmp_path: Path) -> None:
    """The script's own function, called as bash calls it on Tab."""
    bash = shutil.which("bash")
    assert bash is not None
    folder = tmp_path / "bin"
    folder.mkdir()
    (folder / "ingest").write_text(f'#!/bin/sh\nexec "{sys.executable}" -m ingest "$@"\n')
    (folder / "ingest").chmod(0o755)
    script = program("completion", "bash").out
    asked = (
        "COMP_WORDS=(ingest rolls set A); COMP_CWORD=3; _ingest_completion ingest; "
        'echo "$COMPREPLY"'
    )
    ran = subprocess.run(
        [bash, "--norc", "-c", f"{script}\n{asked}"],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        env={**os.environ, "PATH": f"{folder}:{os.environ['PATH']}"},
    )
    assert ran.stdout == "A003\n"
