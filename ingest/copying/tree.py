"""A folder tree reached from one handle: no step follows a link or leaves the file system.

Every path is relative to the handle. Handles of folders lately used are kept, so that thousands
of files in one folder cost one look-up. A tree belongs to one thread.
"""

from __future__ import annotations

import errno
import os
from collections import OrderedDict
from types import TracebackType
from typing import Self

from ingest import platforms
from ingest.platforms import posix_files

__all__ = ["OtherVolumeError", "Tree", "split"]

_FOLDER = posix_files.FOLDER
_KEPT = 16


class OtherVolumeError(OSError):
    """Something else is mounted below the root: what is written there lands elsewhere."""

    def __init__(self, path: str) -> None:
        super().__init__(errno.EXDEV, "another volume is mounted here", path)


def split(path: str) -> tuple[str, str]:
    """Folder (empty for the root) and last name of a relative POSIX path."""
    folder, _, name = path.rpartition("/")
    return folder, name


class Tree:
    """Opened with the handle of its root, which stays the caller's to close."""

    def __init__(self, root: int) -> None:
        self.root = root
        self.device = os.fstat(root).st_dev
        self._kept: OrderedDict[str, int] = OrderedDict()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the kept handles."""
        while self._kept:
            os.close(self._kept.popitem()[1])

    def folder(self, path: str) -> int:
        """Handle of a folder below the root, valid until the next call. Raises OSError."""
        return self._folder(path, make=None)

    def make_folder(self, path: str) -> tuple[int, tuple[str, ...]]:
        """Handle of a folder, made where absent, and the folders above what was newly made."""
        made: list[str] = []
        handle = self._folder(path, make=made)
        return handle, tuple(made)

    def _folder(self, path: str, make: list[str] | None) -> int:
        if not path:
            return self.root
        kept = self._kept.get(path)
        if kept is not None:
            self._kept.move_to_end(path)
            return kept
        above, name = split(path)
        if name in ("", ".", ".."):
            raise OSError(errno.EINVAL, "a path that leaves its root", path)
        parent = self._folder(above, make)
        try:
            handle = os.open(name, _FOLDER, dir_fd=parent)
        except FileNotFoundError:
            if make is None:
                raise
            try:
                os.mkdir(name, dir_fd=parent)
                make.append(above)
            except FileExistsError:
                pass  # another run made it at the same moment
            handle = os.open(name, _FOLDER, dir_fd=parent)
        if os.fstat(handle).st_dev != self.device:
            os.close(handle)
            raise OtherVolumeError(path)
        self._kept[path] = handle
        if len(self._kept) > _KEPT:
            self._drop_oldest(path)
        return handle

    def _drop_oldest(self, path: str) -> None:
        # Handles on the way to `path` were just used, so the oldest is never one of them.
        oldest, handle = next(iter(self._kept.items()))
        if oldest != path:
            del self._kept[oldest]
            os.close(handle)

    def stat(self, path: str) -> os.stat_result:
        """What stands at `path`, links not followed. Raises OSError."""
        above, name = split(path)
        return os.stat(name, dir_fd=self.folder(above), follow_symlinks=False)

    def open_cold(self, path: str, *, direct: bool = True) -> tuple[int, bool]:
        """Open a regular file for reading; see `platforms.open_cold`."""
        above, name = split(path)
        return platforms.open_cold(name, self.folder(above), direct=direct)
