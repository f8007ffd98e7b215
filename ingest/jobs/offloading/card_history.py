"""Hash lists that a card brings along: checked before anything is copied, and kept.

A broken history is told in one line and is no reason not to copy.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from ingest.copying.reading import open_root
from ingest.copying.tree import Tree
from ingest.manifest.kept import in_history
from ingest.names import shown
from ingest.wording import counted

if TYPE_CHECKING:
    from ingest.assurance.audit import Expected
    from ingest.manifest.history import History

__all__ = ["CardHistory", "card_histories", "differing", "history_lines", "kinds_needed"]


@dataclass(frozen=True, slots=True)
class CardHistory:
    """One history on a card."""

    place: str
    """Its folder, relative to the card's top; empty: the top."""
    lists: int
    problems: tuple[str, ...]
    """What is wrong with it, a line each."""
    expected: Mapping[str, Expected]
    """What its sound lists say, by path relative to the card's top."""


def card_histories(root: str, paths: Iterable[str]) -> tuple[CardHistory, ...]:
    """The histories on a card whose files are `paths`. Raises OSError when the card fails."""
    if not any(in_history(path) for path in paths):
        return ()
    # Few cards bring a history, and reading one takes much to load.
    from ingest.assurance.listed import listed_folders
    from ingest.manifest.history import read_history

    handle = open_root(root)
    try:
        with Tree(handle) as tree:
            return tuple(
                _of(place, read_history(tree.folder(place))) for place in listed_folders(handle)
            )
    finally:
        os.close(handle)


def _of(place: str, history: History) -> CardHistory:
    from ingest.assurance.listed import expected_from
    from ingest.manifest.history import Trouble

    prefix = f"{place}/" if place else ""
    return CardHistory(
        place,
        len(history.generations),
        tuple(str(one) for one in history.problems if one.trouble is not Trouble.ODD_LIST),
        {prefix + path: expected for path, expected in expected_from(history).items()},
    )


def kinds_needed(histories: Sequence[CardHistory], kinds: Sequence[str]) -> tuple[str, ...]:
    """Checksum kinds besides `kinds` without which some listed file could not be compared."""
    more: dict[str, None] = {}
    for history in histories:
        for expected in history.expected.values():
            if not any(kind in expected.digests for kind in (*kinds, *more)):
                from ingest.assurance.audit import kind_to_compare

                kind = kind_to_compare(expected.digests)
                if kind is not None:
                    more[kind] = None
    return tuple(more)


def differing(expected: Expected, digests: Mapping[str, str]) -> str | None:
    """The first kind in which a file is not what a list says; None when none is."""
    for kind, digest in digests.items():
        said = expected.digests.get(kind)
        if said is not None and said != digest:
            return kind
    return None


def history_lines(histories: Sequence[CardHistory]) -> list[str]:
    """A line for each history, the broken ones with what is wrong first."""
    lines = []
    for history in histories:
        where = shown(history.place) if history.place else "its top folder"
        if history.problems:
            more = f" (and {len(history.problems) - 1} more)" if len(history.problems) > 1 else ""
            lines.append(
                f"the card's own hash lists in {where} are broken: {history.problems[0]}{more}; "
                "kept as they are"
            )
        else:
            lines.append(
                f"{counted(history.lists, 'hash list')} of the card in {where}, in order; kept"
            )
    return lines
