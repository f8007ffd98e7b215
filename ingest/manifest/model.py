"""What a hash list says, as plain facts (ASC MHL v1.0, 15 March 2022).

A *hash list* (the standard's manifest) is one generation of a roll's history: the files that
were looked at in one process, with a digest of each in one or more kinds. The *chain* is the
table of contents of the history. Paths are POSIX, relative to the roll's folder, as in
`ingest.names`. Digests are text as in `ingest.checksums`.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import StrEnum

from ingest.errors import UsageError

__all__ = [
    "ALWAYS_IGNORED",
    "CHAIN_NAME",
    "HISTORY_FOLDER",
    "MANIFEST_SUFFIX",
    "Action",
    "Author",
    "BadManifest",
    "ChainEntry",
    "CreatorInfo",
    "DirectoryEntry",
    "Entry",
    "EntryHash",
    "FolderHashes",
    "HashList",
    "Process",
    "Reference",
    "utc_from_ns",
]

HISTORY_FOLDER = "ascmhl"
"""Name of the folder that holds a history (section 5.3.1)."""

CHAIN_NAME = "ascmhl_chain.xml"
"""Name of the chain file in it (section 7.3)."""

MANIFEST_SUFFIX = ".mhl"
"""How the name of every hash list of a history ends (section 6.3)."""

ALWAYS_IGNORED = (".DS_Store", "ascmhl/")
"""The default ignore patterns (section 5.6.1.2): they hold, written down or not."""


class BadManifest(UsageError):
    """A hash list, chain or checksum file that can't be read or can't be made. Not followed."""


class Action(StrEnum):
    """What a digest in a hash list stands for (section 5.2)."""

    ORIGINAL = "original"
    """The first digest of this file in this history."""
    VERIFIED = "verified"
    """Read from this copy, and equal to what was recorded before."""
    FAILED = "failed"
    """Read from this copy, and not equal to what was recorded before. Never verify against it."""


class Process(StrEnum):
    """How the hash list came to be (section 6.4.6)."""

    IN_PLACE = "in-place"
    TRANSFER = "transfer"
    FLATTEN = "flatten"


@dataclass(frozen=True, slots=True)
class EntryHash:
    """One digest. `action` None: the list does not say, so it is not to be taken as good."""

    kind: str
    digest: str
    action: Action | None = None
    hashdate: datetime | None = None
    """When it was computed; None: when the list was made."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One file. No hashes: listed, and not verifiable."""

    path: str
    size: int | None
    """Bytes."""
    mtime: datetime | None
    """Aware when written by us; without zone where a stranger's list gives none."""
    hashes: tuple[EntryHash, ...]
    previous_path: str | None = None
    """The path in the generation before, where the file was renamed (section 5.6.6)."""


@dataclass(frozen=True, slots=True)
class FolderHashes:
    """The two hashes of a folder, in the same kinds (section 6.5.2)."""

    content: tuple[EntryHash, ...]
    structure: tuple[EntryHash, ...]


@dataclass(frozen=True, slots=True)
class DirectoryEntry:
    """One folder below the root, with its hashes. The path has no trailing slash."""

    path: str
    mtime: datetime | None
    hashes: FolderHashes
    previous_path: str | None = None


@dataclass(frozen=True, slots=True)
class Author:
    """Who answers for the list. An email that is not one (a@b.c) is left out when written."""

    name: str
    email: str = ""
    phone: str = ""
    role: str = ""


@dataclass(frozen=True, slots=True)
class CreatorInfo:
    """Who made the list, where, with what. `created` is None only in a stranger's list."""

    created: datetime | None
    hostname: str
    tool: str
    tool_version: str = ""
    authors: tuple[Author, ...] = ()
    location: str = ""
    comment: str = ""


@dataclass(frozen=True, slots=True)
class Reference:
    """A hash list of a nested history: path relative to the roll's folder, and its C4."""

    path: str
    c4: str


@dataclass(frozen=True, slots=True)
class HashList:
    """One generation. `process` is None only where a stranger's list does not say."""

    creator: CreatorInfo
    process: Process | None
    entries: tuple[Entry, ...] = ()
    folders: tuple[DirectoryEntry, ...] = ()
    root: FolderHashes | None = None
    ignore: tuple[str, ...] = ALWAYS_IGNORED
    references: tuple[Reference, ...] = ()


@dataclass(frozen=True, slots=True)
class ChainEntry:
    """One line of the chain: `name` is a file in the history's folder (section 7.4.2)."""

    sequence: int
    name: str
    c4: str


_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def utc_from_ns(nanoseconds: int) -> datetime | None:
    """The UTC time of a file system's nanoseconds since 1970, cut to the microsecond.

    None for a time outside the years 1 to 9999, which a hash list can't state.
    """
    try:
        return _EPOCH + timedelta(microseconds=nanoseconds // 1000)
    except OverflowError:
        return None
