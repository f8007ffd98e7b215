"""`ingest cards`: the cards that came in, and what was written down about them."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime
from typing import TYPE_CHECKING, Any

import click

from ingest.cli.drives import age, changes_document, history_lines
from ingest.cli.terminal import Overview, Terminal, job
from ingest.errors import ExitCode
from ingest.names import shown

if TYPE_CHECKING:
    from ingest.catalog.custody_records import CardKnown, Change

__all__ = ["command"]


@job("cards")
@click.option("--history", is_flag=True, help="Everything that was written down about each.")
def _bare(terminal: Terminal, history: bool) -> int:
    """The cards that are known by their stickers: what each gave, and when it is due back.

    Whether a card may be formatted is not said here: ingest reuse looks at it again for that.

    Exit: 0; 3 when a card is overdue.
    """
    from datetime import UTC

    from ingest.catalog.custody_records import About
    from ingest.jobs.known import roll_overviews

    now = datetime.now(UTC)
    today = now.astimezone().date()
    with terminal.catalog() as catalog:
        cards = catalog.cards_known()
        states = {one.roll.id: one.state for one in roll_overviews(catalog, catalog.rolls(), now)}
        changes: dict[str, list[Change]] = {}
        for change in catalog.changes(About.CARD):
            changes.setdefault(change.subject, []).append(change)
    documents: list[dict[str, Any]] = []
    lines: list[str] = []
    for card in cards:
        told = changes.get(card.subject, [])
        documents.append({**_document(card, states, today), "history": changes_document(told)})
        lines += _lines(card, states, now, today)
        lines += history_lines(told) if history else []
    terminal.answer({"cards": documents}, lines or ["No card is in yet. Do: ingest offload"])
    return ExitCode.FOOTAGE if any(_overdue(card, today) for card in cards) else ExitCode.WELL


@job("set", short_help="Label a card; say when it is due, or that it went back.")
@click.argument("sticker", metavar="CARD")
@click.option("--label", metavar="LABEL", help="The sticker that it bears now.")
@click.option("--due", metavar="DATE", help='When it must be back at the rental house; "" for not.')
@click.option("--returned", is_flag=True, help="It went back.")
@click.option(
    "--built-in/--not-built-in", default=None, help="Memory built into a device: no card to return."
)
@click.option("--new", is_flag=True, help="Write down a card that never came in.")
def _set(terminal: Terminal, sticker: str, **wish: Any) -> int:
    """Write down a CARD's sticker, when it is due back, that it went back, or is built in.

    Each change is dated, with who made it on which machine, and its history is kept. With no
    option: what was written down so far.
    """
    from datetime import UTC

    from ingest.jobs.custody.cards import CardChange, set_card
    from ingest.jobs.known import roll_overviews

    now = datetime.now(UTC)
    today = now.astimezone().date()
    with terminal.catalog() as catalog:
        after, history = set_card(catalog, sticker, CardChange(**wish), terminal.observer())
        states = {one.roll.id: one.state for one in roll_overviews(catalog, after.rolls, now)}
    terminal.answer(
        {**_document(after, states, today), "history": changes_document(history)},
        [*_lines(after, states, now, today), *history_lines(history)],
    )
    return ExitCode.WELL


command = Overview(_bare)
command.add_command(_set)


def _overdue(card: CardKnown, today: date) -> bool:
    return card.due is not None and card.due < today and card.returned is None


def _state(card: CardKnown, states: dict[int, str]) -> str:
    """The most urgent state of the rolls that it gave last."""
    if not card.rolls:
        return "never in"
    return states.get(card.rolls[-1].id, "unverified")


def _document(card: CardKnown, states: dict[int, str], today: date) -> dict[str, Any]:
    return {
        "card": card.label,
        "state": _state(card, states),
        "camera": card.camera,
        "rolls": [f"{roll.production}/{roll.name}" for roll in card.rolls],
        "last_in": card.last_in.isoformat() if card.last_in is not None else None,
        "due": card.due.isoformat() if card.due is not None else None,
        "overdue": _overdue(card, today),
        "returned": card.returned.isoformat() if card.returned is not None else None,
        "built_in": card.built_in,
    }


def _lines(card: CardKnown, states: dict[int, str], now: datetime, today: date) -> Iterator[str]:
    parts = []
    if card.last_in is not None:
        camera = f", camera {shown(card.camera)}" if card.camera else ""
        parts.append(f"last in {age(card.last_in, now)} as {shown(card.rolls[-1].name)}{camera}")
    else:
        parts.append("never came in")
    if card.built_in:
        parts.append("built into its device")
    if card.returned is not None:
        parts.append(f"returned {card.returned:%Y-%m-%d}")
    elif card.due is not None:
        parts.append(f"{'OVERDUE since' if _overdue(card, today) else 'due back'} {card.due}")
    yield f"{shown(card.label)}: {'; '.join(parts)}"
    if card.rolls:
        rolls = ", ".join(
            f"{shown(roll.name)} ({states.get(roll.id, 'unverified')})" for roll in card.rolls
        )
        yield f"  gave {rolls}"
