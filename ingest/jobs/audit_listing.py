"""A hash list of what an audit read: one more generation in each roll's folder that was audited.

Only on drives that this catalog wrote to, that can be written and gave no read error. What a
digest is called (`verified`, `failed`, `original`) rests on what this drive's own history said of
the file before, since it is in that history that it will be read.
"""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from ingest.assurance.audit import Judged
from ingest.assurance.listed import expected_from
from ingest.catalog.records import Observer
from ingest.checksums import LISTED_KINDS
from ingest.copying.reading import open_root
from ingest.copying.roll_folder import RollFolder
from ingest.copying.tree import Tree
from ingest.copying.values import Destination
from ingest.drives import Volume
from ingest.errors import BadDestination, Unfinished
from ingest.evidence import State
from ingest.jobs.audit_plan import Shelf
from ingest.jobs.offloading.listing import (
    IGNORED,
    actions_of,
    adopt_lists,
    append_list,
    creator,
)
from ingest.manifest.history import read_history
from ingest.manifest.kept import in_history
from ingest.manifest.model import (
    Action,
    BadManifest,
    Entry,
    EntryHash,
    HashList,
    Process,
    utc_from_ns,
)
from ingest.manifest.paths import is_listable
from ingest.names import shown
from ingest.wording import counted

__all__ = ["ListsWritten", "Read", "append_audit", "entries_of", "why_no_list"]


@dataclass(frozen=True, slots=True)
class Read:
    """One file that the audit came to. `path` is relative to the roll's folder."""

    path: str
    judged: Judged
    mtime_ns: int | None
    """As found."""
    added: Mapping[str, str] = field(default_factory=dict)
    """Further kinds that the same read gave, of a copy that matched."""


@dataclass(frozen=True, slots=True)
class ListsWritten:
    paths: tuple[str, ...] = ()
    """Relative to the drive's root."""
    refused: tuple[str, ...] = ()
    """Why some or all folders have none, a line each."""


def why_no_list(shelf: Shelf, states: Counter[State], gone: str) -> str:
    """Why nothing is to be written to this drive, or empty. Pure."""
    if shelf.by_lists:
        return "this catalog never wrote to it"
    if gone:
        return "it was given up"
    if states[State.UNREADABLE] or shelf.unreadable:
        return "it gave read errors, and is not written to any more"
    if shelf.task.volume.read_only:
        return "it is read-only"
    return "" if shelf.ours else "this catalog never wrote to it"


def entries_of(
    reads: Sequence[Read], said: Mapping[str, Mapping[str, str]]
) -> tuple[tuple[Entry, ...], tuple[str, ...]]:
    """What the list says of each file that was read, and the bad ones that it can't speak of.

    `said`: what the history says of each path, kind to digest. A file that was read, isn't what
    the catalog knows, and was in no list before is left out: its digest would be taken for the
    original one. Pure.
    """
    entries, unsaid = [], []
    for one in sorted(reads, key=lambda read: read.path):
        judged = one.judged
        if in_history(one.path):
            continue
        if judged.kind is None or judged.digest is None:
            if judged.state.is_bad:
                unsaid.append(f"{one.path}: {judged.state}")
            continue
        added = {kind: one.added[kind] for kind in one.added if kind in LISTED_KINDS}
        actions = actions_of({judged.kind: judged.digest, **added}, said.get(one.path, {}))
        action = actions[judged.kind]
        if action is Action.ORIGINAL and judged.state is not State.MATCHED:
            unsaid.append(f"{one.path}: {judged.state}")
            continue
        mtime = utc_from_ns(one.mtime_ns) if one.mtime_ns is not None else None
        hashes = (
            EntryHash(judged.kind, judged.digest, action),
            *(EntryHash(kind, digest, actions[kind]) for kind, digest in added.items()),
        )
        entries.append(Entry(one.path, judged.size, mtime, hashes))
    return tuple(entries), tuple(unsaid)


def append_audit(
    shelf: Shelf,
    reads: Mapping[str, Sequence[Read]],
    observer: Observer,
    *,
    run: str,
    now: datetime,
) -> ListsWritten:
    """Append a generation in every roll's folder of `reads` into which this catalog wrote.

    What a drive refuses is in the result: the audit's evidence doesn't depend on it.
    """
    paths: list[str] = []
    refused: list[str] = []
    volume = shelf.task.volume
    try:
        root = open_root(volume.root)
    except OSError as error:
        return ListsWritten((), (error.strerror or str(error),))
    try:
        if os.fstat(root).st_dev != volume.st_dev:
            return ListsWritten((), ("another volume is mounted there now",))
        for folder, some in sorted(reads.items()):
            if folder not in shelf.ours or not _is_there(root, folder):
                continue
            try:
                path = _append(root, volume, shelf.task.name, folder, some, observer, run, now)
            except (BadManifest, BadDestination, Unfinished) as error:
                refused.append(f"{shown(folder)}: {error.what}")
            except OSError as error:
                refused.append(f"{shown(folder)}: {error.strerror or error}")
            else:
                paths += [path] if path else []
    finally:
        os.close(root)
    return ListsWritten(tuple(paths), tuple(refused))


def _is_there(root: int, folder: str) -> bool:
    try:
        with Tree(root) as tree:
            tree.folder(folder)
    except OSError:
        return False
    return True


def _append(
    root: int,
    volume: Volume,
    name: str,
    folder: str,
    reads: Sequence[Read],
    observer: Observer,
    run: str,
    now: datetime,
) -> str:
    """The list's path relative to the drive's root; empty when nothing of it can be listed."""
    with RollFolder(root, Destination(name, volume, folder), run) as roll:
        adopt_lists(roll)
        history = read_history(roll.handle)
        said = {path: one.digests for path, one in expected_from(history).items()}
        entries, unsaid = entries_of(reads, said)
        written = ""
        if any(is_listable(entry.path) for entry in entries):
            hash_list = HashList(
                creator=creator(observer, now, _comment(unsaid)),
                process=Process.IN_PLACE,
                entries=entries,
                ignore=IGNORED,
            )
            written, _ = append_list(roll, hash_list, now)
        # The journal of an offload that was cut off is what it goes on from.
        roll.release(complete=not roll.earlier)
    return "/".join(filter(None, (folder, written))) if written else ""


_MOST = 20


def _comment(unsaid: Sequence[str]) -> str:
    """A list has no word for a file that is missing or has another length; people have."""
    if not unsaid:
        return ""
    more = f"; and {len(unsaid) - _MOST} more" if len(unsaid) > _MOST else ""
    found = "; ".join(shown(one) for one in unsaid[:_MOST])
    return f"{counted(len(unsaid), 'file')} not in this list: {found}{more}"
