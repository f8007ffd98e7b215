"""What is on a card: every regular file, hidden and empty ones too, and what is not copied.

Links and special files are never followed; they are named. Litter is counted. A folder that
can't be listed is named, and makes the card's verdict a hold, since nobody knows what is in it.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from dataclasses import dataclass, field

from ingest.card.litter import is_litter
from ingest.errors import BadCard
from ingest.names import shown
from ingest.platforms import posix_files

__all__ = [
    "OTHER_VOLUME",
    "CardFile",
    "Inventory",
    "NotFollowed",
    "Unreadable",
    "card_inventory",
    "inventory",
]


OTHER_VOLUME = "other volume"
"""Kind of a folder on which another file system is mounted."""


@dataclass(frozen=True, slots=True)
class CardFile:
    path: str
    """POSIX, relative to the card's root, exact."""
    size: int
    mtime_ns: int


@dataclass(frozen=True, slots=True)
class NotFollowed:
    path: str
    kind: str
    """link, pipe, socket, device, or other volume."""


@dataclass(frozen=True, slots=True)
class Unreadable:
    path: str
    detail: str


@dataclass(frozen=True, slots=True)
class Inventory:
    root: str
    files: tuple[CardFile, ...]
    """Sorted by path, as bytes."""
    empty_folders: tuple[str, ...] = ()
    not_followed: tuple[NotFollowed, ...] = ()
    litter: tuple[CardFile, ...] = ()
    unreadable: tuple[Unreadable, ...] = ()

    @property
    def bytes(self) -> int:
        return sum(file.size for file in self.files)


@dataclass(slots=True)
class _Found:
    files: list[CardFile] = field(default_factory=list)
    empty_folders: list[str] = field(default_factory=list)
    not_followed: list[NotFollowed] = field(default_factory=list)
    litter: list[CardFile] = field(default_factory=list)
    unreadable: list[Unreadable] = field(default_factory=list)


def inventory(root: str) -> Inventory:
    """Look at everything below `root` without opening a single file.

    Raises BadCard when `root` is absent, no folder, can't be listed, or holds no files.
    """
    name = shown(root)
    try:
        info = os.stat(root)
    except FileNotFoundError:
        raise BadCard(
            f"There is no card at {name}.", do="plug it in, wait until it is mounted, and try again"
        ) from None
    except OSError as error:
        raise _shut(root, error) from error
    if not stat.S_ISDIR(info.st_mode):
        raise BadCard(
            f"{name} is a file, not a card.", do="name the card's top folder (where it is mounted)"
        )
    found = _Found()
    handle = os.open(root, posix_files.ROOT)
    try:
        try:
            entries = os.listdir(handle)
        except OSError as error:
            raise _shut(root, error) from error
        if entries:
            _walk(handle, "", info.st_dev, found, litter=False)
    finally:
        os.close(handle)
    if not found.files and not found.unreadable:
        raise BadCard(
            f"The card at {name} is empty.",
            do="check that it is the right card, and that it is mounted",
            dont="format it before you know where its footage is",
        )
    return Inventory(
        root=root,
        files=tuple(sorted(found.files, key=lambda file: os.fsencode(file.path))),
        empty_folders=tuple(sorted(found.empty_folders)),
        not_followed=tuple(found.not_followed),
        litter=tuple(found.litter),
        unreadable=tuple(found.unreadable),
    )


def card_inventory(root: str) -> Inventory:
    """`inventory` of a card that a person named: what stops it is a BadCard, never an OSError."""
    try:
        return inventory(root)
    except OSError as error:
        raise _shut(root, error) from error


def _shut(root: str, error: OSError) -> BadCard:
    return BadCard(
        f"The card at {shown(root)} can't be looked at: {error.strerror or error}.",
        do="check that it is plugged in and mounted, then run the same command again",
    )


def _walk(folder: int, prefix: str, device: int, found: _Found, *, litter: bool) -> None:
    empty = True
    for name, info in _entries(folder, prefix, found):
        path = prefix + name
        mode = info.st_mode
        if stat.S_ISDIR(mode):
            left_out = litter or is_litter(name, folder=True)
            empty = empty and left_out
            if info.st_dev != device:
                found.not_followed.append(NotFollowed(path, OTHER_VOLUME))
                continue
            try:
                below = os.open(
                    name,
                    posix_files.FOLDER,
                    dir_fd=folder,
                )
            except OSError as error:
                if not left_out:
                    found.unreadable.append(Unreadable(path, error.strerror or str(error)))
                continue
            try:
                _walk(below, path + "/", device, found, litter=left_out)
            finally:
                os.close(below)
        elif stat.S_ISREG(mode):
            file = CardFile(path, info.st_size, info.st_mtime_ns)
            if litter or is_litter(name, folder=False):
                found.litter.append(file)
            else:
                empty = False
                found.files.append(file)
        elif not litter:
            empty = False
            found.not_followed.append(NotFollowed(path, _kind(mode)))
    if empty and prefix and not litter:
        found.empty_folders.append(prefix.rstrip("/"))


def _entries(folder: int, prefix: str, found: _Found) -> Iterator[tuple[str, os.stat_result]]:
    try:
        names = sorted(os.listdir(folder))
    except OSError as error:
        found.unreadable.append(Unreadable(prefix.rstrip("/"), error.strerror or str(error)))
        return
    for name in names:
        try:
            yield name, os.stat(name, dir_fd=folder, follow_symlinks=False)
        except OSError as error:
            found.unreadable.append(Unreadable(prefix + name, error.strerror or str(error)))


def _kind(mode: int) -> str:
    if stat.S_ISLNK(mode):
        return "link"
    if stat.S_ISFIFO(mode):
        return "pipe"
    if stat.S_ISSOCK(mode):
        return "socket"
    return "device"
