"""A clip's files, found and in the making, and what the rules ask of a path."""

from __future__ import annotations

from dataclasses import dataclass, field

from ingest.media.facts import ClipKind
from ingest.media.kinds import ending

__all__ = [
    "ClipGroup",
    "Draft",
    "Grouping",
    "Key",
    "base_of",
    "folder_of",
    "in_lesser_folder",
    "stem_of",
]

Key = tuple[str, str]
"""Folder and stem."""

# Folders of things made from clips (common practice, no source).
_LESSER = frozenset(
    (
        "proxy",
        "proxies",
        "sub",
        "thmbnl",
        "thumb",
        "thumbs",
        "thumbnail",
        "thumbnails",
        "preview",
        "previews",
        "icon",
    )
)


@dataclass(frozen=True, slots=True)
class ClipGroup:
    """The files of one clip. Paths are those that came in."""

    name: str
    """Stem of its main file; with its folder in front where the card has it twice."""
    kind: ClipKind
    spans: tuple[str, ...]
    """Parts of the recording itself, in order: at least one. Of an image sequence its frames."""
    companions: tuple[str, ...] = ()
    gaps: tuple[tuple[int, int], ...] = ()
    """First and last number of each run that an image sequence lacks."""
    is_sequence: bool = False


@dataclass(frozen=True, slots=True)
class Grouping:
    clips: tuple[ClipGroup, ...]
    """In the order of their first span's path."""
    loose: tuple[str, ...]
    """Files of no clip, sorted."""


@dataclass(slots=True)
class Draft:
    """A clip in the making."""

    stem: str
    kind: ClipKind
    folder: str
    spans: list[str]
    companions: list[str] = field(default_factory=list)
    gaps: tuple[tuple[int, int], ...] = ()
    is_sequence: bool = False
    also: str = ""
    """The stem that its parts share, without their numbers; companions may be named for it."""
    name: str = ""


def folder_of(path: str) -> str:
    return path.rpartition("/")[0]


def base_of(path: str) -> str:
    return path.rpartition("/")[2]


def stem_of(path: str) -> str:
    """The name without its last ending."""
    base, end = base_of(path), ending(path)
    return base[: -len(end) - 1] if end else base


def in_lesser_folder(path: str) -> bool:
    """Whether a folder above it is named for things made from clips: proxies, thumbnails."""
    return any(part.casefold() in _LESSER for part in folder_of(path).split("/"))
