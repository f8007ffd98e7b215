"""`ingest completion`: the script that makes a shell complete names."""

from __future__ import annotations

import sys

import click
from click.shell_completion import get_completion_class

from ingest.cli.terminal import Terminal, job
from ingest.errors import ExitCode

__all__ = ["command"]

_SHELLS = ("bash", "zsh", "fish")
_PLACES = {
    "bash": "~/.local/share/bash-completion/completions/ingest",
    "zsh": "a folder of $fpath, as _ingest",
    "fish": "~/.config/fish/completions/ingest.fish",
}


@job("completion")
@click.argument("shell", type=click.Choice(_SHELLS), metavar="bash|zsh|fish")
def command(terminal: Terminal, shell: str) -> int:
    """Print the script that completes commands, options and known names (rolls, drives, scenes).

    \b
    bash:  ingest completion bash >~/.local/share/bash-completion/completions/ingest
    zsh:   ingest completion zsh >~/.zfunc/_ingest       (a folder of $fpath)
    fish:  ingest completion fish >~/.config/fish/completions/ingest.fish

    Names come from the catalog, which is only read.
    """
    from ingest.cli.completing import take_our_shells
    from ingest.cli.main import cli

    take_our_shells()
    maker = get_completion_class(shell)
    assert maker is not None
    script = maker(cli, {}, "ingest", "_INGEST_COMPLETE").source()
    terminal.answer({"shell": shell, "script": script}, [script.rstrip()])
    if sys.stdout.isatty() and not terminal.json:
        terminal.note(f"Do: write it to a file: ingest completion {shell} >FILE")
        terminal.note(f"FILE is {_PLACES[shell]}")
    return ExitCode.WELL
