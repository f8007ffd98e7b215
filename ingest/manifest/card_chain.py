"""The chain that a card brought along, kept beside the drive's own (see `kept`)."""

from __future__ import annotations

import os
from dataclasses import dataclass

from ingest.manifest.durable import Durable, OsDurable
from ingest.manifest.files import open_folder, read_chain_file, read_checked
from ingest.manifest.kept import KEPT
from ingest.manifest.model import CHAIN_NAME, HISTORY_FOLDER, MANIFEST_SUFFIX, BadManifest
from ingest.manifest.reading import read_chain

__all__ = ["CardChain", "begin_with_card", "card_chain"]

_MOST = 4 * 1024 * 1024


@dataclass(frozen=True, slots=True)
class CardChain:
    """What the card's chain names: hash lists that were made before the footage came here."""

    names: frozenset[str] = frozenset()
    problem: str = ""
    """Why the chain can't be gone on with, or empty."""


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
        data = read_checked(folder_fd, KEPT + CHAIN_NAME, _MOST)
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
