"""What every command shares: its common options, and how it answers.

A command is declared with `@job(...)`, gets a `Terminal` first, and returns an `ExitCode`:

    @job("rolls")
    @click.option("--day", type=int)
    def command(terminal: Terminal, day: int | None) -> int:
        with terminal.catalog() as catalog:
            ...
        terminal.answer(document, lines)
        return ExitCode.WELL
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import wraps
from typing import TYPE_CHECKING, Any, TextIO

import click

from ingest.cli.completing import with_completion

if TYPE_CHECKING:
    from ingest.catalog.catalog import Catalog
    from ingest.catalog.records import Observer
    from ingest.settings import Settings

__all__ = ["Overview", "Pasted", "Terminal", "job", "lines_for"]


class Pasted(str):
    """A line that is meant to be pasted elsewhere: folded, it stays at the left edge."""

    __slots__ = ()


@dataclass(frozen=True, slots=True)
class Terminal:
    """Where a command's answer goes: words for a person, or one JSON document."""

    json: bool
    place: str | None
    debug: bool

    @property
    def interactive(self) -> bool:
        """A person sits here and can be asked."""
        return not self.json and sys.stdin.isatty() and sys.stderr.isatty()

    @property
    def bars(self) -> bool:
        """Progress bars make sense on standard error."""
        return sys.stderr.isatty()

    def catalog(self) -> Catalog:
        """Open the catalog that the options name; the caller closes it."""
        from ingest.catalog.catalog import Catalog

        return Catalog.open(self.place or os.environ.get("INGEST_CATALOG") or None)

    def existing_catalog(self) -> Catalog | None:
        """The same as it is, or None where there is none: nothing is made. The caller closes it."""
        from ingest.catalog.catalog import Catalog

        return Catalog.open_existing(self.place or os.environ.get("INGEST_CATALOG") or None)

    def settings(
        self,
        catalog: Catalog | None = None,
        places: Iterable[str] = (),
        production: str | None = None,
        *,
        everywhere: bool = False,
    ) -> Settings:
        """What ingest.toml says here, else its newest copy on the production's drives, which is
        said on standard error. `places`: drives as they were named, folders among them; the
        `catalog`'s drives are looked at too, and `everywhere` any that bears a marker. Raises
        BadSettings."""
        from pathlib import Path

        from ingest.jobs.settings_here import settings_here

        roots = [place for place in places if os.path.isdir(place)]
        known = catalog.drives() if catalog is not None else ()
        found = settings_here(
            Path.cwd(),
            [*roots, *(drive.root for drive in known)],
            {drive.marker for drive in known},
            production,
            everywhere=everywhere,
        )
        if found.said:
            self.note(found.said)
        return found.settings

    def observer(self) -> Observer:
        """Who is at the keyboard of which machine."""
        import getpass
        import socket

        from ingest.catalog.records import Observer
        from ingest.platforms import boot_id

        try:
            who = getpass.getuser()
        except (OSError, KeyError):
            who = "unknown"
        return Observer(who=who, machine=socket.gethostname(), boot=boot_id())

    def answer(self, document: Mapping[str, Any], lines: Iterable[str] = ()) -> None:
        """The command's result, once: the document with `--json`, else the lines, folded at words
        where a terminal shows them, else one line an item.

        Lines must already have foreign names passed through `ingest.names.shown`, or through
        `ingest.wording.whole` where a fold inside would hinder copying.
        """
        try:
            if self.json:
                sys.stdout.write(json.dumps(document, indent=2) + "\n")
            else:
                for line in lines:
                    sys.stdout.write(lines_for(sys.stdout, line))
            sys.stdout.flush()
        except BrokenPipeError:
            # Whoever read our output has gone; the exit code is still the true one.
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())

    def note(self, line: str) -> None:
        """A remark on the way, on standard error."""
        sys.stderr.write(lines_for(sys.stderr, line))
        sys.stderr.flush()


def lines_for(stream: TextIO, line: str) -> str:
    """The line as `stream` gets it, its end included: a terminal as wide as it is, at most 100
    columns, folded at words under the line's own mark; anything else in one line."""
    from ingest.wording import hanging, unfolded

    if not stream.isatty():
        return unfolded(line) + "\n"
    try:
        width = os.get_terminal_size(stream.fileno()).columns
    except OSError:
        width = 0
    width = max(40, min(width or 80, 100))
    folded = hanging(line, width, indent=0 if isinstance(line, Pasted) else None)
    return "".join(one + "\n" for one in folded)


def job(name: str, **settings: Any) -> Callable[[Callable[..., int]], click.Command]:
    """A click command with the options that every command has; see the module's docstring."""

    def declare(function: Callable[..., int]) -> click.Command:
        @wraps(function)
        def call(*, json: bool, catalog: str | None, debug: bool, **options: Any) -> int:
            return function(Terminal(json=json, place=catalog, debug=debug), **options)

        command = click.Command(name, callback=call, help=function.__doc__, **settings)
        command.params += getattr(call, "__click_params__", [])[::-1]
        command.params += [
            click.Option(["--json"], is_flag=True, help="One JSON document on standard output."),
            click.Option(["--catalog"], metavar="PATH-OR-URL", help="Another catalog."),
            click.Option(["--debug"], is_flag=True, help="Show where the program failed."),
        ]
        return with_completion(command)

    return declare


class Overview(click.Group):
    """A command that shows what is known when it stands alone, and has further ones below it:
    `ingest drives`, `ingest drives set`."""

    def __init__(self, bare: click.Command) -> None:
        def call(**options: Any) -> Any:
            ctx = click.get_current_context()
            if ctx.invoked_subcommand is None:
                assert bare.callback is not None
                return bare.callback(**options)
            if any(
                ctx.get_parameter_source(name) is click.core.ParameterSource.COMMANDLINE
                for name in options
            ):
                whole = f"{ctx.command_path} {ctx.invoked_subcommand}"
                raise click.UsageError(f"Options stand behind the command: {whole} --option.", ctx)
            return None

        super().__init__(
            bare.name,
            help=bare.help,
            params=bare.params,
            callback=call,
            invoke_without_command=True,
            subcommand_metavar="[COMMAND [ARGS]...]",
        )
