"""`ingest kit`: what to pack for tomorrow, as a list to print."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import click

from ingest.cli.room import hours_words
from ingest.cli.terminal import Terminal, job
from ingest.errors import ExitCode, UsageError
from ingest.names import shown, typed
from ingest.wording import counted, size

if TYPE_CHECKING:
    from ingest.assurance.kit import CardKit, DeviceKit, DriveKit, Kit

__all__ = ["command"]


@job("kit")
@click.option(
    "--hours", multiple=True, metavar="A=2", help="Hours of footage of a device (repeatable)."
)
@click.option(
    "--card-size", multiple=True, metavar="A=256", help="GB of a device's cards (repeatable)."
)
@click.option("--production", metavar="NAME", help="Of several productions, this one.")
def command(
    terminal: Terminal, hours: tuple[str, ...], card_size: tuple[str, ...], production: str | None
) -> int:
    """What to pack for tomorrow: cards and drives, a line for every device. Print it and tick it.

    Hours that aren't said come from the shot list, else from the fullest day so far; a quarter is
    added. No card is looked at here: before one is formatted, ingest reuse looks at it again.

    \b
    Exit: 0 enough is known to be ready, 3 something is to be found.
    """
    from datetime import UTC, datetime

    from ingest.jobs.kit import pack

    asked = dict(map(_pair("--hours"), hours))
    sizes = {letter: int(value * 10**9) for letter, value in map(_pair("--card-size"), card_size)}
    with terminal.catalog() as catalog:
        settings = terminal.settings(catalog, production=production)
        told = pack(
            catalog,
            settings,
            datetime.now(UTC),
            hours=asked,
            card_bytes=sizes,
            production=production,
        )
    terminal.answer(_document(told), _lines(told))
    return ExitCode.WELL if told.well else ExitCode.FOOTAGE


def _pair(option: str) -> Any:
    def read(text: str) -> tuple[str, Fraction]:
        letter, sign, value = text.partition("=")
        try:
            number = Fraction(value.strip())
        except (ValueError, ZeroDivisionError):
            number = Fraction(-1)
        if not sign or not letter.strip() or not 0 <= number <= 100_000:
            raise UsageError(
                f"{option} {shown(text)} is not a letter and a number.", do=f"{option} A=2"
            )
        return letter.strip(), number

    return read


def _document(told: Kit) -> dict[str, Any]:
    return {
        "day": told.day,
        "devices": [
            {
                "device": one.letter,
                "kind": one.kind,
                "name": one.name or None,
                "hours": round(float(one.hours.hours), 3) if one.hours is not None else None,
                "hours_because": one.hours.because if one.hours is not None else None,
                "bytes_per_second": int(one.rate.bytes_per_second) if one.rate else None,
                "rate_basis": one.rate.basis if one.rate is not None else None,
                "bytes": one.bytes,
                "card_bytes": one.card_bytes,
                "cards_needed": one.needed,
                "cards_ready": len(one.ready),
                "cards_short": one.short,
                "cards": [_card_document(card) for card in one.cards],
            }
            for one in told.devices
        ],
        "other_cards": [_card_document(card) for card in told.other_cards],
        "bytes": told.bytes,
        "copies": told.copies,
        "drives": [
            {
                "drive": one.name,
                "place": one.place or None,
                "free": one.free,
                "enough": None if one.free is None else one.free >= told.bytes,
                "audit_due": one.audit_due or None,
            }
            for one in told.drives
        ],
        "drives_with_room": len(told.with_room),
    }


def _card_document(card: CardKit) -> dict[str, Any]:
    return {
        "card": card.label,
        "state": card.state.value,
        "why": card.why,
        "reasons": [{"why": reason.why, "do": reason.do} for reason in card.reasons],
        "due": card.due.isoformat() if card.due is not None else None,
    }


def _lines(told: Kit) -> Iterator[str]:
    yield f"KIT FOR DAY {told.day}"
    yield ""
    for one in told.devices:
        yield from _device_lines(one)
    if told.other_cards:
        yield "Other cards"
        yield from map(_card_line, told.other_cards)
        yield ""
    total = f"{size(told.bytes)} each" if told.bytes else "how much isn't known"
    left_out = f", without {', '.join(map(shown, told.unknown))}" if told.unknown else ""
    yield f"Drives: {told.copies} with room for {total}{left_out}"
    for drive in told.drives:
        yield _drive_line(drive, told)
        if drive.audit_due:
            yield f"      due for an audit ({drive.audit_due}): ingest audit {typed(drive.name)}"
    lacking = told.copies - len(told.with_room)
    if lacking > 0:
        away = any(drive.free is None for drive in told.drives)
        how = "plug in those that aren't here, or bring new ones" if away else "bring new ones"
        yield f"  [ ] {counted(lacking, 'drive')} more: {how}"
    yield ""
    yield "Before a card is formatted: ingest reuse CARD, which looks at it again."


def _device_lines(one: DeviceKit) -> Iterator[str]:
    name = f"{shown(one.letter)} {shown(one.name)}".strip()
    if not one.cards:
        take = counted(one.needed, "card") if one.needed != 1 else "1"
        yield f"{name}: no card known, take {take}" if one.needed else f"{name}: no card needed"
    else:
        yield (
            f"{name}: {counted(one.needed, 'card')} needed, {len(one.ready)} ready"
            f"{f', {one.short} to find' if one.short else ''}"
        )
    if one.hours is not None and one.rate is not None and one.bytes is not None:
        yield (
            f"    {hours_words(one.hours.hours)} ({one.hours.because}) and a quarter more: "
            f"{size(one.bytes)}"
        )
        yield f"    {one.rate.basis}"
        if one.card_bytes and one.size_said:
            yield f"    cards of {size(one.card_bytes)}"
        elif one.card_bytes and one.needed > 1:
            yield f"    as if its cards held {size(one.card_bytes)}, the most that one gave;"
            yield f"    say how large they are: --card-size {shown(one.letter)}=GB"
    elif one.kind != "stills" and one.rate is None:
        yield "    its data rate isn't known yet"
    yield from map(_card_line, one.cards)
    if one.short:
        yield f"  [ ] {counted(one.short, 'card')} to find, empty"
    yield ""


def _card_line(card: CardKit) -> str:
    due = f"; due back {card.due.isoformat()}" if card.due is not None else ""
    box = "[ ]" if card.state.value in ("ready", "never in") else " ! "
    return f"  {box} {shown(card.label)}: {card.state.value} ({card.why}){due}"


def _drive_line(drive: DriveKit, told: Kit) -> str:
    place = f" ({shown(drive.place)})" if drive.place else ""
    if drive.free is None:
        return f"  [ ] {shown(drive.name)}{place}: not here, its room isn't known"
    enough = "" if drive.free >= told.bytes else ", NOT ENOUGH"
    return f"  [ ] {shown(drive.name)}{place}: {size(drive.free)} free{enough}"
