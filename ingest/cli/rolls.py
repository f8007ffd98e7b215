"""`ingest rolls`: the rolls that are in, and how their copies stand."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import TYPE_CHECKING, Any

import click

from ingest.cli.drives import tally_document, tally_words
from ingest.cli.terminal import Terminal, job
from ingest.errors import ExitCode, NotKnown
from ingest.names import shown
from ingest.wording import size

if TYPE_CHECKING:
    from ingest.jobs.known import RollOverview

__all__ = ["command"]


@job("rolls")
@click.option("--production", metavar="NAME", help="Only this production.")
@click.option("--day", type=click.IntRange(min=0), metavar="N", help="Only this shoot day.")
@click.option("--roll", metavar="NAME", help="Only this roll.")
def command(terminal: Terminal, production: str | None, day: int | None, roll: str | None) -> int:
    """The rolls that are in, the state of each, and the drives that hold copies.

    Exit: 0 every file of every roll has two proven copies on separate devices; 3 otherwise.
    """
    from datetime import UTC

    from ingest.jobs.known import roll_overviews

    now = datetime.now(UTC)
    with terminal.catalog() as catalog:
        rolls = catalog.rolls(production=production, day=day, name=roll)
        if not rolls and (production or roll or day is not None):
            raise NotKnown(
                "The catalog has no such roll.", do="ingest rolls, without options, shows them all"
            )
        overviews = roll_overviews(catalog, rolls, now)
    terminal.answer(
        {"rolls": [_document(one) for one in overviews]},
        _lines(overviews, now) if overviews else ["No roll is in yet. Do: ingest offload"],
    )
    well = all(one.state == "matched" for one in overviews)
    return ExitCode.WELL if well else ExitCode.FOOTAGE


def _document(one: RollOverview) -> dict[str, Any]:
    return {
        "production": one.roll.production,
        "day": one.roll.day,
        "date": one.roll.date,
        "roll": one.roll.name,
        "camera": one.roll.camera,
        "card": one.roll.card,
        "files": one.files,
        "bytes": one.bytes,
        "state": one.state,
        "copies_on_separate_devices": one.copies,
        "drives": [
            {
                "drive": on.here.drive.name,
                "mounted": on.here.volume is not None,
                **tally_document(on.tally),
            }
            for on in one.drives
        ],
    }


def _lines(overviews: tuple[RollOverview, ...], now: datetime) -> Iterator[str]:
    under = ("", -1)
    for one in overviews:
        roll = one.roll
        if under != (roll.production, roll.day):
            under = (roll.production, roll.day)
            yield f"{shown(roll.production)}, day {roll.day} ({shown(roll.date)})"
        camera = f", camera {shown(roll.camera)}" if roll.camera else ""
        copies = f"{one.copies} proven {'copy' if one.copies == 1 else 'copies'}"
        yield (
            f"  {shown(roll.name)}: {one.state} ({one.files} files, {size(one.bytes)}"
            f"{camera}, card {shown(roll.card)}; {copies} on devices shown to be separate)"
        )
        for on in one.drives:
            here = "here" if on.here.volume is not None else "not here"
            yield f"    {shown(on.here.drive.name)} ({here}): {tally_words(on.tally, now)}"
