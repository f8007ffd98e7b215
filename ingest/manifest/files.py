"""Reading small files below a folder handle, following no link and waiting for no pipe."""

from __future__ import annotations

import errno
import os
import stat

from ingest import checksums
from ingest.manifest.model import CHAIN_NAME, HISTORY_FOLDER, BadManifest
from ingest.manifest.strangers import MAX_BYTES
from ingest.platforms import posix_files

__all__ = [
    "LINK_ERRORS",
    "c4_of",
    "not_a_folder",
    "open_folder",
    "read_chain_file",
    "read_checked",
]

LINK_ERRORS = (errno.ELOOP, errno.ENOTDIR)
"""What the system says when a link stands where a folder or file should be."""

_MAX_CHAIN_BYTES = 4 * 1024 * 1024  # some 20,000 generations
_NOT_A_FILE = (*LINK_ERRORS, errno.ENAMETOOLONG, errno.ENXIO, errno.EISDIR)
_FOLDER = posix_files.FOLDER
_FILE = posix_files.FILE


def open_folder(above_fd: int, name: str) -> int:
    """A handle of the folder of this name. Raises OSError, also when it is a link."""
    return os.open(name, _FOLDER, dir_fd=above_fd)


def not_a_folder(error: OSError) -> OSError | BadManifest:
    """What to raise when the history's folder could not be opened."""
    if error.errno in LINK_ERRORS:
        return BadManifest(f"{HISTORY_FOLDER} is a link or no folder, and is not followed")
    return error


def read_chain_file(folder_fd: int) -> bytes | None:
    """The bytes of the chain in the history's folder; None when there is none."""
    try:
        return read_checked(folder_fd, CHAIN_NAME, _MAX_CHAIN_BYTES)
    except FileNotFoundError:
        return None


def read_checked(folder_fd: int, path: str, limit: int = MAX_BYTES) -> bytes:
    """The bytes of the file at this relative path (already checked by `path_problem`).

    Raises FileNotFoundError when it is gone, BadManifest when it or a folder above it is a link,
    when it is no plain file or has more than `limit` bytes, and OSError when it can't be read.
    """
    *folders, name = path.split("/")
    here = os.dup(folder_fd)
    try:
        for folder in folders:
            below = open_folder(here, folder)
            os.close(here)
            here = below
        fd = os.open(name, _FILE, dir_fd=here)
    except OSError as error:
        if error.errno in _NOT_A_FILE:
            raise BadManifest("is a link or no file, and is not followed") from error
        raise
    finally:
        os.close(here)
    try:
        return _read_all(fd, limit)
    finally:
        os.close(fd)


def c4_of(data: bytes) -> str:
    """The C4 ID of these bytes."""
    hasher = checksums.new("c4")
    hasher.update(data)
    return hasher.hexdigest()


def _read_all(fd: int, limit: int) -> bytes:
    seen = os.fstat(fd)
    if not stat.S_ISREG(seen.st_mode):
        raise BadManifest("is no plain file")
    if seen.st_size > limit:
        raise BadManifest(f"is larger than {limit} bytes")
    pieces = []
    left = seen.st_size
    while left:
        piece = os.read(fd, min(left, 1 << 20))
        if not piece:
            raise BadManifest("ended before its stated length")
        pieces.append(piece)
        left -= len(piece)
    return b"".join(pieces)
