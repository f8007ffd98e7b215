"""What report and proof share as papers on a disk: how they end, and how a disk refuses them."""

from __future__ import annotations

import contextlib
import errno
import os
from collections.abc import Mapping

from ingest import drives
from ingest.assurance.worth import is_local
from ingest.drives import DriveSeen
from ingest.errors import ExitCode, IngestError, Unfinished, UsageError
from ingest.names import shown
from ingest.platforms import posix_files
from ingest.report.typesetting import CannotTypeset

__all__ = ["flush_folder", "local_drives", "not_written", "paper_exit_code"]


def paper_exit_code(*, well: bool, not_set: CannotTypeset | None) -> ExitCode:
    """The footage goes before the paper: a PDF that is missing is only unfinished work."""
    if not well:
        return ExitCode.FOOTAGE
    return ExitCode.UNFINISHED if not_set else ExitCode.WELL


def not_written(paper: str, out: str, error: OSError) -> IngestError:
    """What to raise where a paper (`The report`) can't be written to `out`: Unfinished where room
    helps, else UsageError."""
    what = f"{paper} can't be written to {shown(out)}: {error.strerror or error}."
    if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EIO):
        return Unfinished(what, do="make room or name another folder, and run it again")
    return UsageError(what, do="name a folder that can be written: --out FOLDER")


def local_drives(mounted: Mapping[str, DriveSeen]) -> frozenset[str]:
    """Markers of the drives that are devices of this machine, of those plugged in, by marker."""
    found = set()
    for marker, seen in mounted.items():
        # A drive that leaves meanwhile is none that tells.
        with contextlib.suppress(IngestError):
            if is_local(seen.serial, drives.look_at(seen.root)):
                found.add(marker)
    return frozenset(found)


def flush_folder(path: str) -> None:
    """Make the names in a folder last. Raises OSError."""
    if os.name == "nt":  # folders can't be opened for flushing there
        return
    descriptor = os.open(path, posix_files.ROOT)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
