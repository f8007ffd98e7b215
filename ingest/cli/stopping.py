"""Stopping in good order: what the commands that copy from drives share."""

from __future__ import annotations

import contextlib
import shutil
import signal
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from types import FrameType
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from ingest.cli.terminal import Terminal
    from ingest.copying.values import Event

__all__ = ["confirm", "progress", "stopping"]


@contextlib.contextmanager
def stopping(stop: threading.Event) -> Iterator[None]:
    """Ctrl-C, SIGTERM and SIGHUP set `stop`; a second one leaves at once."""

    def ask(signum: int, frame: FrameType | None) -> None:
        if stop.is_set():
            raise KeyboardInterrupt
        stop.set()

    names = [signal.SIGINT, signal.SIGTERM]
    if hasattr(signal, "SIGHUP"):
        names.append(signal.SIGHUP)
    before = {name: signal.signal(name, ask) for name in names}
    try:
        yield
    finally:
        for name, handler in before.items():
            signal.signal(name, handler)


def confirm(terminal: Terminal, lines: Sequence[str], *, yes: bool) -> None:
    """In a terminal: show the plan and wait for Enter."""
    if not terminal.interactive or yes:
        return
    for line in lines:
        terminal.note(line)
    click.prompt(
        "Enter starts, Ctrl-C leaves everything as it is",
        default="",
        show_default=False,
        prompt_suffix=" ",
        err=True,
    )
    sys.stderr.flush()


@contextlib.contextmanager
def progress(
    terminal: Terminal, source: tuple[str, int], drive: tuple[str, int]
) -> Iterator[Callable[[Event], None]]:
    """Bars (lines, without a terminal) for what is read and for the drive that is filled."""
    from ingest.cli.bars import CopyBars, CopyLines

    width = shutil.get_terminal_size().columns
    bars = (
        CopyBars([source], [drive], width=width) if terminal.bars else CopyLines([source], [drive])
    )
    with bars:
        yield lambda event: bars.tell(0, event)
