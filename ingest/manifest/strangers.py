"""XML that strangers wrote, read without trusting it: no document type, no entity, nothing fetched,
sizes and remarks limited."""

from __future__ import annotations

from collections.abc import Iterator
from io import BytesIO

from lxml import etree

from ingest.manifest.model import BadManifest
from ingest.manifest.paths import path_problem
from ingest.names import shown

__all__ = ["MAX_BYTES", "Remarks", "child_of", "elements_of", "path_in", "text_of"]

MAX_BYTES = 256 * 1024 * 1024
"""Largest file that is read: some 700,000 files in two kinds."""

_MOST_REMARKS = 200


class Remarks:
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


def elements_of(data: bytes, tags: tuple[str, ...]) -> Iterator[etree._Element]:
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


def child_of(element: etree._Element, tag: str) -> etree._Element:
    """The first child of this tag. Raises BadManifest where there is none."""
    child = element.find(tag)
    if child is None:
        name = tag.rpartition("}")[2]
        raise BadManifest(f"an entry (line {element.sourceline}) has no {name}")
    return child


def text_of(element: etree._Element | None) -> str:
    """The text in it, or empty."""
    return "" if element is None or element.text is None else element.text


def path_in(element: etree._Element, what: str = "path", *, folder: bool = False) -> str:
    """The path that it holds, checked before anyone can follow it. Raises BadManifest."""
    path = text_of(element)
    if folder and path.endswith("/"):
        path = path[:-1]
    problem = "holds elements" if len(element) else path_problem(path)
    if problem:
        raise BadManifest(f"the {what} {shown(path)!r} (line {element.sourceline}) {problem}")
    return path
