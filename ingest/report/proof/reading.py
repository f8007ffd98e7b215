"""A proof as somebody received it: read whole, and refused when a byte of it was changed."""

from __future__ import annotations

import errno
import json
import os
import stat
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from ingest.checksums import KINDS
from ingest.errors import Unfinished, UsageError
from ingest.manifest.paths import path_problem
from ingest.manifest.values import digest
from ingest.names import shown
from ingest.platforms import posix_files
from ingest.report.proof.document import FORMAT
from ingest.report.proof.folder import DOCUMENT, digest_list
from ingest.report.proof.signature import check
from ingest.report.proof.verify import ALLOWED, DIGESTS, SIGNATURE

__all__ = ["BadProof", "GivenFile", "GivenLayout", "GivenProof", "read_proof"]

_MOST_BYTES = 1 << 30


class BadProof(UsageError):
    """The folder is no proof, or a proof that was changed. Nothing was compared with it."""


@dataclass(frozen=True, slots=True)
class GivenFile:
    roll: str
    path: str
    size: int
    mtime_ns: int
    digests: Mapping[str, str]

    @property
    def name(self) -> str:
        return f"{self.roll}/{self.path}"


@dataclass(frozen=True, slots=True)
class GivenLayout:
    """What lies on these drives, and where."""

    drives: tuple[str, ...]
    paths: Mapping[str, str]
    """ROLL/PATH to the path on a drive."""


@dataclass(frozen=True, slots=True)
class GivenProof:
    """What a sound proof says."""

    scope: str
    as_of: datetime
    production: str
    files: tuple[GivenFile, ...]
    layouts: tuple[GivenLayout, ...]
    signer: str
    """Fingerprint of the key that signed it, or empty."""
    shows_tampering: bool
    """It is signed, and every file has a checksum that can't be forged."""


def read_proof(folder: str, *, signer: str = "") -> GivenProof:
    """Check every byte of the folder against its list and the list against its signature, then
    read it. `signer`: the fingerprint that it must be signed with.

    Raises BadProof; BadSignature where the signature is wrong; Unfinished when it can't be read.
    """
    files = _read(folder)
    said = files.get(DIGESTS)
    if said is None:
        raise BadProof(
            f"{shown(folder)} holds no {DIGESTS}: it is no proof, or not all of one.",
            do="name the folder that ingest proof made, whole",
        )
    _compare(folder, said, digest_list(files))
    signature = files.get(SIGNATURE)
    if (signature is None) != (ALLOWED not in files):
        raise BadProof(
            f"{shown(folder)} was signed, and the signature or its key is gone.",
            do="ask the sender for it again",
            dont="believe what this copy says",
        )
    by = check(said, signature) if signature is not None else ""
    if signer and by != signer:
        raise BadProof(
            f"{shown(folder)} is signed with {by}, not with {shown(signer)}."
            if by
            else f"{shown(folder)} is not signed.",
            do="ask the sender which key it should be",
            dont="believe what this copy says",
        )
    given = _understood(folder, files.get(DOCUMENT, b""), by)
    if bool(by) != (given.signer != "") or (by and given.signer != by):
        raise BadProof(
            f"{shown(folder)} says that {given.signer or 'nobody'} signed it, but "
            f"{by or 'nobody'} did.",
            do="ask the sender for it again",
        )
    return given


def _compare(folder: str, said: bytes, found: bytes) -> None:
    if said == found:
        return
    before = dict(_entries(said))
    now = dict(_entries(found))
    changed = sorted(name for name in before if name in now and before[name] != now[name])
    gone = sorted(before.keys() - now.keys())
    new = sorted(now.keys() - before.keys())
    parts = [
        f"{word}: {', '.join(map(shown, names[:5]))}"
        for word, names in (("changed", changed), ("missing", gone), ("not of it", new))
        if names
    ]
    raise BadProof(
        f"{shown(folder)} is not as it was made ({'; '.join(parts) or f'changed: {DIGESTS}'}).",
        do="take what isn't of it out of the folder"
        if new and not (changed or gone)
        else "ask the sender for it again",
        dont="believe what this copy says",
    )


def _entries(data: bytes) -> Iterator[tuple[str, str]]:
    for line in data.decode("utf-8", "replace").splitlines():
        sum_, _, name = line.partition("  ")
        yield name, sum_


def _read(folder: str) -> dict[str, bytes]:
    """Every file below the folder. Links are not followed, and count as not of it."""
    files: dict[str, bytes] = {}
    left = _MOST_BYTES
    try:
        for place, folders, names in os.walk(folder, onerror=_raise):
            folders.sort()
            for name in sorted(names):
                path = os.path.join(place, name)
                handle = os.open(path, posix_files.FILE)
                with open(handle, "rb") as file:
                    if not stat.S_ISREG(os.fstat(handle).st_mode):
                        raise BadProof(f"{shown(path)} is no file.", do="take it out")
                    data = file.read(left + 1)
                left -= len(data)
                if left < 0:
                    raise BadProof(f"{shown(folder)} is too large for a proof.")
                inside = os.path.relpath(path, folder).replace(os.sep, "/")
                if name not in _LITTER:
                    files[inside] = data
    except OSError as error:
        if error.errno in (errno.ENOENT, errno.ENOTDIR):
            raise BadProof(
                f"There is no folder {shown(folder)}.", do="name the folder that the proof is in"
            ) from error
        raise Unfinished(
            f"The proof {shown(folder)} can't be read: {error.strerror or error}.",
            do="copy it to another place and run the same command again",
        ) from error
    return files


_LITTER = frozenset({".DS_Store", "Thumbs.db", "desktop.ini"})
"""What a file browser leaves in any folder that is opened in it."""


def _raise(error: OSError) -> None:
    raise error


def _understood(folder: str, data: bytes, signer: str) -> GivenProof:
    try:
        told = json.loads(data)
        if told["format"] != FORMAT:
            raise BadProof(
                f"{shown(folder)} is a proof of another form ({shown(str(told['format']))}).",
                do="use a newer version of ingest",
            )
        files = tuple(map(_file, told["files"]))
        layouts = tuple(map(_layout, told["layouts"]))
        return GivenProof(
            scope=str(told["scope"]),
            as_of=datetime.fromisoformat(told["as_of"]),
            production=str(told["production"]),
            files=files,
            layouts=layouts,
            signer=str(told["signer"] or ""),
            shows_tampering=bool(signer)
            and all("sha256" in one.digests or "c4" in one.digests for one in files),
        )
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise BadProof(
            f"{DOCUMENT} in {shown(folder)} can't be read as a proof.",
            do="ask the sender for it again",
        ) from error


def _file(told: Mapping[str, Any]) -> GivenFile:
    digests = {}
    for kind, text in told["digests"].items():
        if kind in KINDS and (found := digest(kind, text)) is not None:
            digests[kind] = found
    size, mtime = told["size"], told["modified_ns"]
    if type(size) is not int or size < 0 or type(mtime) is not int:
        raise ValueError("no size")
    return GivenFile(str(told["roll"]), _inside(told["path"]), size, mtime, digests)


def _layout(told: Mapping[str, Any]) -> GivenLayout:
    paths = {name: _inside(path) for name, path in told["paths"].items()}
    return GivenLayout(tuple(map(str, told["drives"])), paths)


def _inside(path: str) -> str:
    problem = path_problem(path)
    if problem:
        raise ValueError(problem)
    return path
