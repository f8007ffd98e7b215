"""Does a folder hold footage? Asked of mounted volumes when no card was named."""

from __future__ import annotations

import os
from collections import deque

from ingest.card.litter import is_litter
from ingest.media.facts import ClipKind
from ingest.media.kinds import kind_of_name

__all__ = ["holds_footage"]

_MOST = 20_000
"""Names that are looked at: a full system disk must not hold up the answer."""


def holds_footage(root: str) -> bool:
    """Whether a picture, sound or still lies in the folder or below it, by the ending of its name.

    Breadth first, links not followed, other volumes not entered; a folder that can't be listed
    says nothing. Gives up after 20,000 names: what holds footage shows it sooner.
    """
    try:
        device = os.stat(root).st_dev
    except OSError:
        return False
    folders = deque([""])
    looked = 0
    while folders:
        folder = folders.popleft()
        try:
            with os.scandir(os.path.join(root, folder)) as entries:
                found = sorted(entries, key=lambda entry: os.fsencode(entry.name))
        except OSError:
            continue
        for entry in found:
            looked += 1
            if looked > _MOST:
                return False
            try:
                is_folder = entry.is_dir(follow_symlinks=False)
                if is_litter(entry.name, folder=is_folder):
                    continue
                if is_folder and entry.stat(follow_symlinks=False).st_dev == device:
                    folders.append(f"{folder}/{entry.name}" if folder else entry.name)
                is_file = entry.is_file(follow_symlinks=False)
            except OSError:
                continue
            if is_file and kind_of_name(entry.name) is not ClipKind.OTHER:
                return True
    return False
