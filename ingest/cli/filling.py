"""Fills a drive from other drives, with bars, until it is done or somebody stops it."""

from __future__ import annotations

import secrets
import threading
from collections.abc import Sequence
from typing import TYPE_CHECKING

from ingest.cli.stopping import progress, stopping
from ingest.cli.terminal import Terminal
from ingest.platforms.awake import awake

if TYPE_CHECKING:
    from ingest.catalog.catalog import Catalog
    from ingest.jobs.further.values import RollPlan, RollResult, Target

__all__ = ["fill"]


def fill(
    terminal: Terminal,
    catalog: Catalog,
    target: Target,
    rolls: Sequence[RollPlan],
    why: str,
    *,
    owed: int | None = None,
    take_over: bool,
) -> tuple[tuple[RollResult, ...], bool]:
    """What came of each roll, and whether it was stopped. `why`: what the machine is told to stay
    awake for. `owed`: bytes to be written, where that is less than all."""
    from ingest.jobs.further.running import run_rolls

    stop = threading.Event()
    whole = sum(one.bytes for one in rolls)
    with (
        stopping(stop),
        awake(why),
        progress(
            terminal, ("drives", whole), (target.name, whole if owed is None else owed)
        ) as tell,
    ):
        results = run_rolls(
            target,
            rolls,
            catalog,
            terminal.observer(),
            run=secrets.token_hex(8),
            tell=tell,
            stop=stop,
            take_over=take_over,
        )
    return results, stop.is_set()
