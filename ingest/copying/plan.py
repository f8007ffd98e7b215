"""The plan of an offload: where each file goes on each drive, and what speaks against it.

Everything here is refused before a byte is written. Pure, but for `take_stock`, which looks at
what already lies in a roll's folder.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

from ingest.card.inventory import CardFile
from ingest.copying.journal import Entry, read_journal
from ingest.copying.limits import objections
from ingest.copying.roll_folder import is_ours, unfinished_bytes
from ingest.copying.tree import Tree
from ingest.drives import Volume, same_device
from ingest.errors import BadDestination
from ingest.names import shown

__all__ = [
    "Stock",
    "check_names",
    "check_places",
    "copies_on",
    "inside",
    "room_for",
    "take_stock",
]

_BLOCK = 4096
_SPARE = 4 * 1024 * 1024
_SPARE_SHARE = 200


@dataclass(frozen=True, slots=True)
class Stock:
    """What lies in a roll's folder on one drive before the run. Keys are paths in the roll."""

    sizes: Mapping[str, int]
    """Length of each regular file; -1 for anything else that takes the place."""
    journal: Mapping[str, Entry]
    """What an unfinished run had compared there."""
    reclaimable: int = 0
    """Bytes held by half-written files that the next run removes."""


def check_places(
    card: Volume,
    destinations: Sequence[Volume],
    *,
    same_drive_ok: bool,
    system_disk_ok: bool,
) -> None:
    """Refuse destinations that could lose footage. Raises BadDestination."""
    for volume in destinations:
        name = shown(volume.root)
        if inside(volume.root, card.root):
            raise BadDestination(
                f"{name} lies on the card itself.", do="name a folder on another drive"
            )
        if inside(card.root, volume.root):
            raise BadDestination(
                f"The card at {shown(card.root)} lies inside {name}.",
                do="name a folder that doesn't hold the card",
            )
        if volume.read_only:
            raise BadDestination(
                f"{name} is read-only.", do="check its lock switch, or name another drive"
            )
        if not os.access(volume.root, os.W_OK | os.X_OK):
            raise BadDestination(
                f"You may not write to {name}.",
                do="ask whoever owns it for leave to write there, or name another drive",
            )
        if volume.system and not system_disk_ok:
            raise BadDestination(
                f"{name} is {volume.own_place}.",
                do="check that the drive is plugged in and mounted there; "
                "if you mean it, say --system-disk-ok",
            )
    for one, other in combinations(destinations, 2):
        if os.path.samefile(one.root, other.root):
            raise BadDestination(f"{shown(one.root)} is named twice.", do="name two drives")
        if inside(one.root, other.root) or inside(other.root, one.root):
            raise BadDestination(
                f"{shown(one.root)} and {shown(other.root)} lie inside one another.",
                do="name two drives",
            )
        if same_device(one, other) and not same_drive_ok:
            raise BadDestination(
                f"{shown(one.root)} and {shown(other.root)} are on one physical device, as far "
                f"as can be told ({shown(one.device)}): if it dies, both copies are gone.",
                do="name a folder on another drive, or say --same-drive-ok "
                "(the two then count as one copy)",
            )


def copies_on(destinations: Sequence[Volume]) -> int:
    """How many copies these destinations count for: those on one physical device count as one."""
    groups: list[list[Volume]] = []
    for volume in destinations:
        touching = [group for group in groups if any(same_device(volume, one) for one in group)]
        groups = [group for group in groups if group not in touching]
        groups.append([volume, *(one for group in touching for one in group)])
    return len(groups)


def room_for(sizes: Sequence[int]) -> int:
    """Bytes that files of these sizes take on a drive: whole blocks, and a little spare for
    folders, hash list and journal."""
    needed = sum(-(-size // _BLOCK) * _BLOCK + 512 for size in sizes)
    return needed + _SPARE + needed // _SPARE_SHARE if sizes else 0


def check_names(files: Sequence[CardFile], destination: Volume) -> None:
    """Refuse names that the drive's file system or this program can't put there. Raises
    BadDestination naming the first ones."""
    found = objections(files, destination.fs_type)
    if found:
        more = f" (and {len(found) - 1} more)" if len(found) > 1 else ""
        raise BadDestination(
            f"{shown(destination.root)} ({destination.fs_type}) can't hold "
            f"{shown(found[0].path)}: {found[0].why}{more}.",
            do="name a drive with another file system (ext4, XFS, APFS)",
        )
    for file in files:
        if is_ours(file.path.partition("/")[0]):
            raise BadDestination(
                f"The card holds {shown(file.path)}, a name that this program needs for itself "
                f"while it copies.",
                do="offload the card's other folders one by one, and that file by hand",
            )


def take_stock(root: int, folder: str, paths: Sequence[str]) -> Stock:
    """Look at what of `paths` already stands in the roll's folder below the handle `root`."""
    sizes: dict[str, int] = {}
    with Tree(root) as drive:
        try:
            handle = drive.folder(folder)
        except (FileNotFoundError, NotADirectoryError):
            return Stock({}, {})
        journal = read_journal(handle)
        with Tree(handle) as roll:
            for path in paths:
                try:
                    info = roll.stat(path)
                except FileNotFoundError:
                    continue
                except NotADirectoryError:
                    sizes[path] = -1  # a file or link stands where a folder is needed
                    continue
                sizes[path] = info.st_size if _is_file(info) else -1
        reclaimable = unfinished_bytes(handle)
    return Stock(sizes, journal, reclaimable)


def _is_file(info: os.stat_result) -> bool:
    return stat.S_ISREG(info.st_mode)


def inside(inner: str, outer: str) -> bool:
    """Whether one absolute path is, or lies below, the other. Pure."""
    return inner == outer or inner.startswith(outer.rstrip("/") + "/")
