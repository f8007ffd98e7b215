"""One copy looked at, and whether its drive is still the one that it was."""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Callable, Sequence

from ingest import drives
from ingest.assurance.audit import Found, kind_to_compare
from ingest.assurance.rereading.values import Item
from ingest.copying.reading import read_cold
from ingest.copying.tree import Tree
from ingest.drives import Volume
from ingest.errors import BadDestination

__all__ = ["find", "gone"]

# Refusals that say something about this process, and nothing about the copy.
_NOT_THE_COPY = frozenset({errno.EACCES, errno.EPERM, errno.EMFILE, errno.ENFILE, errno.ENOMEM})
_ABSENT = frozenset({errno.ENOENT, errno.ENOTDIR, errno.ELOOP})


def find(
    root: int,
    item: Item,
    volume: Volume,
    *,
    quick: bool,
    also: Sequence[str] = (),
    progress: Callable[[int], None] | None = None,
) -> tuple[Found, bool]:
    """Look at one copy, and read it whole unless `quick` or its length says enough. `also`: kinds
    to compute besides the one that is compared.

    True with it: the system refused us, which is no evidence about the copy.
    """
    size = mtime_ns = None
    try:
        with Tree(root) as tree:
            info = tree.stat(item.path)
        if not stat.S_ISREG(info.st_mode):
            return Found(missing=True, detail=f"{_kind(info.st_mode)} is in its place"), False
        size, mtime_ns = info.st_size, info.st_mtime_ns
        other_length = item.expected.size is not None and size != item.expected.size
        if quick or other_length:
            return Found(size, mtime_ns), False
        kind = kind_to_compare(item.expected.digests)
        if kind is None:
            return Found(size, mtime_ns, {}), False
        read = read_cold(root, item.path, list(dict.fromkeys((kind, *also))), volume, progress)
    except OSError as error:
        detail = error.strerror or str(error)
        if error.errno in _ABSENT:
            return Found(missing=True, detail="" if error.errno == errno.ENOENT else detail), False
        return Found(size, mtime_ns, detail=detail), error.errno in _NOT_THE_COPY
    return Found(read.size, read.mtime_ns, read.digests, read.route), False


def gone(volume: Volume, root: int) -> str:
    """Why this volume is not what it was when it was looked at first, or empty."""
    try:
        now = drives.look_at(volume.root)
    except BadDestination:
        return "it is not there any more"
    if (now.st_dev, now.mount, now.disks) != (volume.st_dev, volume.mount, volume.disks):
        return "it was unplugged, or something else is mounted there now"
    try:
        os.listdir(root)
    except OSError as error:
        return f"it can't be listed any more: {error.strerror}"
    return ""


def _kind(mode: int) -> str:
    if stat.S_ISDIR(mode):
        return "a folder"
    return "a link" if stat.S_ISLNK(mode) else "something that is no file"
