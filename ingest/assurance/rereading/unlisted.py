"""Files that lie in a roll's folder and that nobody knows."""

from __future__ import annotations

import os
from collections.abc import Iterator

from ingest.card.litter import is_litter
from ingest.copying.roll_folder import is_ours
from ingest.copying.tree import Tree
from ingest.drives import MARKER
from ingest.manifest.model import HISTORY_FOLDER
from ingest.platforms import posix_files

__all__ = ["unknown_files"]

_FOLDER = posix_files.FOLDER


def unknown_files(root: int, folder: str, known: frozenset[str]) -> Iterator[str]:
    """Paths, relative to the open `root`, of what lies in a folder below it and is not `known`. Our
    own files, system litter and other volumes are passed over."""
    try:
        with Tree(root) as tree:
            handle = os.dup(tree.folder(folder))
    except OSError:
        return  # its copies were found missing already
    try:
        yield from _unknown_below(handle, f"{folder}/" if folder else "", known, top=True)
    finally:
        os.close(handle)


def _unknown_below(folder: int, prefix: str, known: frozenset[str], *, top: bool) -> Iterator[str]:
    try:
        names = sorted(os.listdir(folder))
    except OSError:
        yield prefix
        return
    for name in names:
        path = prefix + name
        if is_ours(name) or (top and name in (HISTORY_FOLDER, MARKER)) or path in known:
            continue
        try:
            below = os.open(name, _FOLDER, dir_fd=folder)
        except OSError:
            if not is_litter(name, folder=False):
                yield path
            continue
        try:
            other_volume = os.fstat(below).st_dev != os.fstat(folder).st_dev
            if other_volume or is_litter(name, folder=True):
                continue
            yield from _unknown_below(below, path + "/", known, top=False)
        finally:
            os.close(below)
