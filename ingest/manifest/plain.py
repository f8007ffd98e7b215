"""Plain checksum files, for people with nothing but coreutils or xxhsum.

`md5sum -c`, `sha1sum -c`, `sha256sum -c`, `sha512sum -c` take the GNU form: digest, two blanks,
name; a name with a backslash, line feed or carriage return is escaped and its line begins with a
backslash (GNU coreutils manual, "md5sum invocation"). `xxhsum -c` takes the same without escapes:
seen in 0.8.1, which reads names as they stand, so there only a name with a line feed is escaped,
and that version calls its line badly formatted instead of checking it. XXH3 needs the tagged form,
`XXH3 (name) = digest`, since its digests are as long as those of XXH64.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from ingest.manifest import values
from ingest.manifest.model import BadManifest
from ingest.manifest.paths import path_problem
from ingest.names import from_bytes, shown, to_bytes

__all__ = ["PLAIN_KINDS", "PlainLine", "PlainList", "plain_list", "read_plain"]

PLAIN_KINDS = ("md5", "sha1", "sha256", "sha512", "xxh64", "xxh128", "xxh3")
"""Kinds that a widespread tool can check from a plain file; sha512 is a C4 ID in hexadecimal."""

_XXHASH = ("xxh64", "xxh128", "xxh3")
_MAX_BYTES = 256 * 1024 * 1024
_TAGS = {"md5": "MD5", "sha1": "SHA1", "sha256": "SHA256", "sha512": "SHA512"} | {
    k: k.upper() for k in _XXHASH
}
_KIND_OF_TAG = {tag: kind for kind, tag in _TAGS.items()}
_TAGGED = re.compile(rb"([A-Z0-9]+) \((.*)\) = ([0-9A-Fa-f]+)", re.DOTALL)
_GNU = re.compile(rb"([0-9A-Fa-f]+) (?:[ *])?(.+)", re.DOTALL)
_ESCAPED = re.compile(rb"\\(.?)", re.DOTALL)
_UNESCAPED = {b"\\": b"\\", b"n": b"\n", b"r": b"\r"}


@dataclass(frozen=True, slots=True)
class PlainLine:
    path: str
    digest: str


@dataclass(frozen=True, slots=True)
class PlainList:
    """What a checksum file says, and the lines that could not be read, told one by one."""

    lines: tuple[PlainLine, ...]
    remarks: tuple[str, ...]


def plain_list(entries: Iterable[tuple[str, str]], kind: str) -> bytes:
    """The checksum file of (path, digest) pairs. Names are written as their exact bytes.

    Raises ValueError for a kind not in `PLAIN_KINDS`, and a path that is not relative.
    """
    if kind not in PLAIN_KINDS:
        raise ValueError(f"there is no plain checksum file of {kind}")
    return b"".join(_line(path, digest, kind) for path, digest in entries)


def read_plain(data: bytes, kind: str) -> PlainList:
    """Read a checksum file of this kind: both forms, comments, any case, either line end.

    Raises BadManifest for a path that could lead out of the folder, for a path with two
    digests, and when no line could be read.
    """
    if kind not in PLAIN_KINDS:
        raise ValueError(f"there is no plain checksum file of {kind}")
    if len(data) > _MAX_BYTES:
        raise BadManifest(f"the checksum file is larger than {_MAX_BYTES} bytes")
    found: dict[str, str] = {}
    remarks: list[str] = []
    for number, raw in enumerate(data.split(b"\n"), start=1):
        line = raw.removesuffix(b"\r") if kind not in _XXHASH else raw
        if not line.strip() or line.startswith(b"#"):
            continue
        read = _read_line(line, kind)
        if read is None:
            remarks.append(f"line {number} is no {kind} line")
            continue
        problem = path_problem(read.path)
        if problem:
            raise BadManifest(f"the path {shown(read.path)} (line {number}) {problem}")
        if found.setdefault(read.path, read.digest) != read.digest:
            raise BadManifest(f"{shown(read.path)} (line {number}) has two digests")
    if not found:
        raise BadManifest(f"the checksum file has no {kind} line")
    return PlainList(
        tuple(PlainLine(path, digest) for path, digest in found.items()), tuple(remarks)
    )


def _line(path: str, digest: str, kind: str) -> bytes:
    problem = path_problem(path)
    if problem:
        raise ValueError(f"the path {path!r} {problem}")
    # A lone dash would be taken for the standard input.
    raw = b"./-" if path == "-" else to_bytes(path)
    needs_escape = b"\n" if kind in _XXHASH else b"\\\n\r"
    escaped = any(one in needs_escape for one in raw)
    if escaped:
        raw = raw.replace(b"\\", b"\\\\").replace(b"\n", b"\\n").replace(b"\r", b"\\r")
    front = b"\\" if escaped else b""
    if kind == "xxh3":
        return front + b"XXH3 (" + raw + b") = " + digest.encode() + b"\n"
    return front + digest.encode() + b"  " + raw + b"\n"


def _read_line(line: bytes, kind: str) -> PlainLine | None:
    escaped = line.startswith(b"\\")
    body = line[1:] if escaped else line
    if tagged := _TAGGED.fullmatch(body):
        tag, raw, text = tagged.groups()
        if _KIND_OF_TAG.get(tag.decode()) != kind:
            return None
    elif (plain := _GNU.fullmatch(body)) and kind != "xxh3":
        text, raw = plain.groups()
    else:
        return None
    digest = values.digest(kind, text.decode())
    name = _unescaped(raw) if escaped else raw
    if digest is None or name is None:
        return None
    while name.startswith(b"./"):
        name = name[2:]
    return PlainLine(from_bytes(name), digest)


def _unescaped(raw: bytes) -> bytes | None:
    if any(code not in _UNESCAPED for code in _ESCAPED.findall(raw)):
        return None
    return _ESCAPED.sub(lambda match: _UNESCAPED[match.group(1)], raw)
