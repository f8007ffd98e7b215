"""`ingest wrap`: the end of the day in one answer."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import click

from ingest.cli.packing import split_document, split_lines
from ingest.cli.terminal import Terminal, job
from ingest.errors import ExitCode
from ingest.names import shown
from ingest.wording import counted, whole

if TYPE_CHECKING:
    from ingest.jobs.wrap import DayWrapped

__all__ = ["command"]


@job("wrap")
@click.option("--day", type=click.IntRange(min=1), metavar="N", help="The shoot day; today's.")
@click.option("--production", metavar="NAME", help="Of several productions, this one.")
@click.option(
    "--shots", metavar="FILE", help="This shot list, instead of those loaded or beside ingest.toml."
)
@click.option(
    "--idle", multiple=True, metavar="LETTER", help="This device was not used (repeatable)."
)
@click.option(
    "--settle",
    multiple=True,
    metavar="WHAT",
    help="This is settled, though it can't be mended (repeatable); each Do names its word.",
)
@click.option("--note", default="", metavar="TEXT", help="Why it is settled; kept with it.")
@click.option(
    "--reopen", multiple=True, metavar="WHAT", help="Take back --settle or --idle (repeatable)."
)
@click.option("--each", is_flag=True, help="Name every clip where a device was set wrong on many.")
@click.option(
    "--bags", type=click.IntRange(1, 9), default=2, show_default=True, help="Bags to pack."
)
def command(
    terminal: Terminal,
    day: int | None,
    production: str | None,
    shots: str | None,
    idle: tuple[str, ...],
    settle: tuple[str, ...],
    note: str,
    reopen: tuple[str, ...],
    bags: int,
    each: bool,
) -> int:
    """The end of the day: what never came in, what is still open, and how to pack.

    It names cameras, recorders and rolls that are not in, takes without picture or sound, copies
    owed, problems, clips set wrong, planned shots owed, clocks to set and cards on hold: first
    what can't be had again tomorrow. Each says what it rests on and what to do. What --idle and
    --settle say is kept, dated, with who said it.

    \b
    Exit: 0 complete, 3 open.
    """
    from datetime import UTC, datetime

    from ingest.jobs.day_said import reopen as take_back
    from ingest.jobs.day_said import say_idle
    from ingest.jobs.day_said import settle as say_settled
    from ingest.jobs.wrap import wrap_day

    now = datetime.now(UTC)
    with terminal.catalog() as catalog:
        settings = terminal.settings(catalog, production=production)

        def judged() -> DayWrapped:
            return wrap_day(
                catalog, settings, now, production=production, day=day, bags=bags, shots=shots
            )

        told = judged()
        if idle or settle or reopen:
            who = terminal.observer()
            if reopen:
                take_back(catalog, told.production, told.wrapped, reopen, who)
            if idle:
                say_idle(catalog, settings, told.production, told.wrapped.day, idle, who)
            if settle:
                told = judged()
                say_settled(catalog, told.production, told.wrapped, settle, note, who)
            told = judged()
    terminal.answer(_document(told), _lines(told, each=each))
    return ExitCode.WELL if told.wrapped.complete else ExitCode.FOOTAGE


def _document(told: DayWrapped) -> dict[str, Any]:
    wrapped = told.wrapped
    return {
        "production": told.production,
        "day": wrapped.day,
        "verdict": "complete" if wrapped.complete else "open",
        "open": [
            {
                "kind": one.kind.value,
                "what": one.what,
                "because": one.because,
                "do": one.do,
                "clips": list(one.clips),
            }
            for one in wrapped.open
        ],
        "idle": list(wrapped.idle),
        "settled": [{"what": one.what, "said": said} for one, said in wrapped.settled],
        "packing": split_document(told.split),
    }


def _lines(told: DayWrapped, *, each: bool) -> Iterator[str]:
    wrapped = told.wrapped
    name = f"{shown(told.production)}, day {wrapped.day}"
    if wrapped.complete:
        yield f"{name}: COMPLETE. Nothing is open that is known here."
    else:
        yield f"{name}: OPEN, {counted(len(wrapped.open), 'thing')}."
    before = None
    for one in wrapped.open:
        if one.tonight is not before and not (before is None and not one.tonight):
            yield ""
            yield "Not to be had again tomorrow" if one.tonight else "The rest"
        before = one.tonight
        yield f"! {one.what}"
        if each:
            yield from (f"    {whole(clip)}" for clip in one.clips)
        yield f"  Because: {one.because}"
        yield f"  Do: {one.do}"
    if wrapped.idle or wrapped.settled:
        yield ""
    if wrapped.idle:
        yield f"Said to be idle: {', '.join(map(shown, wrapped.idle))}"
    for found, said in wrapped.settled:
        yield f"Settled: {found.what} ({said})"
    yield ""
    yield "To pack"
    for line in split_lines(told.split):
        yield f"  {line}"
