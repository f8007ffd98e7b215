"""Completion in the shell: names of rolls, drives, scenes and so on, from the catalog.

A name that is asked for by an option or argument of one of `KNOWN`'s names is completed in every
command. The catalog is only read; when it can't be, nothing is offered.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable, Mapping
from typing import TYPE_CHECKING

import click
from click.shell_completion import (
    BashComplete,
    CompletionItem,
    FishComplete,
    add_completion_class,
)

if TYPE_CHECKING:
    from ingest.catalog.catalog import Catalog

__all__ = ["KNOWN", "KnownName", "take_our_shells", "with_completion"]

_Names = Callable[["Catalog"], Iterable[str]]


def _rolls(catalog: Catalog) -> Iterable[str]:
    return (roll.name for roll in catalog.rolls())


def _productions(catalog: Catalog) -> Iterable[str]:
    return catalog.productions()


def _drives(catalog: Catalog) -> Iterable[str]:
    return (drive.name for drive in catalog.drives())


def _cameras(catalog: Catalog) -> Iterable[str]:
    return (roll.camera for roll in catalog.rolls() if roll.camera)


def _cards(catalog: Catalog) -> Iterable[str]:
    return (card.label for card in catalog.cards_known())


def _scenes(catalog: Catalog) -> Iterable[str]:
    for production in catalog.productions():
        yield from (row.scene for row in catalog.slate(production))


def _clips(catalog: Catalog) -> Iterable[str]:
    return (clip.full_name for clip in catalog.clips(catalog.rolls()))


KNOWN: Mapping[str, _Names] = {
    "camera": _cameras,
    "cameras": _cameras,
    "clip": _clips,
    "drive": _drives,
    "drives": _drives,
    "labels": _cards,
    "production": _productions,
    "roll": _rolls,
    "rolls": _rolls,
    "scene": _scenes,
    "source": _drives,
    "sticker": _cards,
    "to": _drives,
    "words": _scenes,
}
"""By the name of the option or argument."""

_FOLDERS = frozenset({"drive", "drives", "to", "source"})
"""A folder will do for these as well."""


class KnownName(click.types.StringParamType):
    """A text of which the catalog knows some."""

    def __init__(self, names: _Names, *, folders: bool = False) -> None:
        self._names, self._folders = names, folders

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        """Known names that begin so, case apart; folders where one will do."""
        begun = incomplete.casefold()
        place = ctx.params.get("catalog") or os.environ.get("INGEST_CATALOG") or None
        found = [
            CompletionItem(name)
            for name in _asked(self._names, place)
            if name.isprintable() and name.casefold().startswith(begun)
        ]
        return [*([CompletionItem(incomplete, type="dir")] if self._folders else []), *found]


def _asked(names: _Names, place: str | None) -> list[str]:
    """The names, sorted; none when the catalog can't be read: a Tab key never shows an error."""
    from ingest.catalog.catalog import Catalog
    from ingest.errors import IngestError

    try:
        catalog = Catalog.open_existing(place)
        if catalog is None:
            return []
        with catalog:
            return sorted(set(names(catalog)))
    except IngestError:
        return []


def with_completion(command: click.Command) -> click.Command:
    """The command, its options and arguments completed from the catalog by their names."""
    for param in command.params:
        names = KNOWN.get(param.name or "")
        if names is not None and type(param.type) is click.types.StringParamType:
            param.type = KnownName(names, folders=param.name in _FOLDERS)
    return command


class _Bash(BashComplete):
    """Click's own completion for bash inserts a name as it is; one with a blank in it must be
    inserted so that it stays one word."""

    def format_completion(self, item: CompletionItem) -> str:
        """One answer in the protocol of click's script: type, comma, value."""
        value = re.sub(r"([^\w@%+=:,./~-])", r"\\\1", item.value) if item.type == "plain" else ""
        return f"{item.type},{value or item.value}"


class _Fish(FishComplete):
    """Click's own script for fish cuts a name off at its comma."""

    source_template = FishComplete.source_template.replace(
        'string split ","', 'string split --max 1 ","'
    )


def take_our_shells() -> None:
    """Let click complete by what is put right here."""
    add_completion_class(_Bash, "bash")
    add_completion_class(_Fish, "fish")
