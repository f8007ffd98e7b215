"""Reading past the operating system's cache, and saying honestly whether that worked."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from ingest.drives import Volume
from ingest.evidence import Route

__all__ = ["ColdRead", "open_root", "read_cold", "sample"]


@dataclass(frozen=True, slots=True)
class ColdRead:
    """What one full read of a file gave."""

    size: int
    """Bytes read; equals the length the file system states, or the read failed."""
    mtime_ns: int
    digests: Mapping[str, str]
    route: Route


def open_root(root: str) -> int:
    """A handle of a folder; everything below is reached through it. The caller closes it."""
    raise NotImplementedError


def read_cold(
    root: int,
    path: str,
    kinds: Sequence[str],
    volume: Volume,
    progress: Callable[[int], None] | None = None,
) -> ColdRead:
    """Read every byte of `path` (relative to the handle `root`; links are never followed).

    `progress` is called with the count of bytes of each piece. Raises FileNotFoundError when it
    is gone, OSError when it can't be read (also when it ends before its stated length).
    """
    raise NotImplementedError


def sample(root: int, path: str, volume: Volume) -> str:
    """Digest of fixed samples of the file, read past the cache: first and last 64 KiB and six
    64 KiB pieces between (the whole of a small file). Tells files apart; proves nothing else."""
    raise NotImplementedError
