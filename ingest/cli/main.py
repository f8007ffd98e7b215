"""The one command: finds the job, runs it, and turns whatever comes out into an exit code."""

from __future__ import annotations

import contextlib
import gc
import importlib
import json
import os
import signal
import sys
from collections.abc import Mapping, Sequence
from types import FrameType
from typing import NamedTuple, NoReturn

import click

from ingest import __version__
from ingest.errors import ExitCode, IngestError, Stopped

__all__ = ["cli", "entry", "run"]


class _Job(NamedTuple):
    """A command that is imported only when it is called, so that `--help` stays quick."""

    module: str
    summary: str


# In the order of a shoot day. Each module has one click command named `command`.
JOBS: dict[str, dict[str, _Job]] = {
    "Before the shoot": {
        "start": _Job("start", "Begin a production: ingest.toml, drives marked and named."),
    },
    "Getting the footage in": {
        "offload": _Job("offload", "Copy cards to two or more drives and read every copy back."),
        "copy": _Job("copy", "Make a further copy on another drive, from drives."),
    },
    "Knowing that it is safe": {
        "audit": _Job("audit", "Read the copies on drives again and compare."),
        "reuse": _Job("reuse", "May this card be formatted and shot on again?"),
        "mend": _Job("mend", "Put back damaged or missing copies on a drive."),
        "drives": _Job("drives", "The drives that are known, and what is on them."),
        "rolls": _Job("rolls", "The rolls that are in, and the state of each."),
        "cards": _Job("cards", "The cards that are known, what each gave, when it is due back."),
        "rebuild": _Job("rebuild", "Make the catalog anew from the drives' hash lists."),
    },
    "Scene and take": {
        "slate": _Job("slate", "Load the slate log, link clips to takes."),
        "find": _Job("find", "Find clips by scene, take, camera, day, and where they can be read."),
    },
    "The end of the day": {
        "wrap": _Job("wrap", "What never came in, what is still open, and how to pack."),
        "whatif": _Job("whatif", "What would be left if a drive, bag, laptop or card were lost."),
        "room": _Job("room", "Will a card fit, and how many hours of shooting are left."),
        "kit": _Job("kit", "What to pack for tomorrow: cards and drives, to print and tick."),
    },
    "Handing over": {
        "report": _Job("report", "Write the intake report."),
        "proof": _Job("proof", "Write what a client needs to check the footage themselves."),
        "handoff": _Job("handoff", "Hand clips to the editor: a timeline, a table or files."),
    },
    "This computer": {
        "completion": _Job("completion", "The script that makes a shell complete names."),
    },
}


class _Jobs(click.Group):
    def list_commands(self, ctx: click.Context) -> list[str]:
        return [name for jobs in JOBS.values() for name in jobs]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        for jobs in JOBS.values():
            if cmd_name in jobs:
                module = importlib.import_module(f"ingest.cli.{jobs[cmd_name].module}")
                command = module.command
                assert isinstance(command, click.Command)
                return command
        return None

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        for title, jobs in JOBS.items():
            with formatter.section(title):
                formatter.write_dl([(name, job.summary) for name, job in jobs.items()])


@click.group(
    cls=_Jobs,
    context_settings={"help_option_names": ["-h", "--help"]},
    invoke_without_command=True,
    subcommand_metavar="[COMMAND [ARGS]...]",
)
@click.version_option(__version__, prog_name="ingest")
@click.option("--json", is_flag=True, help="One JSON document on standard output.")
@click.option("--catalog", metavar="PATH-OR-URL", help="Another catalog.")
@click.option("--debug", is_flag=True, help="Show where the program failed.")
@click.pass_context
def cli(ctx: click.Context, json: bool, catalog: str | None, debug: bool) -> int | None:
    """Empties camera cards onto drives, proves the copies, and knows what was shot.

    Alone, it shows where things stand (cards in, drives in, what is open today) and changes
    nothing.
    """
    if ctx.invoked_subcommand is not None:
        if json or catalog is not None or debug:
            name = ctx.invoked_subcommand
            raise click.UsageError(
                f"Options stand behind the command: ingest {name} --option.", ctx
            )
        return None
    from ingest.cli.now import show_now
    from ingest.cli.terminal import Terminal

    return show_now(Terminal(json=json, place=catalog, debug=debug))


def run(arguments: Sequence[str] | None = None) -> int:
    """Run one command line and return its exit code; errors go to standard error.

    With `--json` among the arguments an error is the one JSON document on standard output.
    """
    words = list(sys.argv[1:] if arguments is None else arguments)
    if "_INGEST_COMPLETE" in os.environ:
        from ingest.cli.completing import take_our_shells

        take_our_shells()
    try:
        code = cli.main(words, prog_name="ingest", standalone_mode=False)
        return int(code) if isinstance(code, int) else ExitCode.WELL
    except IngestError as error:
        _tell(words, error.lines(), error.exit_code, error.figures)
        return error.exit_code
    except click.exceptions.NoArgsIsHelpError as error:
        sys.stdout.write(error.format_message() + "\n")
        return ExitCode.USAGE
    except click.ClickException as error:
        remedy = "ingest --help"
        if isinstance(error, click.UsageError) and error.ctx is not None:
            remedy = f"{error.ctx.command_path} --help"
        _tell(words, [error.format_message(), f"Do: {remedy}"], ExitCode.USAGE)
        return ExitCode.USAGE
    except (click.Abort, KeyboardInterrupt):
        if sys.stderr.isatty():
            sys.stderr.write("\n")  # a question or a bar stands in the line, and ^C behind it
        _tell(words, Stopped("Stopped. Nothing more was done.").lines(), ExitCode.STOPPED)
        return ExitCode.STOPPED
    except SystemExit:
        # click leaves so when whoever read the help has gone; there is nobody to tell.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return ExitCode.WELL
    except Exception as error:
        if "--debug" in words:
            raise
        lines = [
            f"The program failed: {type(error).__name__}: {error}",
            "Do: run it again with --debug, and keep what it prints.",
        ]
        _tell(words, lines, ExitCode.BUG)
        return ExitCode.BUG


def _tell(
    words: Sequence[str], lines: Sequence[str], code: int, figures: Mapping[str, int] | None = None
) -> None:
    from ingest.cli.terminal import lines_for
    from ingest.names import shown
    from ingest.wording import whole

    safe = [shown(line) for line in lines]
    if "--json" in words:
        error: dict[str, object] = {"what": safe[0], "do": safe[1:], "exit": int(code)}
        if figures:
            error["figures"] = dict(figures)
        sys.stdout.write(json.dumps({"error": error}) + "\n")
        sys.stdout.flush()
    typed = [shown(word) for word in words if " " in word]
    for line in safe:
        for name in typed:
            line = line.replace(name, whole(name))
        sys.stderr.write(lines_for(sys.stderr, line))


def _terminate(signum: int, frame: FrameType | None) -> NoReturn:
    raise KeyboardInterrupt


def entry() -> NoReturn:
    """The console command. SIGTERM and SIGHUP stop it as Ctrl-C does."""
    # Loading makes a great many objects and hardly any rubbish.
    gc.set_threshold(20_000, 20, 20)
    signal.signal(signal.SIGTERM, _terminate)
    if hasattr(signal, "SIGHUP"):
        signal.signal(signal.SIGHUP, _terminate)
    code = run()
    # Whoever read our output may have gone; the exit code is still the true one.
    with contextlib.suppress(BrokenPipeError):
        sys.stdout.flush()
    with contextlib.suppress(OSError):
        sys.stderr.flush()
    # All is written and closed. Taking the interpreter apart would only cost time.
    os._exit(code)
