"""One entry of a hash list: a file or a folder, its digests, times and former path.

A digest that is no digest is dropped, so it can never match; what is odd but harmless is a remark.
"""

from __future__ import annotations

from lxml import etree

from ingest import checksums
from ingest.manifest import values
from ingest.manifest.model import (
    Action,
    BadManifest,
    DirectoryEntry,
    Entry,
    EntryHash,
    FolderHashes,
)
from ingest.manifest.strangers import Remarks, child_of, path_in, text_of
from ingest.names import shown

__all__ = ["LIST", "file_entry", "folder_entry", "folder_hashes", "moment_in", "without_hashes"]

LIST = "{urn:ASC:MHL:v2.0}"
"""The namespace of a hash list, as lxml writes it."""

_KIND_OF_TAG = {LIST + kind: kind for kind in checksums.LISTED_KINDS}


def file_entry(element: etree._Element, remarks: Remarks) -> Entry:
    """A `hash` element: a file. Raises BadManifest."""
    where = child_of(element, f"{LIST}path")
    path = path_in(where)
    size = None
    if (said := where.get("size")) is not None:
        size = values.integer(said)
        if size is None or size < 0:
            raise BadManifest(f"the size of {shown(path)} is {shown(said[:40])}")
    hashes = _hashes(element, path, remarks)
    if not hashes:
        remarks.add(f"{shown(path)} has no digest: can't be verified")
    for one in hashes:
        if one.action is None:
            remarks.add(f"the {one.kind} of {shown(path)} doesn't say what it is (no action)")
    return Entry(path, size, _mtime(where, path, remarks), hashes, _previous(element))


def folder_entry(element: etree._Element, remarks: Remarks) -> DirectoryEntry:
    """A `directoryhash` element. Raises BadManifest."""
    where = child_of(element, f"{LIST}path")
    path = path_in(where, folder=True)
    hashes = folder_hashes(element, path, remarks)
    previous = _previous(element, folder=True)
    return DirectoryEntry(path, _mtime(where, path, remarks), hashes, previous)


def folder_hashes(element: etree._Element, path: str, remarks: Remarks) -> FolderHashes:
    """Content and structure hashes of a folder, or of the root."""
    content, structure = element.find(f"{LIST}content"), element.find(f"{LIST}structure")
    return FolderHashes(
        () if content is None else _hashes(content, path, remarks),
        () if structure is None else _hashes(structure, path, remarks),
    )


def _hashes(element: etree._Element, path: str, remarks: Remarks) -> tuple[EntryHash, ...]:
    found: dict[str, EntryHash] = {}
    dropped: set[str] = set()
    for child in element:
        kind = _KIND_OF_TAG.get(child.tag)
        if kind is None:
            continue
        digest = None if len(child) else values.digest(kind, text_of(child))
        if digest is None:
            remarks.add(f"the {kind} of {shown(path)} is none: left out")
            dropped.add(kind)
            continue
        date = moment_in(child.get("hashdate"), f"hash date of {path}", remarks)
        one = EntryHash(kind, digest, _action(child.get("action"), path, remarks), date)
        if found.setdefault(kind, one) != one:
            remarks.add(f"{shown(path)} has more than one {kind}: left out")
            dropped.add(kind)
    return tuple(one for kind, one in found.items() if kind not in dropped)


def _action(said: str | None, path: str, remarks: Remarks) -> Action | None:
    if said is None:
        return None
    try:
        return Action(said)
    except ValueError:
        remarks.add(f"{shown(path)} has an unknown action ({shown(said[:40])})")
        return None


def _mtime(element: etree._Element, path: str, remarks: Remarks) -> values.Moment:
    return moment_in(element.get("lastmodificationdate"), f"time of {path}", remarks)


def moment_in(said: str | None, what: str, remarks: Remarks) -> values.Moment:
    """A date as written, or None with a remark."""
    if said is None:
        return None
    moment = values.moment(said)
    if moment is None:
        remarks.add(f"the {shown(what)} is none that can be read ({shown(said[:40])})")
    return moment


def _previous(element: etree._Element, *, folder: bool = False) -> str | None:
    previous = element.find(f"{LIST}previousPath")
    return None if previous is None else path_in(previous, "previous path", folder=folder)


def without_hashes(entry: Entry) -> Entry:
    """The entry so that it can't be verified."""
    return Entry(entry.path, entry.size, entry.mtime, (), entry.previous_path)
