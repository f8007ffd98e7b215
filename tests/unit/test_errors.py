"""Every error has an exit code and says what to do; every command has help."""

from __future__ import annotations

import ast
import importlib
import inspect
import pkgutil
import re
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

import ingest
from ingest import errors
from ingest.cli.main import JOBS, cli
from ingest.errors import ExitCode, IngestError

ROOT = Path(__file__).resolve().parents[2]
COMMANDS = [name for jobs in JOBS.values() for name in jobs]
STANDS_ALONE = {"ingest.__main__", "ingest.media.worker_child", "ingest.catalog.migrations.env"}
"""Modules that run something when they are imported: programs, and the migration's frame."""


def own_exceptions() -> list[type[BaseException]]:
    """Every exception class that the package defines, wherever it stands."""
    found: set[type[BaseException]] = set()
    for module in pkgutil.walk_packages(ingest.__path__, "ingest."):
        if module.name in STANDS_ALONE:
            continue
        for _, thing in inspect.getmembers(importlib.import_module(module.name), inspect.isclass):
            if issubclass(thing, BaseException) and thing.__module__.startswith("ingest."):
                found.add(thing)
    return sorted(found, key=lambda one: f"{one.__module__}.{one.__qualname__}")


EXCEPTIONS = own_exceptions()
SHOWN = [one for one in EXCEPTIONS if issubclass(one, IngestError)]


def test_the_walk_over_the_package_finds_the_errors() -> None:
    """The two lists below aren't empty by mistake."""
    assert {getattr(errors, name) for name in errors.__all__ if name != "ExitCode"} <= set(SHOWN)
    assert len(EXCEPTIONS) > len(SHOWN)


@pytest.mark.parametrize("error", SHOWN, ids=lambda one: one.__qualname__)
def test_an_error_that_a_user_meets_has_an_exit_code_that_means_no(
    error: type[IngestError],
) -> None:
    """2, 4 or 130: an error is never 0, and 1 is kept for bugs."""
    assert error.exit_code in {ExitCode.USAGE, ExitCode.UNFINISHED, ExitCode.STOPPED}
    assert isinstance(error.exit_code, ExitCode)


def literal_messages() -> Iterator[tuple[str, str, str]]:
    """Where an error is raised with words that stand there, their beginning and their end; a part
    that is filled in is a dot. What is wrong with a hash list is said behind the list's name."""
    names = {one.__name__ for one in SHOWN if one.__name__ != "BadManifest"}
    for path in sorted((ROOT / "ingest").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.args):
                continue
            said = node.args[0]
            if node.func.id in names and isinstance(said, ast.JoinedStr | ast.Constant):
                parts = said.values if isinstance(said, ast.JoinedStr) else [said]
                words = [str(one.value) if isinstance(one, ast.Constant) else "." for one in parts]
                yield f"{path.relative_to(ROOT)}:{node.lineno}", words[0], words[-1]


def test_what_is_wrong_is_said_in_a_whole_sentence() -> None:
    """Capital first unless a name stands there, and a full stop or question mark at the end."""
    met = list(literal_messages())
    assert len(met) > 100
    for where, begins, ends in met:
        assert not re.match(r"[a-z]+\b(?!\.)", begins), where
        assert ends.endswith((".", "?")), where


@pytest.mark.parametrize("error", EXCEPTIONS, ids=lambda one: one.__qualname__)
def test_an_exception_says_in_its_docstring_what_was_met(error: type[BaseException]) -> None:
    """Its own words, not those of its base; a private class inside one module may do without."""
    if not error.__name__.startswith("_"):
        assert (vars(error).get("__doc__") or "").strip()


def test_exit_codes_are_those_of_the_contract() -> None:
    """0 well, 1 a bug, 2 the command line, 3 the footage, 4 unfinished, 130 stopped."""
    assert {code.name: code.value for code in ExitCode} == {
        "WELL": 0,
        "BUG": 1,
        "USAGE": 2,
        "FOOTAGE": 3,
        "UNFINISHED": 4,
        "STOPPED": 130,
    }


def test_an_error_is_told_as_fact_then_do_then_dont() -> None:
    """Lines that don't apply are left out."""
    whole = IngestError("It is so.", do="this", dont="that")
    assert whole.lines() == ["It is so.", "Do: this", "Don't: that"]
    assert IngestError("It is so.").lines() == ["It is so."]
    assert str(whole) == "It is so."


def parts_of(name: str) -> Iterator[click.Command]:
    """A command and what stands below it."""
    command = cli.get_command(click.Context(cli), name)
    assert command is not None
    waiting = [command]
    while waiting:
        one = waiting.pop()
        yield one
        if isinstance(one, click.Group):
            waiting += one.commands.values()


@pytest.mark.parametrize("name", COMMANDS)
def test_a_command_has_help_and_the_options_that_all_have(name: str) -> None:
    """The command and each below it say what they do."""
    for one in parts_of(name):
        assert (one.help or "").strip(), one.name
        if not isinstance(one, click.Group):
            options = {option for param in one.params for option in param.opts}
            assert {"--json", "--catalog", "--debug"} <= options, one.name


@pytest.mark.parametrize("name", COMMANDS)
def test_an_option_says_what_it_is_for(name: str) -> None:
    """Every option of every command and subcommand."""
    for one in parts_of(name):
        mute = [
            param.name for param in one.params if isinstance(param, click.Option) and not param.help
        ]
        assert not mute, one.name


def test_the_help_lists_every_command_under_its_part_of_the_day() -> None:
    """`ingest --help` names all of them, with a summary each."""
    told = cli.get_help(click.Context(cli, **cli.context_settings))
    for title, jobs in JOBS.items():
        assert f"{title}:" in told
        for name, job in jobs.items():
            assert re.search(rf"^ +{name} +{re.escape(job.summary[:30])}", told, re.MULTILINE), name


def test_the_readme_names_every_command() -> None:
    """Nobody should have to guess that a command is there."""
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    missing = [name for name in COMMANDS if f"ingest {name}" not in readme]
    assert not missing
