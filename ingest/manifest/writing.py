"""A hash list and a chain as the bytes of their files (ASC MHL v1.0 sections 6 and 7).

The order of elements is the schema's (Appendix A) where the text of the standard differs from
it, and nothing is put into an element around its value: white space in a path counts.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from xml.sax.saxutils import escape, quoteattr

from ingest.checksums import LISTED_KINDS
from ingest.manifest.model import (
    ALWAYS_IGNORED,
    MANIFEST_SUFFIX,
    BadManifest,
    ChainEntry,
    DirectoryEntry,
    Entry,
    EntryHash,
    FolderHashes,
    HashList,
)
from ingest.manifest.paths import is_listable, path_problem
from ingest.manifest.values import DIGEST_LENGTHS

__all__ = ["ManifestXml", "chain_xml", "manifest_name", "manifest_xml"]

_HEAD = '<?xml version="1.0" encoding="UTF-8"?>\n'
_ORDER = {kind: place for place, kind in enumerate(LISTED_KINDS)}
_EMAIL = re.compile(r"[^@]+@[^.]+\.[^\n\r]+")  # the schema's own pattern
_ENDS_OF_LINES = {"\r": "&#13;", "\n": "&#10;", "\t": "&#9;"}
_LONGEST_NAME = 255  # bytes: NAME_MAX of the file systems in use
# Control characters, and what exFAT refuses in a name (exFAT specification, 7.7.3, table 35).
_NOT_IN_A_NAME = re.compile(r'[\x00-\x1f\x7f-\x9f"*/:<>?\\|\ud800-\udfff\ufffe\uffff]')


@dataclass(frozen=True, slots=True)
class ManifestXml:
    """The file's bytes, and the paths of files and folders that it can't hold."""

    data: bytes
    not_listed: tuple[str, ...]


def manifest_name(sequence: int, folder_name: str, now: datetime) -> str:
    """The file name of a hash list: `0001_FOLDER_2019-01-07_080228Z.mhl` (section 6.3).

    `now` is aware. Characters that not every file system takes become `_`, and a folder name
    too long for one file name is cut.
    """
    head = f"{sequence:04d}_"
    tail = f"_{now.astimezone(UTC):%Y-%m-%d_%H%M%SZ}{MANIFEST_SUFFIX}"
    plain = _NOT_IN_A_NAME.sub("_", folder_name).encode()
    room = _LONGEST_NAME - len(head) - len(tail)
    return head + plain[:room].decode("utf-8", "ignore") + tail


def manifest_xml(hash_list: HashList) -> ManifestXml:
    """The hash list as the bytes of its file, and what it can't hold.

    The default ignore patterns are written whether given or not. Raises BadManifest when nothing
    is left to list; ValueError for what a caller must not give: a file without a digest or
    without an action, a time without a zone, a path not relative or given twice.
    """
    not_listed: list[str] = []
    seen: set[str] = set()
    items = [_file(one) for one in hash_list.entries if _listed(one, seen, not_listed)]
    items += [_folder(one) for one in hash_list.folders if _listed(one, seen, not_listed)]
    if not items and not hash_list.references:
        raise BadManifest("there is nothing that a hash list could list")
    parts = [
        _HEAD,
        '<hashlist version="2.0" xmlns="urn:ASC:MHL:v2.0">\n',
        *_creator(hash_list),
        *_process(hash_list),
        " <hashes>\n",
        *items,
        " </hashes>\n",
        *_references(hash_list),
        "</hashlist>\n",
    ]
    return ManifestXml("".join(parts).encode(), tuple(not_listed))


def chain_xml(entries: Iterable[ChainEntry]) -> bytes:
    """The chain file: every hash list of the history with its C4, in order (section 7.4)."""
    items = [
        f' <hashlist sequencenr="{entry.sequence:d}">\n'
        f"  <path>{_text(entry.name)}</path>\n  <c4>{_text(entry.c4)}</c4>\n </hashlist>\n"
        for entry in entries
    ]
    head = f'{_HEAD}<ascmhldirectory xmlns="urn:ASC:MHL:DIRECTORY:v2.0">\n'
    return "".join((head, *items, "</ascmhldirectory>\n")).encode()


def _listed(item: Entry | DirectoryEntry, seen: set[str], not_listed: list[str]) -> bool:
    problem = path_problem(item.path)
    if problem:
        raise ValueError(f"the path {item.path!r} {problem}")
    if item.path in seen:
        raise ValueError(f"the path {item.path!r} is given twice")
    seen.add(item.path)
    if not is_listable(item.path):
        not_listed.append(item.path)
        return False
    return True


def _creator(hash_list: HashList) -> list[str]:
    creator = hash_list.creator
    if creator.created is None:
        raise ValueError("a hash list needs the time it was made")
    parts = [
        " <creatorinfo>\n",
        f"  <creationdate>{_moment(creator.created)}</creationdate>\n",
        f"  <hostname>{_text(creator.hostname)}</hostname>\n",
        f"  <tool{_attribute('version', creator.tool_version)}>{_text(creator.tool)}</tool>\n",
    ]
    for author in creator.authors:
        email = author.email if _EMAIL.fullmatch(author.email) else ""
        attributes = (
            _attribute("email", email)
            + _attribute("phone", author.phone)
            + _attribute("role", author.role)
        )
        parts.append(f"  <author{attributes}>{_text(author.name)}</author>\n")
    if creator.location:
        parts.append(f"  <location>{_text(creator.location)}</location>\n")
    if creator.comment:
        parts.append(f"  <comment>{_text(creator.comment)}</comment>\n")
    parts.append(" </creatorinfo>\n")
    return parts


def _process(hash_list: HashList) -> list[str]:
    if hash_list.process is None:
        raise ValueError("a hash list needs its process")
    parts = [f" <processinfo>\n  <process>{hash_list.process.value}</process>\n"]
    if hash_list.root is not None and hash_list.root.content:
        parts.append(f"  <roothash>\n{_folder_hashes(hash_list.root)}  </roothash>\n")
    missing = tuple(p for p in ALWAYS_IGNORED if p not in hash_list.ignore)
    patterns = "".join(
        f"   <pattern>{_text(_pattern(pattern))}</pattern>\n"
        for pattern in missing + hash_list.ignore
    )
    parts.append(f"  <ignore>\n{patterns}  </ignore>\n </processinfo>\n")
    return parts


def _pattern(pattern: str) -> str:
    if not pattern.strip(" ") or pattern.startswith("#") or not is_listable(pattern):
        raise ValueError(f"{pattern!r} can't be written as an ignore pattern")
    return pattern


def _references(hash_list: HashList) -> list[str]:
    if not hash_list.references:
        return []
    parts = [" <references>\n"]
    for reference in hash_list.references:
        problem = path_problem(reference.path)
        if problem or not is_listable(reference.path):
            raise ValueError(f"the path {reference.path!r} {problem or 'can not be listed'}")
        parts.append(
            f"  <hashlistreference>\n   <path>{_text(reference.path)}</path>\n"
            f"   <c4>{_text(reference.c4)}</c4>\n  </hashlistreference>\n"
        )
    parts.append(" </references>\n")
    return parts


def _file(entry: Entry) -> str:
    if not entry.hashes or any(one.action is None for one in entry.hashes):
        raise ValueError(f"{entry.path!r} needs a digest, and each digest its action")
    size = "" if entry.size is None else f' size="{_not_negative(entry.size):d}"'
    return (
        f"  <hash>\n   <path{size}{_mtime(entry.mtime)}>{_text(entry.path)}</path>\n"
        f"{_hashes(entry.hashes, '   ')}{_previous(entry.previous_path)}  </hash>\n"
    )


def _folder(folder: DirectoryEntry) -> str:
    return (
        f"  <directoryhash>\n   <path{_mtime(folder.mtime)}>{_text(folder.path)}</path>\n"
        f"{_folder_hashes(folder.hashes)}{_previous(folder.previous_path)}  </directoryhash>\n"
    )


def _folder_hashes(hashes: FolderHashes) -> str:
    kinds = sorted(one.kind for one in hashes.content)
    if not kinds or kinds != sorted(one.kind for one in hashes.structure):
        raise ValueError("a folder's content and structure hashes are of the same kinds")
    return (
        f"   <content>\n{_hashes(hashes.content, '    ')}   </content>\n"
        f"   <structure>\n{_hashes(hashes.structure, '    ')}   </structure>\n"
    )


def _hashes(hashes: Sequence[EntryHash], indent: str) -> str:
    if len(hashes) > 1:
        hashes = sorted(hashes, key=lambda one: _ORDER[one.kind])
        if len({one.kind for one in hashes}) < len(hashes):
            raise ValueError("each kind stands once in an entry")
    lines = []
    for one in hashes:
        if one.kind not in _ORDER:
            raise ValueError(f"{one.kind} is no kind that a hash list can hold")
        if len(one.digest) != DIGEST_LENGTHS[one.kind]:
            raise ValueError(f"{one.digest!r} is no digest of the kind {one.kind}")
        action = f' action="{one.action.value}"' if one.action else ""
        date = f' hashdate="{_moment(one.hashdate)}"' if one.hashdate else ""
        lines.append(f"{indent}<{one.kind}{action}{date}>{_text(one.digest)}</{one.kind}>\n")
    return "".join(lines)


def _previous(path: str | None) -> str:
    if path is None:
        return ""
    problem = path_problem(path)
    if problem or not is_listable(path):
        raise ValueError(f"the path {path!r} {problem or 'can not be listed'}")
    return f"   <previousPath>{_text(path)}</previousPath>\n"


def _mtime(moment: datetime | None) -> str:
    return "" if moment is None else f' lastmodificationdate="{_moment(moment)}"'


def _moment(moment: datetime) -> str:
    if moment.tzinfo is not UTC:
        if moment.tzinfo is None:
            raise ValueError("a time in a hash list needs its zone")
        moment = moment.astimezone(UTC)
    return moment.isoformat()[:-6] + "Z"


def _not_negative(size: int) -> int:
    if size < 0:
        raise ValueError("a size is 0 or more")
    return size


def _attribute(name: str, value: str) -> str:
    return f" {name}={quoteattr(_held(value))}" if value else ""


def _text(value: str) -> str:
    if value.isascii() and value.isalnum():
        return value
    return escape(_held(value), _ENDS_OF_LINES)


def _held(value: str) -> str:
    """What XML can't hold becomes the replacement character: only ever in texts about the list,
    since names are looked at before."""
    if is_listable(value):
        return value
    return "".join(one if is_listable(one) else "\ufffd" for one in value)
