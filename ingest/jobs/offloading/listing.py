"""The hash list of an offload: one generation in the roll's folder on one drive."""

from __future__ import annotations

import contextlib
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from ingest import __version__
from ingest.card.litter import IGNORE_PATTERNS
from ingest.catalog.records import Observer
from ingest.checksums import LISTED_KINDS
from ingest.copying.journal import JOURNAL, read_noted_lists
from ingest.copying.roll_folder import LOCK, RollFolder
from ingest.jobs.offloading.values import Plan
from ingest.manifest.directory_hashes import directory_hashes
from ingest.manifest.history import (
    adopt_generation,
    commit_generation,
    prepare_generation,
    read_history,
)
from ingest.manifest.model import (
    ALWAYS_IGNORED,
    Action,
    BadManifest,
    CreatorInfo,
    DirectoryEntry,
    Entry,
    EntryHash,
    HashList,
    Process,
    utc_from_ns,
)
from ingest.manifest.paths import is_listable
from ingest.names import shown

__all__ = ["Listed", "ToList", "list_files", "list_roll"]


@dataclass(frozen=True, slots=True)
class Listed:
    path: str
    """The list, relative to the roll's folder; empty when none could be written."""
    not_listed: tuple[str, ...]
    """Names that the standard can't hold: copied, checksummed and catalogued all the same."""
    problem: str = ""


@dataclass(frozen=True, slots=True)
class ToList:
    """A file that stands matched on the drive."""

    size: int
    mtime_ns: int
    digests: Mapping[str, str]


def list_roll(
    folder: RollFolder, matched: Mapping[str, ToList], plan: Plan, observer: Observer
) -> Listed:
    """List what stands matched on this drive after an offload; see `list_files`."""
    return list_files(
        folder,
        matched,
        kinds=plan.kinds,
        whole={file.path for file in plan.inventory.files} - set(plan.elsewhere),
        empty_folders=plan.inventory.empty_folders,
        observer=observer,
    )


def list_files(
    folder: RollFolder,
    matched: Mapping[str, ToList],
    *,
    kinds: Sequence[str],
    whole: Collection[str],
    empty_folders: Sequence[str],
    observer: Observer,
) -> Listed:
    """List what stands matched on this drive and is in no list there yet. Raises OSError.

    That takes in what an earlier run copied before it was cut off. Folder hashes are written
    when the list is of the `whole` roll (ASC MHL Guidelines 2.5.3: for complete runs); a
    continued roll's list holds only the new files and no folder hashes.
    """
    now = datetime.now(UTC)
    kinds = [kind for kind in LISTED_KINDS if kind in kinds]
    _adopt(folder)
    before = _listed_before(folder)
    fresh = {path: file for path, file in matched.items() if path not in before}
    if before and not any(is_listable(path) for path in fresh):
        # What is new here, if anything, is what no list can ever hold.
        return Listed("", tuple(sorted(fresh)))
    if not fresh:
        return Listed("", ())
    entries = tuple(
        Entry(
            path=path,
            size=file.size,
            mtime=utc_from_ns(file.mtime_ns),
            hashes=tuple(
                EntryHash(kind, file.digests[kind], Action.ORIGINAL)
                for kind in kinds
                if kind in file.digests
            ),
        )
        for path, file in sorted(fresh.items())
    )
    folders: tuple[DirectoryEntry, ...] = ()
    root = None
    if not before and set(fresh) == set(whole):
        hashes = directory_hashes(
            {path: file.digests for path, file in fresh.items()},
            empty_folders,
            kinds=kinds,
        )
        root = hashes.pop("", None)
        folders = tuple(
            DirectoryEntry(path, None, found)
            for path, found in sorted(hashes.items())
            if found.content
        )
    hash_list = HashList(
        creator=CreatorInfo(
            created=now, hostname=observer.machine, tool="ingest", tool_version=__version__
        ),
        process=Process.TRANSFER,
        entries=entries,
        folders=folders,
        root=root,
        ignore=tuple(
            dict.fromkeys(
                (*ALWAYS_IGNORED, *IGNORE_PATTERNS, JOURNAL, f"{LOCK}*/", ".ingest-*.unfinished")
            )
        ),
    )
    name = folder.destination.folder.rpartition("/")[2]
    try:
        prepared = prepare_generation(folder.handle, name, hash_list, now)
        folder.journal.note_list(prepared.name, prepared.c4)
        written = commit_generation(folder.handle, prepared)
    except BadManifest as error:
        return Listed("", (), f"no hash list was written: {shown(error.what)}")
    return Listed(written.path, tuple(written.not_listed))


def _adopt(folder: RollFolder) -> None:
    """Take in a list that a run cut off between list and chain left outside the chain. Only what
    the journal noted before it was written; anything else is left for a person to see."""
    noted = read_noted_lists(folder.handle)
    if not noted:
        return
    for orphan in read_history(folder.handle).orphans:
        if noted.get(orphan.name) == orphan.c4:
            with contextlib.suppress(BadManifest):
                adopt_generation(folder.handle, orphan.name, orphan.c4)


def _listed_before(folder: RollFolder) -> set[str]:
    """Paths that a sound list in this folder names already."""
    return {
        entry.path
        for generation in read_history(folder.handle).generations
        if generation.is_sound and generation.hash_list is not None
        for entry in generation.hash_list.entries
    }
