"""Bare `ingest`: cards in, drives in, what is open today. It changes nothing."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from ingest.cli.terminal import Terminal
from ingest.errors import ExitCode
from ingest.names import shown, typed
from ingest.wording import counted, listed, size, whole

if TYPE_CHECKING:
    from ingest.jobs.standing import CardIn, DriveIn, Standing
    from ingest.settings import Settings

__all__ = ["show_now"]

_MOST = 5
"""Open things on one screen of 24 rows."""
_BRIEF = 80
"""Characters of a reason that fit there; longer ones are for ingest wrap."""


def show_now(terminal: Terminal) -> int:
    """Show where things stand. Exit: 0; 3 when something is open."""
    from ingest.jobs.standing import where_things_stand

    catalog = terminal.existing_catalog()
    try:
        settings = terminal.settings(catalog, everywhere=True)
        zone = ZoneInfo(settings.time_zone) if settings.time_zone else None
        standing = where_things_stand(catalog, settings, datetime.now().astimezone(zone))
        place = catalog.place if catalog is not None else None
    finally:
        if catalog is not None:
            catalog.close()
    terminal.answer(
        _document(standing, settings, place), _lines(standing, settings, there=place is not None)
    )
    return ExitCode.FOOTAGE if standing.open else ExitCode.WELL


def _document(standing: Standing, settings: Settings, place: str | None) -> dict[str, Any]:
    return {
        "production": settings.production,
        "day": standing.day,
        "date": standing.date.isoformat(),
        "catalog": place,
        "cards": [
            {
                "card": card.label,
                "root": card.root,
                "files": card.files,
                "bytes": card.bytes,
                "seems": card.seems or None,
                "new": card.new,
            }
            for card in standing.cards
        ],
        "drives": [
            {
                "drive": drive.name,
                "root": drive.root,
                "free": drive.free,
                "known": drive.here is not None,
            }
            for drive in standing.drives
        ],
        "others": [{"root": one.root, "free": one.free} for one in standing.others],
        "rolls_today": list(standing.rolls_today),
        "open": [
            {"kind": one.kind, "what": one.what, "because": one.because or None, "do": one.do}
            for one in standing.open
        ],
    }


def _lines(standing: Standing, settings: Settings, *, there: bool) -> Iterator[str]:
    day = f", day {standing.day}" if standing.day is not None else ""
    name = shown(settings.production) if settings.production else "No production is named here"
    yield f"{name}{day} ({standing.date.isoformat()})"
    yield "Cards in" if standing.cards else "Cards in: none"
    for card in standing.cards:
        yield f"  {shown(card.label)}: {counted(card.files, 'file')}, {size(card.bytes)}"
        yield f"      {_card_words(card)}"
    yield "Drives in" if standing.drives else "Drives in: none"
    for drive in standing.drives:
        yield f"  {shown(drive.name)}: {_drive_words(drive)}"
        yield from _standing_lines(drive)
    if standing.others:
        yield "Neither card nor drive (ingest start makes it a drive)"
    for other in standing.others[:_MOST]:
        yield f"  {whole(other.root)}: {size(other.free)} free"
    if not there:
        yield "Nothing came in yet; the catalog is made by the first command that needs it."
        yield "Do: ingest start" if settings.production is None else "Do: ingest offload"
        return
    rolls = listed(standing.rolls_today, 8) if standing.rolls_today else "none yet"
    yield f"In today: {rolls}"
    yield "Open" if standing.open else "Open: nothing that is known here"
    for one in standing.open[:_MOST]:
        because = f" ({one.because})" if 0 < len(one.because) <= _BRIEF else ""
        yield f"  ! {one.what}{because}"
        yield f"    Do: {one.do}"
    if len(standing.open) > _MOST:
        yield f"  and {len(standing.open) - _MOST} more: ingest wrap"
    if any(not card.seems or card.new for card in standing.cards):
        yield "Do: ingest offload"


def _card_words(card: CardIn) -> str:
    if not card.seems:
        return "nothing of it is in"
    new = f", {counted(card.new, 'file')} not" if card.new else ""
    return f"seems to be in as {shown(card.seems)}{new}; only ingest reuse says whether it may go"


def _drive_words(drive: DriveIn) -> str:
    if drive.here is None:
        return f"marked by another catalog, at {whole(drive.root)}"
    if drive.here.doubt:
        return f"! {drive.here.doubt}"
    free = f"{size(drive.free)} free, " if drive.free is not None else ""
    where = drive.place.where if drive.place is not None else None
    place = f"; its place is {shown(where)}" if where else ""
    return f"{free}at {whole(drive.root)}{place}"


def _standing_lines(drive: DriveIn) -> Iterator[str]:
    """That it is here, and was written down as being on its way, dead or lost."""
    from ingest.catalog.custody_records import Standing as DriveStanding

    if drive.place is not None and drive.place.standing is not DriveStanding.KEPT:
        yield f"      ! written down as {drive.place.standing}; if it is back:"
        yield f"        ingest drives set {typed(drive.name)} --received"
