"""The hash list of an offload: one generation in the roll's folder on one drive."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

from ingest import __version__
from ingest.card.litter import IGNORE_PATTERNS
from ingest.catalog.records import Observer
from ingest.checksums import LISTED_KINDS
from ingest.copying.journal import JOURNAL
from ingest.copying.roll_folder import LOCK, RollFolder
from ingest.copying.values import FileOutcome
from ingest.jobs.offloading.values import Plan
from ingest.manifest.directory_hashes import directory_hashes
from ingest.manifest.history import write_generation
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
from ingest.names import shown

__all__ = ["Listed", "list_roll"]


@dataclass(frozen=True, slots=True)
class Listed:
    path: str
    """The list, relative to the roll's folder; empty when none could be written."""
    not_listed: tuple[str, ...]
    """Names that the standard can't hold: copied, checksummed and catalogued all the same."""
    problem: str = ""


def list_roll(
    folder: RollFolder, fresh: Mapping[str, FileOutcome], plan: Plan, observer: Observer
) -> Listed:
    """List what this run left matched on this drive, and nothing else. Raises OSError.

    Folder hashes are written when the list is of the whole roll (ASC MHL Guidelines 2.5.3: for
    complete runs); a continued roll's list holds only the new files and no folder hashes.
    """
    now = datetime.now(UTC)
    kinds = [kind for kind in LISTED_KINDS if kind in plan.kinds]
    entries = tuple(
        Entry(
            path=path,
            size=outcome.size,
            mtime=utc_from_ns(outcome.mtime_ns),
            hashes=tuple(EntryHash(kind, outcome.digests[kind], Action.ORIGINAL) for kind in kinds),
        )
        for path, outcome in sorted(fresh.items())
    )
    whole = plan.joins is None and len(fresh) == len(plan.inventory.files)
    folders: tuple[DirectoryEntry, ...] = ()
    root = None
    if whole:
        hashes = directory_hashes(
            {path: outcome.digests for path, outcome in fresh.items()},
            plan.inventory.empty_folders,
            kinds=kinds,
        )
        root = hashes.pop("", None)
        folders = tuple(DirectoryEntry(path, None, found) for path, found in sorted(hashes.items()))
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
        written = write_generation(folder.handle, name, hash_list, now)
    except BadManifest as error:
        return Listed("", (), f"no hash list was written: {shown(error.what)}")
    return Listed(written.path, tuple(written.not_listed))
