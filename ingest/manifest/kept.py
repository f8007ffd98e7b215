"""A card that brings a history of its own: how its chain is kept beside the drive's.

Its hash lists are copied as they are, and so is its chain, byte for byte, but under a name of its
own (`card_ascmhl_chain.xml`): the chain in the drive's `ascmhl/` begins with the card's and goes
on with what was done on this drive, so the two can't be one file. Only the history at the top of
a roll is gone on with; those in folders below are footage like any other.
"""

from __future__ import annotations

import re

from ingest.manifest.model import CHAIN_NAME, HISTORY_FOLDER

__all__ = ["KEPT", "card_path", "in_history", "kept_path"]

KEPT = "card_"
"""What the chain's kept name begins with."""

_CHAIN = re.compile(rf"({HISTORY_FOLDER})/((?:{KEPT})*{re.escape(CHAIN_NAME)})", re.IGNORECASE)


def kept_path(path: str) -> str:
    """Where a card's file stands in the roll's folder: its own path, but for the chain."""
    found = _CHAIN.fullmatch(path)
    return path if found is None else f"{found[1]}/{KEPT}{found[2]}"


def card_path(path: str) -> str:
    """The inverse of `kept_path`: what stands there was called so on the card."""
    found = _CHAIN.fullmatch(path)
    if found is None or not found[2].casefold().startswith(KEPT):
        return path
    return f"{found[1]}/{found[2][len(KEPT) :]}"


def in_history(path: str) -> bool:
    """Whether a file lies in a history's folder: never listed, whatever the list is of
    (ASC MHL v1.0 section 5.6.1.2, the default ignore pattern `ascmhl`)."""
    return HISTORY_FOLDER in path.split("/")[:-1]
