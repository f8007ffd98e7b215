"""Completion in bash, zsh and fish: commands, options, and names that the catalog knows."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
import warnings
from collections.abc import Callable
from pathlib import Path

import pexpect
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


def shell_here(name: str) -> str:
    """The shell's program; a test of a shell that isn't here is skipped, in CI as root it fails."""
    found = shutil.which(name)
    if found is None and os.environ.get("CI") == "true" and os.geteuid() == 0:
        pytest.fail(f"{name} is not installed")
    if found is None:
        pytest.skip(f"{name} is not installed")
    return found


@pytest.fixture
def at_home(
    place: Path, program: Runner, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Callable[[str], Path]:
    """`at_home("zsh")`: a file with that shell's script; the program is on the path, and no
    settings of whoever runs the test are read."""
    folder = tmp_path / "bin"
    folder.mkdir()
    (folder / "ingest").write_text(f'#!/bin/sh\nexec "{sys.executable}" -m ingest "$@"\n')
    (folder / "ingest").chmod(0o755)
    monkeypatch.setenv("PATH", f"{folder}:{os.environ['PATH']}")
    for name in ("HOME", "ZDOTDIR", "XDG_CONFIG_HOME", "XDG_DATA_HOME"):
        monkeypatch.setenv(name, str(tmp_path))
    with Catalog.open(os.environ["INGEST_CATALOG"]) as catalog:
        catalog.load_slate("Salt, Wind: $(id)", "log.csv", [])

    def script(shell: str) -> Path:
        ran = program("completion", shell)
        assert ran.code == 0
        assert f"_INGEST_COMPLETE={shell}_complete" in ran.out
        file = tmp_path / f"completion.{shell}"
        file.write_text(ran.out)
        return file

    return script


def asked(*words: str | os.PathLike[str]) -> str:
    """What a program says that ends well, and has nothing to complain of."""
    ran = subprocess.run(
        words, capture_output=True, text=True, timeout=60, check=False, stdin=subprocess.DEVNULL
    )
    assert (ran.returncode, ran.stderr) == (0, "")
    return ran.stdout


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_the_script_is_one_that_the_shell_understands(
    shell: str, at_home: Callable[[str], Path]
) -> None:
    """Where that shell is here, it reads the script without a word."""
    assert asked(shell_here(shell), "-n", at_home(shell)) == ""


def test_bash_completes_with_it(at_home: Callable[[str], Path]) -> None:
    """The script's own function, called as bash calls it on Tab."""
    script = at_home("bash")
    words = (
        f"source {script}; COMP_WORDS=(ingest rolls set A); COMP_CWORD=3; "
        '_ingest_completion ingest; echo "$COMPREPLY"'
    )
    assert asked(shell_here("bash"), "--norc", "-c", words) == "A003\n"


@pytest.mark.parametrize(
    ("line", "answers"),
    [
        ("ingest rolls set a", ["A003"]),
        ("ingest offload --production S", ["Salt, Wind: $(id)", "Saltmarsh"]),
        ("ingest find --scene 12", ["12A"]),
        ("ingest reb", ["rebuild"]),
    ],
)
def test_fish_completes_with_it(
    line: str, answers: list[str], at_home: Callable[[str], Path]
) -> None:
    """Fish's own command asks what Tab would offer; a name with a comma in it stays whole."""
    script = at_home("fish")
    said = asked(shell_here("fish"), "--no-config", "-c", f'source {script}; complete -C "{line}"')
    assert [one.partition("\t")[0] for one in said.splitlines()] == answers


@pytest.mark.parametrize(
    ("line", "becomes"),
    [
        ("ingest rolls set a", "ingest rolls set A003 "),
        (
            "ingest offload --production Salt,",
            r"ingest offload --production Salt,\ Wind:\ \$\(id\) ",
        ),
        ("ingest reb", "ingest rebuild "),
    ],
)
def test_zsh_completes_with_it(
    line: str, becomes: str, tmp_path: Path, at_home: Callable[[str], Path]
) -> None:
    """Typed in a real terminal: the line as it stands after Tab."""
    script, told = at_home("zsh"), tmp_path / "line"
    with warnings.catch_warnings():
        # Python warns of a fork beside threads; this child becomes the shell at once.
        warnings.filterwarnings("ignore", ".*fork.*", DeprecationWarning)
        person = pexpect.spawn(
            shell_here("zsh"), ["-f"], dimensions=(24, 200), encoding="utf-8", timeout=60
        )
    try:
        for typed in (
            "PS1='desk'; PS1=$PS1'> '; unset zle_bracketed_paste",
            "autoload -Uz compinit; compinit -u -D",
            f"source {script}",
            f'tell() {{ print -r -- "$BUFFER" >{told}.new; mv {told}.new {told} }}; zle -N tell',
            "bindkey '^X' tell; echo rea''dy",
        ):
            person.sendline(typed)
        person.expect_exact("ready")
        person.expect_exact("desk> ")
        person.send(f"{line}\t\x18")
        for _ in range(600):
            if told.exists():
                break
            time.sleep(0.1)
        assert told.read_text() == f"{becomes}\n"
    finally:
        person.close(force=True)
