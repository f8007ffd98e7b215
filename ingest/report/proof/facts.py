"""What a proof says, as values: gathered once, then set as PDF, page, text, lists and JSON.

Sizes are bytes, times aware UTC, paths POSIX and exact as on the medium; whoever shows a name
passes it through `ingest.names.shown`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction

__all__ = [
    "BINDING",
    "CHECKABLE",
    "Finding",
    "Layout",
    "ProofClip",
    "ProofDrive",
    "ProofFacts",
    "ProofFile",
    "ProofRoll",
]

CHECKABLE = ("sha256", "sha512", "sha1", "md5")
"""Kinds that macOS, Windows and Linux can each check with what they bring along, the best first."""

BINDING = ("sha256", "sha512")
"""Kinds for which nobody is known to be able to make another file of the same checksum. For MD5
and SHA-1 people have done it; xxHash was never meant to withstand it."""


@dataclass(frozen=True, slots=True)
class ProofFile:
    """One file. `digests` are of the card's read; `sha512` is the C4 ID written as hexadecimal."""

    roll: str
    path: str
    """Relative to the roll's folder."""
    size: int
    mtime_ns: int
    digests: Mapping[str, str]
    later: frozenset[str] = frozenset()
    """Kinds that no read of the card gave: an audit added them, from a copy that was equal."""

    @property
    def name(self) -> str:
        return f"{self.roll}/{self.path}"

    @property
    def binds(self) -> bool:
        return any(kind in self.digests for kind in BINDING)


@dataclass(frozen=True, slots=True)
class ProofDrive:
    """One drive, and how the copies on it stood at the last look at each of them."""

    name: str
    fs_type: str
    mounted: bool
    files: int
    """Of the proof's files: those that were put on it."""
    proven: int
    """Read past the computer's cache, compared with the card's read or its digest, equal."""
    cached: int
    """Equal, but the computer may have answered from memory."""
    own_list: int
    """Equal to a list on a drive only."""
    bad: int
    waiting: int
    bytes: int
    oldest: datetime | None
    """The looks that decide: the oldest and the newest of them."""
    newest: datetime | None
    speed: Fraction | None
    """Bytes a second, as last measured; None: never."""

    @property
    def matched(self) -> int:
        return self.proven + self.cached + self.own_list

    @property
    def seconds(self) -> Fraction | None:
        """How long reading it takes; None: its speed is not known."""
        return Fraction(self.bytes) / self.speed if self.speed else None


@dataclass(frozen=True, slots=True)
class ProofRoll:
    name: str
    day: int
    date: str
    camera: str | None
    card: str
    files: int
    bytes: int
    card_read: int
    """How many times every byte of the card was read; 0: not known."""
    offloaded: datetime | None
    by: str = ""
    """Who copied it, on which computer; empty when left out."""
    manifest: str = ""
    """Its hash list, relative to the proof's folder; empty when it has none."""


@dataclass(frozen=True, slots=True)
class ProofClip:
    """A clip as a client knows it. Takes and note are empty where they are left out."""

    name: str
    day: int
    camera: str | None
    start_timecode: str | None
    duration_seconds: Fraction | None
    bytes: int
    takes: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Finding:
    """Something that is not as it should be. `drive` is empty where it is about no single one."""

    drive: str
    what: str
    """A file (ROLL/PATH), exact."""
    state: str
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Layout:
    """Where the files lie on drives that are laid out alike, relative to a drive's root."""

    drives: tuple[str, ...]
    paths: Mapping[str, str]
    """ROLL/PATH to the path on the drive."""


@dataclass(frozen=True, slots=True)
class ProofFacts:
    production: str
    client: str
    scope: str
    as_of: datetime
    rolls: tuple[ProofRoll, ...]
    files: tuple[ProofFile, ...]
    clips: tuple[ProofClip, ...]
    drives: tuple[ProofDrive, ...]
    layouts: tuple[Layout, ...]
    findings: tuple[Finding, ...]
    devices: int
    """Physical devices that the drives are shown to be."""
    machine: str
    """The computer that made it; empty when left out."""
    note: str = ""
    redacted: bool = False
    signer: str = ""
    """Fingerprint of the key that signs it (SHA256:...), or empty."""
    pdf: bool = True
    """A PDF is among its files."""

    @property
    def bytes(self) -> int:
        return sum(file.size for file in self.files)

    @property
    def well(self) -> bool:
        """Every file of it was found equal at the last look, on every drive that it is on."""
        return bool(self.files) and not self.findings

    @property
    def binds(self) -> bool:
        """Every file has a checksum that shows tampering too."""
        return all(file.binds for file in self.files)

    @property
    def unbound(self) -> int:
        return sum(not file.binds for file in self.files)

    @property
    def oldest(self) -> datetime | None:
        return min((drive.oldest for drive in self.drives if drive.oldest), default=None)

    @property
    def newest(self) -> datetime | None:
        return max((drive.newest for drive in self.drives if drive.newest), default=None)

    def coverage(self, kind: str) -> int:
        """How many files have a checksum of this kind."""
        return sum(kind in file.digests for file in self.files)

    @property
    def uncheckable(self) -> int:
        """Files without a checksum that every system can check by itself."""
        return sum(not any(kind in file.digests for kind in CHECKABLE) for file in self.files)
