"""What a file system can hold: names, lengths, sizes. Pure; asked before a byte is written.

Sources: exFAT specification 7.6.3, 7.7.3 (255 UTF-16 units, Table 35 of characters, names equal
after up-casing); "Naming Files, Paths, and Namespaces" for the names that Windows keeps for
itself; FAT32's size field has 4 bytes (from memory); NAME_MAX is 255 bytes on Linux file systems.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from ingest.card.inventory import CardFile
from ingest.names import shown, to_bytes

__all__ = ["Objection", "objections"]

_WINDOWS_LIKE = frozenset({"exfat", "fuseblk", "vfat", "msdos", "ntfs", "ntfs3", "fuse.exfat"})
_FORBIDDEN = frozenset('"*/:<>?\\|') | frozenset(map(chr, range(32)))
_KEPT_BY_WINDOWS = frozenset(
    {"con", "prn", "aux", "nul"}
    | {f"{port}{digit}" for port in ("com", "lpt") for digit in "123456789¹²³"}
)
_FAT32_LARGEST = 2**32 - 1


@dataclass(frozen=True, slots=True)
class Objection:
    path: str
    why: str


def objections(files: Iterable[CardFile], fs_type: str) -> tuple[Objection, ...]:
    """What of `files` a drive with this file system can't hold, and why."""
    found: list[Objection] = []
    folded: dict[str, str] = {}
    windows_like = fs_type in _WINDOWS_LIKE
    for file in files:
        for part in file.path.split("/"):
            why = _name_objection(part, windows_like)
            if why:
                found.append(Objection(file.path, why))
                break
        if fs_type in ("vfat", "msdos") and file.size > _FAT32_LARGEST:
            found.append(Objection(file.path, "a FAT32 file holds at most 4,294,967,295 bytes"))
        if windows_like:
            other = folded.setdefault(file.path.upper(), file.path)
            if other != file.path:
                found.append(Objection(file.path, f"this drive can't tell it from {shown(other)}"))
    return tuple(found)


def _name_objection(part: str, windows_like: bool) -> str:
    if not windows_like:
        return "the name is longer than 255 bytes" if len(to_bytes(part)) > 255 else ""
    if any("\udc80" <= character <= "\udcff" for character in part):
        return "the name is not valid UTF-8, which this drive can't keep"
    forbidden = next((character for character in part if character in _FORBIDDEN), None)
    if forbidden is not None:
        return f"this drive can't keep a name with {shown(forbidden)}"
    if len(part.encode("utf-16-le")) > 510:
        return "the name is longer than 255 UTF-16 units"
    if part[-1:] in (" ", "."):
        return "this drive can't keep a name that ends in a space or a full stop"
    if part.partition(".")[0].casefold() in _KEPT_BY_WINDOWS:
        return "Windows keeps this name for itself"
    return ""
