"""What report and proof share as papers on a disk: how they end, and how a disk refuses them."""

from __future__ import annotations

import errno
import os

from ingest.errors import ExitCode, IngestError, Unfinished, UsageError
from ingest.names import shown
from ingest.platforms import posix_files
from ingest.report.typesetting import CannotTypeset

__all__ = ["flush_folder", "not_written", "paper_exit_code"]


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


def flush_folder(path: str) -> None:
    """Make the names in a folder last. Raises OSError."""
    if os.name == "nt":  # folders can't be opened for flushing there
        return
    descriptor = os.open(path, posix_files.ROOT)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
