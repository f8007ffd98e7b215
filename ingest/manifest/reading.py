"""Hash lists and chains that strangers wrote, read without trusting them.

No document type, no entity, nothing fetched, sizes limited, and every path checked before anyone
can follow it. What the standard or its schema allows is read; what is odd but harmless is a
remark; what could mislead is refused with `BadManifest`, in one line. A digest that is no digest
is dropped, so it can never match.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from io import BytesIO

from lxml import etree

from ingest import checksums
from ingest.manifest import values
from ingest.manifest.model import (
    Action,
    Author,
    BadManifest,
    ChainEntry,
    CreatorInfo,
    DirectoryEntry,
    Entry,
    EntryHash,
    FolderHashes,
    HashList,
    Process,
    Reference,
)
from ingest.manifest.paths import path_problem
from ingest.names import shown

__all__ = ["MAX_BYTES", "ReadChain", "ReadList", "read_chain", "read_manifest"]

MAX_BYTES = 256 * 1024 * 1024
"""Largest file that is read: some 700,000 files in two kinds."""

_LIST = "{urn:ASC:MHL:v2.0}"
_CHAIN = "{urn:ASC:MHL:DIRECTORY:v2.0}"
_VERSION = "2.0"  # what standard v1.0 calls itself in XML
_MOST_REMARKS = 200
_KIND_OF_TAG = {_LIST + kind: kind for kind in checksums.LISTED_KINDS}


@dataclass(frozen=True, slots=True)
class ReadList:
    """A hash list as read, and what is odd about it, a line each."""

    hash_list: HashList
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ReadChain:
    """A chain as read, in the file's order, and what is odd about it, a line each."""

    entries: tuple[ChainEntry, ...]
    remarks: tuple[str, ...]


class _Remarks:
    """Collects lines, and stops before a hostile file can fill the memory with them."""

    def __init__(self) -> None:
        self._lines: list[str] = []
        self._more = 0

    def add(self, line: str) -> None:
        if len(self._lines) < _MOST_REMARKS:
            self._lines.append(line)
        else:
            self._more += 1

    def lines(self) -> tuple[str, ...]:
        more = (f"and {self._more} remarks more",) if self._more else ()
        return (*self._lines, *more)


def read_manifest(data: bytes, name: str = "") -> ReadList:
    """Read one hash list. Raises BadManifest, and nothing else, when it is refused; `name` is
    what its line calls the list.

    A path listed twice comes back once: with its hashes where both agree, without any (so not
    verifiable) where they differ. Metadata and elements that are not the standard's are skipped.
    """
    with _named(name):
        return _read_manifest(data)


def read_chain(data: bytes, name: str = "") -> ReadChain:
    """Read a chain file. Raises BadManifest, and nothing else, when it is refused; `name` is
    what its line calls the chain.

    Sequence numbers are as written (1, 2, 3 ... by place where they are missing); whether they
    are complete is for `history` to say.
    """
    with _named(name):
        return _read_chain(data)


@contextmanager
def _named(name: str) -> Iterator[None]:
    try:
        yield
    except BadManifest as error:
        if name:
            raise BadManifest(f"{shown(name)}: {error.what}") from error
        raise


def _read_manifest(data: bytes) -> ReadList:
    remarks = _Remarks()
    files: dict[str, Entry] = {}
    folders: dict[str, DirectoryEntry] = {}
    root = None
    for element in _elements(data, (f"{_LIST}hash", f"{_LIST}directoryhash")):
        outer = element.getparent()
        if outer is None:
            root = element
            _check_root(root)
        elif outer.tag == f"{_LIST}hashes" and _is_root(outer.getparent()):
            if element.tag == f"{_LIST}hash":
                _keep_file(_file(element, remarks), files, remarks)
            else:
                _keep_folder(_folder(element, remarks), folders, remarks)
            element.clear()
            while element.getprevious() is not None:
                del outer[0]
    if root is None:
        raise BadManifest("is no hash list: holds no element")
    for path in files.keys() & folders.keys():
        remarks.add(f"{shown(path)} is listed as a file and as a folder: can't be verified")
        files[path] = _without_hashes(files[path])
        del folders[path]
    references = tuple(_references(root))
    if not files and not folders and not references:
        raise BadManifest("lists nothing: no hashes, no references")
    process = root.find(f"{_LIST}processinfo")
    hash_list = HashList(
        creator=_creator(root.find(f"{_LIST}creatorinfo"), remarks),
        process=_process(process, remarks),
        entries=tuple(files.values()),
        folders=tuple(folders.values()),
        root=_root_hashes(process, remarks),
        ignore=_ignore(process),
        references=references,
    )
    return ReadList(hash_list, remarks.lines())


def _read_chain(data: bytes) -> ReadChain:
    remarks = _Remarks()
    root = None
    for element in _elements(data, ()):
        root = element
    if root is None or root.tag != f"{_CHAIN}ascmhldirectory":
        raise BadManifest("is no chain of ASC MHL v1.0")
    entries: list[ChainEntry] = []
    for place, element in enumerate(root.iterfind(f"{_CHAIN}hashlist"), start=1):
        name = _path(_child(element, f"{_CHAIN}path"), "path in the chain")
        if "/" in name:
            raise BadManifest(f"the chain names {shown(name)}, which is no file beside it")
        sequence = values.integer(element.get("sequencenr"))
        if sequence is None:
            remarks.add(f"the chain gives {shown(name)} no number")
            sequence = place
        c4 = values.digest("c4", _text_of(_child(element, f"{_CHAIN}c4")))
        if c4 is None:
            raise BadManifest(f"the chain's C4 of {shown(name)} is none")
        entries.append(ChainEntry(sequence, name, c4))
    if not entries:
        raise BadManifest("the chain names no hash list")
    return ReadChain(tuple(entries), remarks.lines())


def _elements(data: bytes, tags: tuple[str, ...]) -> Iterator[etree._Element]:
    """Each element of these tags when it is whole, and the root at the end."""
    if len(data) > MAX_BYTES:
        raise BadManifest(f"is larger than {MAX_BYTES} bytes")
    try:
        data.decode("utf-8")
    except UnicodeDecodeError as error:
        raise BadManifest(f"is not UTF-8 (at byte {error.start})") from error
    if b"<!DOCTYPE" in data or b"<!ENTITY" in data:
        raise BadManifest("declares a document type, which no hash list needs")
    try:
        # The encoding is fixed, since a declared one could hide what was looked for above.
        parser = etree.iterparse(
            BytesIO(data),
            events=("end",),
            tag=tags or ("{}nothing",),
            encoding="utf-8",
            resolve_entities=False,
            no_network=True,
            huge_tree=False,
            load_dtd=False,
            dtd_validation=False,
            attribute_defaults=False,
            remove_comments=True,
            remove_pis=True,
        )
        for _, element in parser:
            yield element
        root = parser.root
    except (etree.LxmlError, SyntaxError) as error:
        said = getattr(error, "msg", None) or str(error)
        raise BadManifest(f"is no well-formed XML: {shown(said)}") from error
    if root is not None:
        if root.getroottree().docinfo.doctype:
            raise BadManifest("declares a document type, which no hash list needs")
        yield root


def _is_root(element: etree._Element | None) -> bool:
    return element is not None and element.getparent() is None


def _check_root(root: etree._Element) -> None:
    if root.tag != f"{_LIST}hashlist":
        raise BadManifest("is no hash list of ASC MHL v1.0")
    version = root.get("version")
    if version != _VERSION:
        said = "none" if version is None else shown(version)
        raise BadManifest(f"has the version {said}; {_VERSION} is the one that can be read")


def _child(element: etree._Element, tag: str) -> etree._Element:
    child = element.find(tag)
    if child is None:
        name = tag.rpartition("}")[2]
        raise BadManifest(f"an entry (line {element.sourceline}) has no {name}")
    return child


def _text_of(element: etree._Element | None) -> str:
    return "" if element is None or element.text is None else element.text


def _path(element: etree._Element, what: str = "path", *, folder: bool = False) -> str:
    path = _text_of(element)
    if folder and path.endswith("/"):
        path = path[:-1]
    problem = "holds elements" if len(element) else path_problem(path)
    if problem:
        raise BadManifest(f"the {what} {shown(path)!r} (line {element.sourceline}) {problem}")
    return path


def _file(element: etree._Element, remarks: _Remarks) -> Entry:
    where = _child(element, f"{_LIST}path")
    path = _path(where)
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


def _folder(element: etree._Element, remarks: _Remarks) -> DirectoryEntry:
    where = _child(element, f"{_LIST}path")
    path = _path(where, folder=True)
    hashes = _folder_hashes(element, path, remarks)
    previous = _previous(element, folder=True)
    return DirectoryEntry(path, _mtime(where, path, remarks), hashes, previous)


def _folder_hashes(element: etree._Element, path: str, remarks: _Remarks) -> FolderHashes:
    content, structure = element.find(f"{_LIST}content"), element.find(f"{_LIST}structure")
    return FolderHashes(
        () if content is None else _hashes(content, path, remarks),
        () if structure is None else _hashes(structure, path, remarks),
    )


def _hashes(element: etree._Element, path: str, remarks: _Remarks) -> tuple[EntryHash, ...]:
    found: dict[str, EntryHash] = {}
    dropped: set[str] = set()
    for child in element:
        kind = _KIND_OF_TAG.get(child.tag)
        if kind is None:
            continue
        digest = None if len(child) else values.digest(kind, _text_of(child))
        if digest is None:
            remarks.add(f"the {kind} of {shown(path)} is none: left out")
            dropped.add(kind)
            continue
        date = _moment(child.get("hashdate"), f"hash date of {path}", remarks)
        one = EntryHash(kind, digest, _action(child.get("action"), path, remarks), date)
        if found.setdefault(kind, one) != one:
            remarks.add(f"{shown(path)} has more than one {kind}: left out")
            dropped.add(kind)
    return tuple(one for kind, one in found.items() if kind not in dropped)


def _action(said: str | None, path: str, remarks: _Remarks) -> Action | None:
    if said is None:
        return None
    try:
        return Action(said)
    except ValueError:
        remarks.add(f"{shown(path)} has an unknown action ({shown(said[:40])})")
        return None


def _mtime(element: etree._Element, path: str, remarks: _Remarks) -> values.Moment:
    return _moment(element.get("lastmodificationdate"), f"time of {path}", remarks)


def _moment(said: str | None, what: str, remarks: _Remarks) -> values.Moment:
    if said is None:
        return None
    moment = values.moment(said)
    if moment is None:
        remarks.add(f"the {shown(what)} is none that can be read ({shown(said[:40])})")
    return moment


def _previous(element: etree._Element, *, folder: bool = False) -> str | None:
    previous = element.find(f"{_LIST}previousPath")
    return None if previous is None else _path(previous, "previous path", folder=folder)


def _without_hashes(entry: Entry) -> Entry:
    return Entry(entry.path, entry.size, entry.mtime, (), entry.previous_path)


def _keep_file(entry: Entry, files: dict[str, Entry], remarks: _Remarks) -> None:
    before = files.get(entry.path)
    if before is not None:
        if before == entry:
            remarks.add(f"{shown(entry.path)} is listed twice, the same")
        else:
            remarks.add(f"{shown(entry.path)} is listed twice, differently: can't be verified")
            entry = _without_hashes(entry)
    files[entry.path] = entry


def _keep_folder(
    folder: DirectoryEntry, folders: dict[str, DirectoryEntry], remarks: _Remarks
) -> None:
    before = folders.get(folder.path)
    if before is not None:
        remarks.add(f"the folder {shown(folder.path)} is listed twice")
        if before != folder:
            folder = DirectoryEntry(folder.path, folder.mtime, FolderHashes((), ()))
    folders[folder.path] = folder


def _creator(element: etree._Element | None, remarks: _Remarks) -> CreatorInfo:
    if element is None:
        remarks.add("it doesn't say who made it")
        return CreatorInfo(None, "", "")
    tool = element.find(f"{_LIST}tool")
    return CreatorInfo(
        created=_moment(_text_of(element.find(f"{_LIST}creationdate")), "creation date", remarks),
        hostname=_text_of(element.find(f"{_LIST}hostname")),
        tool=_text_of(tool),
        tool_version="" if tool is None else tool.get("version", ""),
        authors=tuple(
            Author(
                _text_of(author),
                author.get("email", ""),
                author.get("phone", ""),
                author.get("role", ""),
            )
            for author in element.iterfind(f"{_LIST}author")
        ),
        location=_text_of(element.find(f"{_LIST}location")),
        comment=_text_of(element.find(f"{_LIST}comment")),
    )


def _process(element: etree._Element | None, remarks: _Remarks) -> Process | None:
    said = "" if element is None else _text_of(element.find(f"{_LIST}process"))
    try:
        return Process(said)
    except ValueError:
        remarks.add(f"its process is none that is known ({shown(said[:40])})")
        return None


def _root_hashes(element: etree._Element | None, remarks: _Remarks) -> FolderHashes | None:
    root = None if element is None else element.find(f"{_LIST}roothash")
    return None if root is None else _folder_hashes(root, "the root", remarks)


def _ignore(element: etree._Element | None) -> tuple[str, ...]:
    patterns: Sequence[etree._Element] = (
        [] if element is None else element.findall(f"{_LIST}ignore/{_LIST}pattern")
    )
    return tuple(_text_of(pattern) for pattern in patterns)


def _references(root: etree._Element) -> Iterator[Reference]:
    for element in root.iterfind(f"{_LIST}references/{_LIST}hashlistreference"):
        path = _path(_child(element, f"{_LIST}path"), "reference")
        c4 = values.digest("c4", _text_of(_child(element, f"{_LIST}c4")))
        if c4 is None:
            raise BadManifest(f"the C4 of the reference {shown(path)} is none")
        yield Reference(path, c4)
