"""Hash lists and chains that strangers wrote, read without trusting them.

How their XML is read is in `strangers`, one entry in `entries`. Every path is checked before anyone
can follow it. What the standard or its schema allows is read; what is odd but harmless is a
remark; what could mislead is refused with `BadManifest`, in one line.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

from lxml import etree

from ingest.manifest import values
from ingest.manifest.entries import (
    LIST,
    file_entry,
    folder_entry,
    folder_hashes,
    moment_in,
    without_hashes,
)
from ingest.manifest.model import (
    Author,
    BadManifest,
    ChainEntry,
    CreatorInfo,
    DirectoryEntry,
    Entry,
    FolderHashes,
    HashList,
    Process,
    Reference,
)
from ingest.manifest.strangers import Remarks, child_of, elements_of, path_in, text_of
from ingest.names import shown

__all__ = ["ReadChain", "ReadList", "read_chain", "read_manifest"]

_CHAIN = "{urn:ASC:MHL:DIRECTORY:v2.0}"
_VERSION = "2.0"  # what standard v1.0 calls itself in XML


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
    remarks = Remarks()
    files: dict[str, Entry] = {}
    folders: dict[str, DirectoryEntry] = {}
    root = None
    for element in elements_of(data, (f"{LIST}hash", f"{LIST}directoryhash")):
        outer = element.getparent()
        if outer is None:
            root = element
            _check_root(root)
        elif outer.tag == f"{LIST}hashes" and _is_root(outer.getparent()):
            if element.tag == f"{LIST}hash":
                _keep_file(file_entry(element, remarks), files, remarks)
            else:
                _keep_folder(folder_entry(element, remarks), folders, remarks)
            element.clear()
            while element.getprevious() is not None:
                del outer[0]
    if root is None:
        raise BadManifest("is no hash list: holds no element")
    for path in files.keys() & folders.keys():
        remarks.add(f"{shown(path)} is listed as a file and as a folder: can't be verified")
        files[path] = without_hashes(files[path])
        del folders[path]
    references = tuple(_references(root))
    if not files and not folders and not references:
        raise BadManifest("lists nothing: no hashes, no references")
    process = root.find(f"{LIST}processinfo")
    hash_list = HashList(
        creator=_creator(root.find(f"{LIST}creatorinfo"), remarks),
        process=_process(process, remarks),
        entries=tuple(files.values()),
        folders=tuple(folders.values()),
        root=_root_hashes(process, remarks),
        ignore=_ignore(process),
        references=references,
    )
    return ReadList(hash_list, remarks.lines())


def _read_chain(data: bytes) -> ReadChain:
    remarks = Remarks()
    root = None
    for element in elements_of(data, ()):
        root = element
    if root is None or root.tag != f"{_CHAIN}ascmhldirectory":
        raise BadManifest("is no chain of ASC MHL v1.0")
    entries: list[ChainEntry] = []
    for place, element in enumerate(root.iterfind(f"{_CHAIN}hashlist"), start=1):
        name = path_in(child_of(element, f"{_CHAIN}path"), "path in the chain")
        if "/" in name:
            raise BadManifest(f"the chain names {shown(name)}, which is no file beside it")
        sequence = values.integer(element.get("sequencenr"))
        if sequence is None:
            remarks.add(f"the chain gives {shown(name)} no number")
            sequence = place
        c4 = values.digest("c4", text_of(child_of(element, f"{_CHAIN}c4")))
        if c4 is None:
            raise BadManifest(f"the chain's C4 of {shown(name)} is none")
        entries.append(ChainEntry(sequence, name, c4))
    if not entries:
        raise BadManifest("the chain names no hash list")
    return ReadChain(tuple(entries), remarks.lines())


def _is_root(element: etree._Element | None) -> bool:
    return element is not None and element.getparent() is None


def _check_root(root: etree._Element) -> None:
    if root.tag != f"{LIST}hashlist":
        raise BadManifest("is no hash list of ASC MHL v1.0")
    version = root.get("version")
    if version != _VERSION:
        said = "none" if version is None else shown(version)
        raise BadManifest(f"has the version {said}; {_VERSION} is the one that can be read")


def _keep_file(entry: Entry, files: dict[str, Entry], remarks: Remarks) -> None:
    before = files.get(entry.path)
    if before is not None:
        if before == entry:
            remarks.add(f"{shown(entry.path)} is listed twice, the same")
        else:
            remarks.add(f"{shown(entry.path)} is listed twice, differently: can't be verified")
            entry = without_hashes(entry)
    files[entry.path] = entry


def _keep_folder(
    folder: DirectoryEntry, folders: dict[str, DirectoryEntry], remarks: Remarks
) -> None:
    before = folders.get(folder.path)
    if before is not None:
        remarks.add(f"the folder {shown(folder.path)} is listed twice")
        if before != folder:
            folder = DirectoryEntry(folder.path, folder.mtime, FolderHashes((), ()))
    folders[folder.path] = folder


def _creator(element: etree._Element | None, remarks: Remarks) -> CreatorInfo:
    if element is None:
        remarks.add("it doesn't say who made it")
        return CreatorInfo(None, "", "")
    tool = element.find(f"{LIST}tool")
    return CreatorInfo(
        created=moment_in(text_of(element.find(f"{LIST}creationdate")), "creation date", remarks),
        hostname=text_of(element.find(f"{LIST}hostname")),
        tool=text_of(tool),
        tool_version="" if tool is None else tool.get("version", ""),
        authors=tuple(
            Author(
                text_of(author),
                author.get("email", ""),
                author.get("phone", ""),
                author.get("role", ""),
            )
            for author in element.iterfind(f"{LIST}author")
        ),
        location=text_of(element.find(f"{LIST}location")),
        comment=text_of(element.find(f"{LIST}comment")),
    )


def _process(element: etree._Element | None, remarks: Remarks) -> Process | None:
    said = "" if element is None else text_of(element.find(f"{LIST}process"))
    try:
        return Process(said)
    except ValueError:
        remarks.add(f"its process is none that is known ({shown(said[:40])})")
        return None


def _root_hashes(element: etree._Element | None, remarks: Remarks) -> FolderHashes | None:
    root = None if element is None else element.find(f"{LIST}roothash")
    return None if root is None else folder_hashes(root, "the root", remarks)


def _ignore(element: etree._Element | None) -> tuple[str, ...]:
    patterns: Sequence[etree._Element] = (
        [] if element is None else element.findall(f"{LIST}ignore/{LIST}pattern")
    )
    return tuple(text_of(pattern) for pattern in patterns)


def _references(root: etree._Element) -> Iterator[Reference]:
    for element in root.iterfind(f"{LIST}references/{LIST}hashlistreference"):
        path = path_in(child_of(element, f"{LIST}path"), "reference")
        c4 = values.digest("c4", text_of(child_of(element, f"{LIST}c4")))
        if c4 is None:
            raise BadManifest(f"the C4 of the reference {shown(path)} is none")
        yield Reference(path, c4)
