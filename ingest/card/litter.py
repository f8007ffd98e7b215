"""System litter: what operating systems leave on every volume they touch. It is not footage.

Not copied, an ignore pattern in the hash list, counted in one line, never a reason to hold.
The names are common knowledge of the systems named beside them (no single source).
"""

from __future__ import annotations

__all__ = ["IGNORE_PATTERNS", "is_litter"]

_FOLDERS = {
    ".Spotlight-V100": "macOS search index",
    ".Trashes": "macOS trash",
    ".Trash": "macOS and Linux trash",
    ".fseventsd": "macOS change log",
    ".TemporaryItems": "macOS temporary files",
    ".DocumentRevisions-V100": "macOS versions store",
    "System Volume Information": "Windows restore and index data",
    "$RECYCLE.BIN": "Windows trash",
    "RECYCLER": "Windows trash, older",
    "lost+found": "ext file systems, for repaired files",
}

_FILES = {
    ".DS_Store": "macOS folder view",
    ".apdisk": "macOS shared-disk note",
    ".VolumeIcon.icns": "macOS volume picture",
    ".com.apple.timemachine.donotpresent": "macOS backup note",
    ".metadata_never_index": "macOS index note",
    "Thumbs.db": "Windows thumbnails",
    "ehthumbs.db": "Windows thumbnails",
    "desktop.ini": "Windows folder view",
    "IndexerVolumeGuid": "Windows index",
}

# `.Trash-1000` and the like: Linux desktops, one trash folder for each user id.
_TRASH_PREFIX = ".Trash-"

# `._NAME`: macOS keeps a file's extra attributes beside it where the file system can't.
_ATTRIBUTES_PREFIX = "._"

_FOLDERS_FOLDED = frozenset(name.casefold() for name in _FOLDERS)
_FILES_FOLDED = frozenset(name.casefold() for name in _FILES)

IGNORE_PATTERNS = (
    *(f"{name}/" for name in _FOLDERS),
    *_FILES,
    f"{_TRASH_PREFIX}*/",
    f"{_ATTRIBUTES_PREFIX}*",
)
"""The same list as .gitignore-style patterns (ASC MHL v1.0 Appendix C)."""


def is_litter(name: str, *, folder: bool) -> bool:
    """Whether a file or folder of this name (one path component) is system litter."""
    folded = name.casefold()
    if folder:
        return folded in _FOLDERS_FOLDED or name.startswith(_TRASH_PREFIX)
    return folded in _FILES_FOLDED or name.startswith(_ATTRIBUTES_PREFIX)
