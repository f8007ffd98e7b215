"""The offload that was typed: its plan shown, run and told."""

from __future__ import annotations

import os
import secrets
import shutil
import sys
import threading
from collections.abc import Callable, Mapping, Sequence
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from ingest.cli.bars import CopyBars, CopyLines
from ingest.cli.settling import settle
from ingest.cli.stopping import confirm, stopping
from ingest.cli.terminal import Terminal
from ingest.cli.wish import Wish
from ingest.copying.head_start import HeadStart
from ingest.copying.values import Action, Event
from ingest.errors import ExitCode, UsageError
from ingest.jobs.offloading.ending import ending_lines
from ingest.jobs.offloading.telling import (
    battery_line,
    document,
    exit_code,
    plan_document,
    plan_lines,
)
from ingest.jobs.offloading.together import prepare_all, run_all
from ingest.jobs.offloading.values import Confirming, Phase, Plan, Request, Result
from ingest.names import shown
from ingest.platforms.awake import awake, on_battery
from ingest.settings import Settings
from ingest.wording import counted, size

__all__ = ["offload"]


def offload(
    terminal: Terminal,
    cards: tuple[str, ...],
    to: tuple[str, ...],
    rolls: tuple[str, ...],
    cameras: tuple[str, ...],
    labels: tuple[str, ...],
    dry_run: bool,
    yes: bool,
    options: Mapping[str, Any],
    head_starts: Sequence[HeadStart],
) -> int:
    """Plan, confirm, run and tell; the exit code. The options as `ingest offload` declares
    them; `head_starts`: one for each of `cards`, or none."""
    short = not cards or not to
    asking = terminal.interactive and not yes and not dry_run
    wish = Wish(cards, to, options["production"], options["day"], rolls, cameras, labels)
    with terminal.catalog() as catalog:
        settings = terminal.settings(catalog, to, options["production"], everywhere=short)
        if short:
            from ingest.cli.shortest import agreed, completed, refuse_guesses

            wish = completed(terminal, catalog, settings, wish, asking=asking)
        if not dry_run:
            settle(terminal, catalog, wish.to)

        def prepare(wish: Wish) -> list[Plan]:
            requests = _requests(settings, wish, options)
            return prepare_all(requests, catalog, _confirming(terminal))

        plans = agreed(terminal, catalog, wish, prepare) if short and asking else prepare(wish)
        if dry_run:
            documents = [plan_document(plan) for plan in plans]
            lines = [line for plan in plans for line in plan_lines(plan)]
            terminal.answer(_joined(documents), lines)
            return ExitCode.WELL
        if short and not asking:
            refuse_guesses(plans)
        if not short:
            confirm(terminal, [line for plan in plans for line in plan_lines(plan)], yes=yes)
        if on_battery():
            terminal.note(battery_line(plans, catalog))
    results = _run(terminal, plans, head_starts)
    terminal.answer(
        _joined([document(result) for result in results]),
        ending_lines(results),
    )
    if terminal.interactive:
        sys.stderr.write("\a")
    return max((exit_code(result) for result in results), key=_gravity)


def _requests(settings: Settings, wish: Wish, options: Mapping[str, Any]) -> list[Request]:
    given = (("--roll", wish.rolls), ("--camera", wish.cameras), ("--card", wish.labels))
    for name, said in given:
        if said and len(said) != len(wish.cards):
            raise UsageError(f"{name} is given once for each card, in their order.")
    since = options["since"]
    try:
        begin = date.fromisoformat(since) if since else None
    except ValueError:
        raise UsageError(f"--since takes a date such as 2026-03-14, not {since}.") from None
    read_back = options["read_back"]
    zone = ZoneInfo(settings.time_zone) if settings.time_zone else None
    now = datetime.now().astimezone(zone)
    return [
        Request(
            card=card,
            to=wish.to,
            now=now,
            settings=settings,
            production=wish.production,
            day=wish.day,
            roll=wish.rolls[number] if wish.rolls else None,
            camera=wish.cameras[number] if wish.cameras else None,
            label=wish.labels[number] if wish.labels else None,
            checksums=options["checksums"],
            layout=options["layout"],
            reread=options["reread"],
            deep=options["deep"],
            since=begin,
            same_drive_ok=options["same_drive_ok"],
            system_disk_ok=options["system_disk_ok"],
            take_over=options["take_over"],
            read_back_after=None if read_back is None else read_back == "after",
        )
        for number, card in enumerate(wish.cards)
    ]


def _confirming(terminal: Terminal) -> Callable[[Confirming], None]:
    said: set[int] = set()

    def tell(event: Confirming) -> None:
        if not said:
            said.add(1)
            terminal.note(
                f"{counted(event.files, 'file')} of this card may be in already; read again "
                f"to be sure ({size(event.bytes_total)})"
            )

    return tell


def _run(
    terminal: Terminal, plans: Sequence[Plan], head_starts: Sequence[HeadStart]
) -> list[Result]:
    names = [drive.name for drive in plans[0].drives]
    owed = [
        sum(
            file.size
            for plan in plans
            for file in plan.files
            if plan.drives[number].actions[file.path] is not Action.NOTHING
        )
        for number in range(len(names))
    ]
    cards = [(f"card {plan.roll}", plan.bytes) for plan in plans]
    drives = list(zip(names, owed, strict=True))
    width = shutil.get_terminal_size().columns
    bars = CopyBars(cards, drives, width=width) if terminal.bars else CopyLines(cards, drives)
    stop = threading.Event()

    def tell(card: int, event: Event | Phase) -> None:
        if not isinstance(event, Phase):
            bars.tell(card, event)
        elif event is Phase.CARD_FREE:
            bars.say(f"{shown(plans[card].roll)}: you may take the card out (do not format it)")
        elif event is Phase.SALVAGING:
            bars.say(f"{shown(plans[card].roll)}: reading around the card's bad spots")
        elif event is Phase.REREADING:
            bars.say(f"{shown(plans[card].roll)}: reading the card a second time")
        elif event is Phase.PLANNING_ANEW:
            bars.say(f"{shown(plans[card].roll)}: {event.value}")

    with stopping(stop), awake("ingest is copying cards"), bars:
        bars.say("card still needed" if len(plans) == 1 else "cards still needed")
        return run_all(
            plans,
            terminal.catalog,
            terminal.observer(),
            runs=[secrets.token_hex(8) for _ in plans],
            tell=tell,
            stop=stop,
            head_starts=head_starts,
            poisoned="INGEST_POISON" in os.environ,
        )


def _joined(documents: list[dict[str, Any]]) -> dict[str, Any]:
    if len(documents) == 1:
        return documents[0]
    good = all(one.get("verdict") == "matched" for one in documents)
    return {"verdict": "matched" if good else "problem", "offloads": documents}


def _gravity(code: int) -> int:
    order = [ExitCode.WELL, ExitCode.UNFINISHED, ExitCode.FOOTAGE, ExitCode.STOPPED]
    return order.index(ExitCode(code))
