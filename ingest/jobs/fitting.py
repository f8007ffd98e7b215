"""Whether files fit on a drive, and what is told where they don't."""

from __future__ import annotations

import errno
from collections.abc import Sequence

from ingest.copying.plan import room_for
from ingest.drives import Volume
from ingest.errors import BadDestination
from ingest.names import shown
from ingest.platforms import posix_files
from ingest.wording import size

__all__ = ["BESIDES", "check_room", "free_room", "is_full"]

BESIDES = "folders, hash lists and what each file's last block leaves empty"
"""What `room_for` sets aside room for, besides the files' own bytes."""


def check_room(destination: Volume, sizes: Sequence[int], reclaimable: int = 0) -> None:
    """Refuse a drive on which files of these sizes (bytes) don't fit together with what they
    bring along. `reclaimable`: bytes that become free before the first is written. Raises
    BadDestination, its figures in bytes."""
    needed = room_for(sizes)
    free = destination.free + reclaimable
    if needed <= free:
        return
    files = sum(sizes)
    raise BadDestination(
        f"Not enough room on {shown(destination.root)}: {size(needed - free)} too little. "
        f"The files take {size(files)}, {size(needed - files)} is set aside for {BESIDES}, and "
        f"{size(free)} is free.",
        do="name a drive with more room, or make room on this one",
        figures={"files": files, "set_aside": needed - files, "needed": needed, "free": free},
    )


def free_room(handle: int) -> int:
    """Bytes that may still be written to the file system of an open folder. Raises OSError."""
    _, free, _ = posix_files.room(handle)
    return free


def is_full(error: BaseException | None) -> bool:
    """Whether a drive refused because it has no room left."""
    return isinstance(error, OSError) and error.errno in (errno.ENOSPC, errno.EDQUOT)
