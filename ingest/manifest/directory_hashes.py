"""Content and structure hashes of folders (ASC MHL v1.0 section 6.5.2 and Appendix G).

The standard leaves three things open; taken here as: a name is hashed as its exact bytes on the
medium, a digest as its raw bytes, and a folder with nothing in it has the hash of no bytes.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence

from ingest import checksums
from ingest.manifest.model import Action, EntryHash, FolderHashes
from ingest.manifest.paths import path_problem
from ingest.names import to_bytes

__all__ = ["directory_hashes", "raw_digest"]


def raw_digest(kind: str, digest: str) -> bytes:
    """The bytes behind a digest's text. Raises ValueError when it is no digest of this kind."""
    return checksums.c4_to_digest(digest) if kind == "c4" else bytes.fromhex(digest)


def directory_hashes(
    files: Mapping[str, Mapping[str, str]],
    folders: Iterable[str] = (),
    *,
    kinds: Sequence[str],
    action: Action | None = None,
) -> dict[str, FolderHashes]:
    """The hashes of the root (under the key "") and of every folder below it.

    `files` gives the digest of each kind for every file in the tree (path -> kind -> digest),
    also for files whose names no list can hold: the hash is of the folder, not of the list.
    `folders` names the empty folders (naming others as well does no harm). What is ignored must
    not be given. A folder with a file that has no digest of a kind, at any depth, gets no hash
    of that kind. `action` is put on every hash (optional in the standard).

    Raises ValueError for a path that is not relative, or a kind that no hash list can hold.
    """
    for kind in kinds:
        if kind not in checksums.LISTED_KINDS:
            raise ValueError(f"{kind} is no kind that a hash list can hold")
    every = {""}
    files_in: dict[str, list[str]] = defaultdict(list)
    for path in files:
        folder = _parent(path)
        _add(folder, every)
        files_in[folder].append(path)
    for path in folders:
        _add(path, every)
    folders_in: dict[str, list[str]] = defaultdict(list)
    for path in every - {""}:
        folders_in[_parent(path)].append(path)

    found: dict[str, dict[str, tuple[bytes, bytes]]] = {}
    deepest_first = sorted(every, key=lambda path: path.count("/") + bool(path), reverse=True)
    ordered = [kind for kind in checksums.LISTED_KINDS if kind in kinds]
    for folder in deepest_first:
        found[folder] = {}
        for kind in ordered:
            children = _children(kind, files, files_in[folder], found, folders_in[folder])
            if children is not None:
                contents = sorted(content for _, content, _ in children)
                structures = sorted(
                    _hash_of(kind, (name, structure)) for name, _, structure in children
                )
                found[folder][kind] = (_hash_of(kind, contents), _hash_of(kind, structures))
    return {
        folder: FolderHashes(
            tuple(EntryHash(k, _text(k, pair[0]), action) for k, pair in found[folder].items()),
            tuple(EntryHash(k, _text(k, pair[1]), action) for k, pair in found[folder].items()),
        )
        for folder in sorted(every)
    }


def _children(
    kind: str,
    files: Mapping[str, Mapping[str, str]],
    files_here: Sequence[str],
    found: Mapping[str, Mapping[str, tuple[bytes, bytes]]],
    folders_here: Sequence[str],
) -> list[tuple[bytes, bytes, bytes]] | None:
    """Name, content and structure digest of each child; None when one lacks this kind."""
    children = []
    for path in files_here:
        digest = files[path].get(kind)
        if digest is None:
            return None
        raw = raw_digest(kind, digest)
        children.append((_last_part(path), raw, raw))
    for path in folders_here:
        pair = found[path].get(kind)
        if pair is None:
            return None
        children.append((_last_part(path), *pair))
    return children


def _parent(path: str) -> str:
    return path.rpartition("/")[0]


def _add(folder: str, every: set[str]) -> None:
    if folder not in every and (problem := path_problem(folder)):
        raise ValueError(f"the path {folder!r} {problem}")
    while folder not in every:
        every.add(folder)
        folder = _parent(folder)


def _last_part(path: str) -> bytes:
    return to_bytes(path.rpartition("/")[2])


def _hash_of(kind: str, pieces: Iterable[bytes]) -> bytes:
    hasher = checksums.new(kind)
    for piece in pieces:
        hasher.update(piece)
    return raw_digest(kind, hasher.hexdigest())


def _text(kind: str, raw: bytes) -> str:
    return checksums.c4_from_digest(raw) if kind == "c4" else raw.hex()
