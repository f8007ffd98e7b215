"""Folders of corrected rolls, renamed on drives that were away: what several commands do first."""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterable
from typing import TYPE_CHECKING

from ingest.names import shown
from ingest.wording import whole

if TYPE_CHECKING:
    from ingest.catalog.catalog import Catalog
    from ingest.cli.terminal import Terminal

__all__ = ["settle"]


def settle(terminal: Terminal, catalog: Catalog, places: Iterable[str] = ()) -> None:
    """Rename what corrected rolls owe on the drives that are here, and say so on standard error.
    `places`: drives as they were named, folders among them."""
    if not catalog.moves_owed():
        return
    from ingest.jobs.custody.moving import settle as rename_owed

    folders = [place for place in places if os.path.isdir(place)]
    for moved in rename_owed(catalog, terminal.observer(), lambda: secrets.token_hex(8), folders):
        was, now = whole(moved.move.origin), whole(moved.move.wanted)
        if moved.trouble:
            terminal.note(f"{shown(moved.drive)}: {was} keeps its name: {shown(moved.trouble)}")
            terminal.note(f"Do: {shown(moved.do)}")
        else:
            terminal.note(f"{shown(moved.drive)}: {was} is called {now} now, as corrected")
