"""A card that brings a history of its own: how its chain is kept beside the drive's.

Its hash lists are copied as they are, and so is its chain, byte for byte, but under a name of its
own (`card_ascmhl_chain.xml`): the chain in the drive's `ascmhl/` begins with the card's and goes
on with what was done on this drive, so the two can't be one file. Only the history at the top of
a roll is gone on with; those in folders below are footage like any other.
"""

from __future__ import annotations

import os
import re
from dataclasses import dataclass

from ingest.manifest.durable import Durable, OsDurable
from ingest.manifest.files import open_folder, read_chain_file, read_checked
from ingest.manifest.model import CHAIN_NAME, HISTORY_FOLDER, MANIFEST_SUFFIX, BadManifest
from ingest.manifest.reading import read_chain

__all__ = ["CardChain", "begin_with_card", "card_chain", "card_path", "in_history", "kept_path"]

_KEPT = "card_"
_CHAIN = re.compile(rf"({HISTORY_FOLDER})/((?:{_KEPT})*{re.escape(CHAIN_NAME)})", re.IGNORECASE)
_MOST = 4 * 1024 * 1024


@dataclass(frozen=True, slots=True)
class CardChain:
    """What the card's chain names: hash lists that were made before the footage came here."""

    names: frozenset[str] = frozenset()
    problem: str = ""
    """Why the chain can't be gone on with, or empty."""


def kept_path(path: str) -> str:
    """Where a card's file stands in the roll's folder: its own path, but for the chain."""
    found = _CHAIN.fullmatch(path)
    return path if found is None else f"{found[1]}/{_KEPT}{found[2]}"


def card_path(path: str) -> str:
    """The inverse of `kept_path`: what stands there was called so on the card."""
    found = _CHAIN.fullmatch(path)
    if found is None or not found[2].casefold().startswith(_KEPT):
        return path
    return f"{found[1]}/{found[2][len(_KEPT) :]}"


def in_history(path: str) -> bool:
    """Whether a file lies in a history's folder: never listed, whatever the list is of
    (ASC MHL v1.0 section 5.6.1.2, the default ignore pattern `ascmhl`)."""
    return HISTORY_FOLDER in path.split("/")[:-1]


def card_chain(roll_fd: int) -> CardChain:
    """What the card's kept chain says. Writes nothing; raises as `begin_with_card`."""
    return _card_chain(roll_fd, None)


def begin_with_card(roll_fd: int, *, durable: Durable | None = None) -> CardChain:
    """What the card's kept chain says; where the drive has no chain yet, it begins with this one.

    A chain that can't be read is told in the result: the drive's own then begins at 1. Raises
    OSError when the drive fails, BadManifest when the drive's own chain can't be read.
    """
    return _card_chain(roll_fd, durable or OsDurable())


def _card_chain(roll_fd: int, durable: Durable | None) -> CardChain:
    try:
        folder_fd = open_folder(roll_fd, HISTORY_FOLDER)
    except OSError:
        return CardChain()  # whoever writes there says what is wrong
    try:
        data = read_checked(folder_fd, _KEPT + CHAIN_NAME, _MOST)
        names = frozenset(entry.name for entry in read_chain(data).entries)
        if durable is not None and read_chain_file(folder_fd) is None:
            durable.write_new(folder_fd, CHAIN_NAME, data)
        return CardChain(names)
    except FileNotFoundError:
        return CardChain()
    except BadManifest as error:
        lists = {name for name in os.listdir(folder_fd) if name.endswith(MANIFEST_SUFFIX)}
        ours = read_chain_file(folder_fd)
        named = {entry.name for entry in read_chain(ours).entries} if ours is not None else set()
        return CardChain(frozenset(lists - named), f"the card's chain can't be read: {error.what}")
    finally:
        os.close(folder_fd)
