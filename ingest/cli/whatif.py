"""`ingest whatif`: what would be left if one thing were lost, and how to pack."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import click

from ingest.cli.packing import split_document, split_lines
from ingest.cli.terminal import Terminal, job
from ingest.errors import ExitCode
from ingest.names import shown
from ingest.wording import counted, listed, size

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ingest.assurance.whatif import Event, Loss
    from ingest.jobs.whatif import WhatIf

__all__ = ["command"]


@job("whatif")
@click.option("--production", metavar="NAME", help="Of several productions, this one.")
@click.option(
    "--bags", type=click.IntRange(1, 9), default=2, show_default=True, help="Bags to pack."
)
def command(terminal: Terminal, production: str | None, bags: int) -> int:
    """What would be left if one drive, place, bag, laptop or card were lost; and how to pack.

    Good are copies that matched when they were last looked at, on drives that are neither dead nor
    lost. Cards count as long as nobody formats them. Nothing is looked at now: that is for
    ingest audit.

    \b
    Exit: 0 no single loss loses a file, 3 one does.
    """
    from ingest.jobs.whatif import what_if

    with terminal.catalog() as catalog:
        settings = terminal.settings(catalog, production=production)
        told = what_if(catalog, settings, production=production, bags=bags)
    terminal.answer(_document(told), _lines(told))
    return ExitCode.WELL if told.well else ExitCode.FOOTAGE


def _document(told: WhatIf) -> dict[str, Any]:
    return {
        "production": told.production,
        "events": [
            {
                "event": event.kind.value,
                "place": event.place or None,
                "gone": list(event.gone),
                "files": event.files,
                "bytes": event.bytes,
                "lost": _losses(event.lost),
                "only_on_cards": _losses(event.only_on_cards),
            }
            for event in told.events
        ],
        "lost_already": _losses(told.lost_already),
        "packing": split_document(told.split),
    }


def _losses(losses: Sequence[Loss]) -> list[dict[str, Any]]:
    return [{"roll": one.roll, "files": one.files, "bytes": one.bytes} for one in losses]


def _lines(told: WhatIf) -> Iterator[str]:
    worst = max((event.files for event in told.events), default=0)
    if told.lost_already:
        files = sum(one.files for one in told.lost_already)
        rolls = listed([one.roll for one in told.lost_already], 6)
        yield f"! {counted(files, 'file')} have no good copy even now: {rolls}. Do: ingest audit"
    if worst:
        cost = counted(worst, "file")
        yield f"{shown(told.production)}: the worst single loss would cost {cost}."
    else:
        yield f"{shown(told.production)}: no single loss would cost a file."
    for event in told.events:
        yield f"  {_event_words(event)}"
    if any(event.kind.value == "place" and not event.place for event in told.events):
        yield "Do: say where drives are kept: ingest drives set DRIVE --where TEXT"
    yield ""
    yield "To pack"
    for line in split_lines(told.split):
        yield f"  {line}"


def _event_words(event: Event) -> str:
    names = listed(event.gone, 4)
    if event.kind.value == "drive":
        what = f"{names} {'dies' if len(event.gone) == 1 else 'die (one device)'}"
    elif event.kind.value == "laptop":
        what = f"the computer is stolen ({names})"
    elif event.kind.value == "card":
        what = f"{names} is formatted now"
    elif event.place:
        what = f"{shown(event.place)} is lost ({names})"
    else:
        what = f"the place of {names} is lost (nobody said where it is)"
    if event.files:
        rolls = listed([one.roll for one in event.lost], 4)
        left = f"! {counted(event.files, 'file')} lost, {size(event.bytes)} ({rolls})"
    else:
        left = "nothing lost"
    cards = sum(one.files for one in event.only_on_cards)
    if cards:
        left += f"; {counted(cards, 'file')} left on cards alone"
    return f"{what}: {left}"
