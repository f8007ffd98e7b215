"""`ingest room`: will it fit, and how many hours of shooting are left."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import click

from ingest.cli.terminal import Terminal, job
from ingest.errors import ExitCode
from ingest.names import shown
from ingest.wording import counted, size, whole

if TYPE_CHECKING:
    from fractions import Fraction

    from ingest.jobs.room import DriveRoom, Room

__all__ = ["command", "hours_words"]


@job("room")
@click.argument("card", required=False, type=click.Path())
@click.option("--to", multiple=True, metavar="DRIVE", help="A drive's name or folder (repeatable).")
@click.option("--production", metavar="NAME", help="Whose cameras are meant.")
def command(
    terminal: Terminal, card: str | None, to: tuple[str, ...], production: str | None
) -> int:
    """Will CARD fit on the drives, and how many hours of shooting are left on each.

    Data rates are those measured on what came in last; of what never came in, those that
    ingest.toml lets one work out, with the arithmetic. Nothing is copied.

    \b
    Exit: 0 it fits, 3 it doesn't.
    """
    from ingest.jobs.room import how_much_room

    with terminal.catalog() as catalog:
        settings = terminal.settings(catalog, to, production)
        told = how_much_room(catalog, settings, card=card, to=to, production=production)
    terminal.answer(_document(told), _lines(told))
    return ExitCode.WELL if told.fits else ExitCode.FOOTAGE


def hours_words(hours: Fraction) -> str:
    """`12 h`, `2 h 30 min`, `45 min`, `7 s`: rounded down, never more than there is."""
    seconds = int(hours * 3600)
    if seconds < 60:
        return f"{seconds} s"
    minutes = seconds // 60
    if minutes < 60:
        return f"{minutes} min"
    if minutes >= 600:
        return f"{minutes // 60:,} h"
    return f"{minutes // 60} h {minutes % 60} min".removesuffix(" 0 min")


def _document(told: Room) -> dict[str, Any]:
    card = told.card
    return {
        "card": None
        if card is None
        else {
            "root": card.root,
            "files": card.files,
            "bytes": card.bytes,
            "seem_known": card.seem_known,
        },
        "fits": told.fits,
        "drives": [
            {
                "drive": one.name,
                "root": one.root,
                "free": one.free,
                "total": one.total,
                "needed": one.needed,
                "fits": one.fits,
                "hours": {letter: round(float(hours), 3) for letter, hours in one.hours},
            }
            for one in told.drives
        ],
        "rates": {
            letter: None
            if rate is None
            else {
                "bytes_per_second": int(rate.bytes_per_second),
                "measured": rate.measured,
                "basis": rate.basis,
            }
            for letter, rate in told.rates.items()
        },
        "stills": dict(told.stills),
    }


def _lines(told: Room) -> Iterator[str]:
    card = told.card
    if card is not None:
        yield f"{whole(card.root)}: {counted(card.files, 'file')}, {size(card.bytes)}"
        if card.seem_known:
            yield (
                f"  {counted(card.seem_known, 'file')} of it may be in already (by name and size), "
                "and counted too."
            )
    for one in told.drives:
        yield _drive_line(one, told)
        for letter, hours in one.hours:
            yield f"    {shown(letter)}: {hours_words(hours)}{' after it' if card else ''}"
        for letter, each in told.stills.items():
            if each:
                left = max(0, one.free - one.needed) // each
                yield f"    {shown(letter)}: {counted(left, 'picture')}"
    if told.rates or told.stills:
        yield "Data rates"
    for letter, rate in told.rates.items():
        if rate is None:
            what = "size, bit_depth and codec"
            yield f"  {shown(letter)}: not known yet. Do: say {what} in ingest.toml"
        else:
            yield f"  {shown(letter)}: {size(rate.bytes_per_hour)} an hour; {rate.basis}"
    for letter, each in told.stills.items():
        yield f"  {shown(letter)}: {f'{size(each)} a picture' if each else 'not known yet'}"
    if not told.fits:
        yield "Do: name a drive with more room with --to, or make room on this one"


def _drive_line(one: DriveRoom, told: Room) -> str:
    free = f"{size(one.free)} of {size(one.total)} free"
    if told.card is None:
        return f"  {shown(one.name)}: {free}"
    if one.fits:
        return f"  {shown(one.name)}: FITS, {free}, {size(one.free - one.needed)} left after it"
    from ingest.jobs.fitting import BESIDES

    return (
        f"! {shown(one.name)}: DOES NOT FIT, {free}, {size(one.needed)} needed "
        f"({size(one.needed - told.card.bytes)} of it for {BESIDES})"
    )
