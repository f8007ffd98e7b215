"""The hash list of an offload: one generation in the roll's folder on one drive."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, TypeVar, cast

from ingest import __version__
from ingest.assurance.listed import expected_from
from ingest.card.litter import IGNORE_PATTERNS
from ingest.catalog.records import Observer
from ingest.checksums import LISTED_KINDS
from ingest.copying.journal import JOURNAL, read_noted_lists
from ingest.copying.roll_folder import LOCK, RollFolder
from ingest.manifest.card_chain import CardChain, begin_with_card
from ingest.manifest.directory_hashes import directory_hashes
from ingest.manifest.files import c4_of, read_checked
from ingest.manifest.history import (
    History,
    adopt_generation,
    commit_generation,
    prepare_generation,
    read_history,
)
from ingest.manifest.kept import in_history
from ingest.manifest.model import (
    ALWAYS_IGNORED,
    HISTORY_FOLDER,
    MANIFEST_SUFFIX,
    Action,
    BadManifest,
    CreatorInfo,
    DirectoryEntry,
    Entry,
    EntryHash,
    FolderHashes,
    HashList,
    Process,
    Reference,
    utc_from_ns,
)
from ingest.manifest.paths import is_listable
from ingest.manifest.writing import ManifestXml, manifest_xml
from ingest.names import shown

if TYPE_CHECKING:
    from ingest.jobs.offloading.values import Plan

__all__ = [
    "IGNORED",
    "Alike",
    "Listed",
    "ToList",
    "actions_of",
    "adopt_lists",
    "append_list",
    "creator",
    "list_files",
    "list_roll",
]

IGNORED = tuple(
    dict.fromkeys((*ALWAYS_IGNORED, *IGNORE_PATTERNS, JOURNAL, f"{LOCK}*/", ".ingest-*.unfinished"))
)
"""The ignore patterns of every list of this program."""

_Made = TypeVar("_Made")


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


class Alike:
    """What the lists of several drives have in common, made once for all of them: of thousands
    of files it is a second's work, and tens of megabytes."""

    def __init__(self) -> None:
        self.now = datetime.now(UTC)
        self._lock = threading.Lock()
        self._made: dict[str, tuple[object, object]] = {}

    def once(self, what: str, of: object, make: Callable[[], _Made]) -> _Made:
        """What `make` gives, or what it gave for an equal `of` the time before."""
        with self._lock:
            if what not in self._made or self._made[what][0] != of:
                self._made[what] = (of, make())
            return cast("_Made", self._made[what][1])


def list_roll(
    folder: RollFolder,
    matched: Mapping[str, ToList],
    plan: Plan,
    observer: Observer,
    alike: Alike,
) -> Listed:
    """List what stands matched on this drive after an offload; see `list_files`."""
    return list_files(
        folder,
        matched,
        kinds=plan.kinds,
        whole={file.path for file in plan.inventory.files} - set(plan.elsewhere),
        empty_folders=plan.inventory.empty_folders,
        observer=observer,
        alike=alike,
    )


def list_files(
    folder: RollFolder,
    matched: Mapping[str, ToList],
    *,
    kinds: Sequence[str],
    whole: Collection[str],
    empty_folders: Sequence[str],
    observer: Observer,
    alike: Alike | None = None,
) -> Listed:
    """List what stands matched on this drive and is in no list there yet. Raises OSError.

    That takes in what an earlier run copied before it was cut off. Folder hashes are written
    when the list is of the `whole` roll (ASC MHL Guidelines 2.5.3: for complete runs); a
    continued roll's list holds only the new files and no folder hashes. What a history that came
    with the card says of a file is compared with what the card gave: `verified` or `failed`.
    """
    alike = alike or Alike()
    kinds = [kind for kind in LISTED_KINDS if kind in kinds]
    adopt_lists(folder)
    try:
        card = begin_with_card(folder.handle)
    except BadManifest as error:
        return Listed("", (), f"no hash list was written: {shown(error.what)}")
    before, said = _listed_before(folder, card)
    fresh = {
        path: file for path, file in matched.items() if path not in before and not in_history(path)
    }
    if before and not any(is_listable(path) for path in fresh):
        # What is new here, if anything, is what no list can ever hold.
        return Listed("", tuple(sorted(fresh)))
    if not fresh:
        return Listed("", ())
    folders: tuple[DirectoryEntry, ...] = ()
    root = None
    entries = alike.once("entries", (fresh, said), lambda: _entries(fresh, kinds, said))
    if not before and set(fresh) == {path for path in whole if not in_history(path)}:
        root, folders = alike.once(
            "folders",
            (fresh, empty_folders),
            lambda: _folders(fresh, kinds, empty_folders),
        )
    hash_list = HashList(
        creator=creator(observer, alike.now),
        process=Process.TRANSFER,
        entries=entries,
        folders=folders,
        root=root,
        ignore=IGNORED,
        references=_nested(folder, matched),
    )
    try:
        path, not_listed = append_list(
            folder,
            hash_list,
            alike.now,
            beside=card.names,
            made=alike.once("xml", hash_list, lambda: manifest_xml(hash_list)),
        )
    except BadManifest as error:
        return Listed("", (), f"no hash list was written: {shown(error.what)}")
    return Listed(path, not_listed)


def _entries(
    fresh: Mapping[str, ToList], kinds: Sequence[str], said: Mapping[str, Mapping[str, str]]
) -> tuple[Entry, ...]:
    return tuple(
        Entry(path, file.size, utc_from_ns(file.mtime_ns), _hashes(file, kinds, said.get(path)))
        for path, file in sorted(fresh.items())
    )


def _folders(
    fresh: Mapping[str, ToList], kinds: Sequence[str], empty_folders: Sequence[str]
) -> tuple[FolderHashes | None, tuple[DirectoryEntry, ...]]:
    """The hashes of the whole roll, and of each folder in it."""
    hashes = directory_hashes(
        {path: file.digests for path, file in fresh.items()},
        [path for path in empty_folders if not in_history(f"{path}/")],
        kinds=kinds,
    )
    root = hashes.pop("", None)
    return root, tuple(
        DirectoryEntry(path, None, found) for path, found in sorted(hashes.items()) if found.content
    )


def creator(observer: Observer, now: datetime, comment: str = "") -> CreatorInfo:
    """Who makes a list, as every list of this program says it."""
    return CreatorInfo(
        created=now,
        hostname=observer.machine,
        tool="ingest",
        tool_version=__version__,
        comment=comment,
    )


def append_list(
    folder: RollFolder,
    hash_list: HashList,
    now: datetime,
    *,
    beside: Collection[str] = (),
    made: ManifestXml | None = None,
) -> tuple[str, tuple[str, ...]]:
    """Append one generation: C4 into the journal, list flushed and renamed, chain replaced.

    `made`: the list's XML, where it was made already.

    Returns its path in the roll's folder, and what it can't hold. Raises BadManifest and OSError.
    """
    name = folder.destination.folder.rpartition("/")[2]
    prepared = prepare_generation(folder.handle, name, hash_list, now, beside=beside, made=made)
    folder.journal.note_list(prepared.name, prepared.c4)
    written = commit_generation(folder.handle, prepared)
    return written.path, tuple(written.not_listed)


def actions_of(digests: Mapping[str, str], said: Mapping[str, str]) -> dict[str, Action]:
    """What each digest is to a history that says `said` of the file (both by kind).

    Of a kind that the history has: equal or not. Of another: verified only where a kind in common
    was equal (ASC MHL v1.0 section 6.5.1), and the first of its kind where none is in common.
    """
    common = [kind for kind in digests if kind in said]
    found = {
        kind: Action.VERIFIED if digests[kind] == said[kind] else Action.FAILED for kind in common
    }
    rest = Action.ORIGINAL
    if common:
        bad = Action.FAILED in found.values()
        rest = Action.FAILED if bad else Action.VERIFIED
    return {kind: found.get(kind, rest) for kind in digests}


def _hashes(
    file: ToList, kinds: Sequence[str], said: Mapping[str, str] | None
) -> tuple[EntryHash, ...]:
    digests = {kind: file.digests[kind] for kind in kinds if kind in file.digests}
    actions = actions_of(digests, said or {})
    return tuple(EntryHash(kind, digest, actions[kind]) for kind, digest in digests.items())


def _nested(folder: RollFolder, matched: Mapping[str, ToList]) -> tuple[Reference, ...]:
    """The hash lists of histories in folders of the card, by their C4 (section 6.5.5)."""
    found = []
    for path in sorted(matched):
        if not in_history(path) or not path.endswith(MANIFEST_SUFFIX) or not is_listable(path):
            continue
        if path.startswith(f"{HISTORY_FOLDER}/"):
            continue  # the roll's own history, whose chain names them
        with contextlib.suppress(BadManifest, FileNotFoundError):
            found.append(Reference(path, c4_of(read_checked(folder.handle, path))))
    return tuple(found)


def adopt_lists(folder: RollFolder) -> None:
    """Take in a list that a run cut off between list and chain left outside the chain. Only what
    the journal noted before it was written; anything else is left for a person to see."""
    noted = read_noted_lists(folder.handle)
    if not noted:
        return
    for orphan in read_history(folder.handle).orphans:
        if noted.get(orphan.name) == orphan.c4:
            with contextlib.suppress(BadManifest):
                adopt_generation(folder.handle, orphan.name, orphan.c4)


def _listed_before(
    folder: RollFolder, card: CardChain
) -> tuple[set[str], dict[str, Mapping[str, str]]]:
    """Paths that a sound list of this drive names already, and what the lists that came with the
    card say of each file (kind to digest)."""
    generations = read_history(folder.handle).generations
    before = {
        entry.path
        for generation in generations
        if generation.is_sound and generation.name not in card.names
        for entry in (generation.hash_list.entries if generation.hash_list else ())
    }
    theirs = History(tuple(one for one in generations if one.name in card.names))
    return before, {path: one.digests for path, one in expected_from(theirs).items()}
