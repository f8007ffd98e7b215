"""What the hash lists in a roll's folder expect there: an audit without a catalog.

Only lists that are what their chain says count, and in them only digests that were first of
their file or verified later. A digest that a list calls failed, or says nothing of, proves
nothing (ASC MHL v1.0, section 5.2).
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from ingest import drives
from ingest.assurance.audit import Expected
from ingest.assurance.rereading.values import Item
from ingest.card.litter import is_litter
from ingest.checksums import KINDS
from ingest.copying.reading import open_root
from ingest.copying.tree import Tree
from ingest.drives import Volume
from ingest.evidence import Against
from ingest.manifest.history import History, read_history
from ingest.manifest.model import HISTORY_FOLDER, Action, Entry
from ingest.platforms import posix_files

__all__ = ["ListedFolder", "expected_from", "listed_folders", "read_lists"]

_FOLDER = posix_files.FOLDER
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_GOOD = (Action.ORIGINAL, Action.VERIFIED)


@dataclass(frozen=True, slots=True)
class ListedFolder:
    """Everything that the hash lists below one folder speak of."""

    name: str
    """The drive's name where it has a marker, else the folder's."""
    volume: Volume
    items: tuple[Item, ...]
    folders: tuple[str, ...]
    """The roll folder of each item, relative to the volume's root."""
    problems: tuple[tuple[str, str], ...]
    """What is wrong with the lists: path and detail."""


def read_lists(folder: str) -> ListedFolder:
    """Read every history at and below `folder`. Raises BadDestination, or OSError when the
    drive fails."""
    volume = drives.look_at(folder)
    seen = drives.recognise(volume.root)
    items: list[Item] = []
    folders: list[str] = []
    problems: list[tuple[str, str]] = []
    root = open_root(volume.root)
    try:
        with Tree(root) as tree:
            for place in listed_folders(root):
                prefix = f"{place}/" if place else ""
                history = read_history(tree.folder(place))
                problems += (
                    (f"{prefix}{HISTORY_FOLDER}/{one.name}", one.detail) for one in history.problems
                )
                for path, expected in sorted(expected_from(history).items()):
                    items.append(Item(len(items), prefix + path, expected))
                    folders.append(place)
    finally:
        os.close(root)
    name = seen.name if seen is not None else os.path.basename(volume.root) or volume.root
    return ListedFolder(name, volume, tuple(items), tuple(folders), tuple(problems))


def expected_from(history: History) -> dict[str, Expected]:
    """What the sound generations say of each file, by path relative to the roll's folder.

    The first good digest of a kind stands: a later list that states another can't replace it.
    A renamed file keeps what was known of it (section 5.6.6).
    """
    known: dict[str, Expected] = {}
    for generation in history.generations:
        if not generation.is_sound or generation.hash_list is None:
            continue
        entries = generation.hash_list.entries
        moved = {
            entry.path: known.pop(entry.previous_path)
            for entry in entries
            if entry.previous_path is not None and entry.previous_path in known
        }
        for entry in entries:
            before = moved.get(entry.path) or known.get(entry.path)
            known[entry.path] = _merged(before, entry)
    return known


def _merged(before: Expected | None, entry: Entry) -> Expected:
    digests = dict(before.digests) if before is not None else {}
    for one in entry.hashes:
        if one.action in _GOOD and one.kind in KINDS:
            digests.setdefault(one.kind, one.digest)
    size = before.size if before is not None and before.size is not None else entry.size
    mtime_ns = before.mtime_ns if before is not None else None
    if mtime_ns is None and entry.mtime is not None and entry.mtime.tzinfo is not None:
        mtime_ns = (entry.mtime - _EPOCH) // timedelta(microseconds=1) * 1000
    return Expected(size, mtime_ns, digests, Against.OWN_LIST)


def listed_folders(root: int) -> Iterator[str]:
    """Folders below an open folder (itself: empty) that hold a history, relative to it.

    Links and other volumes are not entered; nor is what lies below such a folder, since its
    history speaks for all of it. Folders that can't be read are passed over.
    """
    yield from _below(root, "", os.fstat(root).st_dev)


def _below(folder: int, prefix: str, device: int) -> Iterator[str]:
    try:
        names = sorted(os.listdir(folder))
    except OSError:
        return
    if HISTORY_FOLDER in names:
        yield prefix.rstrip("/")
        return
    for name in names:
        if is_litter(name, folder=True):
            continue
        try:
            below = os.open(name, _FOLDER, dir_fd=folder)
        except OSError:
            continue
        try:
            if os.fstat(below).st_dev == device:
                yield from _below(below, f"{prefix}{name}/", device)
        finally:
            os.close(below)
