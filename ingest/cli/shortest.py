"""`ingest offload` and Enter: what is found is shown in six lines, and `e` changes one of them."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import click

from ingest.cli.answers import LETTER
from ingest.cli.wish import Wish
from ingest.errors import IngestError, UsageError
from ingest.jobs.offloading.at_a_glance import glance_lines
from ingest.jobs.offloading.pace import past_rates
from ingest.jobs.offloading.shortest import (
    LastUse,
    proposed_cards,
    proposed_drives,
    proposed_production,
    what_is_uncertain,
)
from ingest.names import shown

if TYPE_CHECKING:
    from ingest.catalog.catalog import Catalog
    from ingest.cli.terminal import Terminal
    from ingest.jobs.offloading.values import Plan
    from ingest.settings import Settings

__all__ = ["agreed", "completed", "refuse_guesses"]

_Prepare = Callable[["Wish"], list["Plan"]]


def completed(
    terminal: Terminal,
    catalog: Catalog,
    settings: Settings,
    wish: Wish,
    *,
    asking: bool,
) -> Wish:
    """The wish with cards, drives and production found. Where something would be a guess it is
    asked (`asking`: a person sits here), else UsageError names the option."""
    from ingest.drives import look_at
    from ingest.jobs.around import look_around
    from ingest.jobs.settings_here import drives_bearing

    around = look_around(catalog)
    last = _last_use(catalog)
    here = {one.drive.id for one in around.drives}
    if wish.production is None:
        now = datetime.now(UTC)
        from_drive = settings.place in {
            f"{one.seen.root}/ingest.toml" for one in around.drives if one.seen is not None
        } | {f"{one.root}/ingest.toml" for one in around.strangers}
        proposed = proposed_production(settings, from_drive, last, here, now)
        if proposed is None:
            raise UsageError(
                "Which production is this card from? It is never guessed from a card.",
                do='say --production "NAME", or begin it with ingest start',
            )
        name = proposed.name
        if proposed.ask:
            if not asking:
                raise UsageError(
                    f"Is it {shown(name)}? {proposed.ask[0].upper()}{proposed.ask[1:]}.",
                    do=f'say --production "{shown(name)}"',
                )
            terminal.note(f"{proposed.ask[0].upper()}{proposed.ask[1:]}.")
            name = _asked("Production", name)
        wish = replace(wish, production=name, because=proposed.because)
    if not wish.to:
        production = wish.production or ""
        places = catalog.drive_places()
        bearing = drives_bearing(around.drives, production)
        to = proposed_drives(around, settings, production, last, places, bearing)
        wish = replace(wish, to=to)
    if not wish.cards:
        devices = {look_at(_root(catalog, name)).st_dev for name in wish.to}
        wish = replace(wish, cards=proposed_cards(around, devices))
    return wish


def refuse_guesses(plans: Sequence[Plan]) -> None:
    """Raise UsageError naming the option where something in the plans would be a guess."""
    for doubt in what_is_uncertain(plans):
        raise UsageError(f"{doubt.what[0].upper()}{doubt.what[1:]}.", do=f"say {doubt.option}")


def agreed(terminal: Terminal, catalog: Catalog, wish: Wish, prepare: _Prepare) -> list[Plan]:
    """The plans that a person has said yes to, after as many changes as they like."""
    plans = prepare(wish)
    while True:
        rates = past_rates(catalog.offloads(catalog.rolls()))
        pasts = {drive.name: rates[drive.id] for drive in catalog.drives() if drive.id in rates}
        doubts = list(what_is_uncertain(plans))
        width = shutil.get_terminal_size().columns
        for line in glance_lines(plans, wish.because, pasts, doubts, width):
            terminal.note(line)
        answer = _asked("Enter starts, e changes one, Ctrl-C leaves everything as it is", "")
        if not answer:
            sys.stderr.flush()
            return plans
        if answer.casefold() != "e":
            continue
        try:
            changed = _changed(wish, plans)
            plans, wish = prepare(changed), changed
        except IngestError as error:
            for line in error.lines():
                terminal.note(shown(line))


def _changed(wish: Wish, plans: Sequence[Plan]) -> Wish:
    """The wish with one thing asked anew."""
    click.echo("1 card  2 production  3 day  4 roll  5 camera  6 drives", err=True)
    which = _asked("Which?", "")
    match which:
        case "1":
            cards = _several("Card, or cards with commas", wish.cards)
            return replace(wish, cards=cards, rolls=(), cameras=(), labels=())
        case "2":
            name = _asked("Production", plans[0].production)
            return replace(wish, production=name, because="as said")
        case "3":
            day = _asked("Day", str(plans[0].day))
            if not day.isdecimal():
                raise UsageError(f"A shoot day is a number, not {shown(day)}.")
            return replace(wish, day=int(day))
        case "4":
            rolls = tuple(_asked(f"Roll of {shown(p.card.label)}", p.roll) for p in plans)
            return replace(wish, rolls=rolls)
        case "5":
            return replace(wish, cameras=tuple(map(_camera, plans)), rolls=())
        case "6":
            return replace(wish, to=_several("Drives, with commas", wish.to))
        case _:
            raise UsageError("Nothing was changed.", do="a number from 1 to 6")


def _camera(plan: Plan) -> str:
    """The letter that a person gives the card's camera; empty: not known. A card that carries a
    roll on has that roll's."""
    if plan.joins is not None:
        return plan.camera or ""
    told = _asked(f"Camera of {shown(plan.card.label)}", plan.camera or "").upper()
    if told and not LETTER.fullmatch(told):
        raise UsageError(
            f"A camera has a letter, not {shown(told)}.", do="A, or A2 where letters run out"
        )
    return told


def _several(question: str, now: Sequence[str]) -> tuple[str, ...]:
    said = _asked(question, ", ".join(now))
    if said == ", ".join(now):
        return tuple(now)
    return tuple(part.strip() for part in said.split(",") if part.strip())


def _asked(question: str, default: str) -> str:
    suffix = " " if not default else ": "
    told = click.prompt(
        question, default=default, show_default=bool(default), prompt_suffix=suffix, err=True
    )
    return str(told).strip()


def _root(catalog: Catalog, name: str) -> str:
    from ingest.jobs.offloading.preparing import place_of_drive

    return place_of_drive(catalog, name)


def _last_use(catalog: Catalog) -> LastUse:
    at: dict[str, datetime] = {}
    on: dict[str, set[int]] = {}
    rolls = catalog.rolls()
    for offload in catalog.offloads(rolls):
        name = offload.roll.production
        at[name] = max(offload.started, at.get(name, offload.started))
        if offload.end is not None:
            on.setdefault(name, set()).update(drive.drive_id for drive in offload.end.drives)
    return LastUse(at, on)
