"""A roll's folder on a drive, held by one run: lock, journal, unfinished names.

The lock is a folder made by mkdir, since that either happens or doesn't on every file system.
It says who holds it; one whose process is known to have ended is taken over.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import re
import socket
from collections.abc import Mapping
from types import TracebackType
from typing import Self

from ingest import platforms
from ingest.copying.journal import JOURNAL, Entry, Journal, read_journal
from ingest.copying.tree import Tree
from ingest.copying.values import Destination
from ingest.errors import BadDestination, Unfinished
from ingest.names import shown
from ingest.platforms import posix_files

__all__ = ["LOCK", "RESERVED", "RollFolder", "is_ours", "unfinished_bytes"]

LOCK = ".ingest-lock"
_OWNER = "owner.json"
_FOLDER = posix_files.FOLDER
_UNFINISHED = re.compile(r"\.ingest-([0-9a-f]{16})-\d+\.unfinished")
_LISTS = "ascmhl"
_UNFINISHED_LIST = re.compile(r"\.unfinished-[0-9a-f]{16}-[0-9a-f]{8}")
"""A hash list that was being written, in the folder of the lists."""

RESERVED = frozenset({JOURNAL, LOCK})
"""Names at the top of a roll's folder that this program needs for itself."""


def is_ours(name: str) -> bool:
    """A working file of this program, not footage: journal, lock, or an unfinished name."""
    return (
        name in RESERVED or name.startswith(f"{LOCK}-") or _UNFINISHED.fullmatch(name) is not None
    )


class RollFolder:
    """Open the folder below the drive's root handle, make it where absent, and hold it.

    Raises BadDestination when another run holds it, Unfinished when the drive refuses.
    """

    def __init__(
        self, root: int, destination: Destination, run: str, *, take_over: bool = False
    ) -> None:
        self.destination = destination
        self.abandoned = False
        """The drive answers nothing any more: touching it again would hang."""
        self.run = run
        self.root = root
        try:
            with Tree(root) as tree:
                handle, made = tree.make_folder(destination.folder)
                self.handle = os.dup(handle)
                for above in made:
                    platforms.flush(tree.folder(above))
                if not made:
                    # Whoever filled it before may have been killed between a rename and its
                    # flush: what is found here outlives a power cut from now on.
                    platforms.flush_volume(handle)
        except OSError as error:
            raise Unfinished(
                f"{shown(destination.name)}: the roll's folder can't be made: {error.strerror}.",
                do="check the drive, then run the same command again",
            ) from error
        try:
            self._lock(take_over)
            try:
                self.earlier: Mapping[str, Entry] = read_journal(self.handle)
                self._remove_unfinished()
                self.journal = Journal(self.handle, run)
            except BaseException:
                self._remove_lock(LOCK)
                raise
        except OSError as error:
            os.close(self.handle)
            raise Unfinished(
                f"{shown(destination.name)}: {error.strerror or error}.",
                do="check the drive, then run the same command again",
            ) from error
        except BaseException:
            os.close(self.handle)
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.release(complete=False)

    def release(self, *, complete: bool) -> None:
        """Let go of the folder. The journal goes only when everything in it is also in the
        catalog and the hash list; errors of a drive that has gone are of no more use here."""
        if self.handle < 0 or self.abandoned:
            return
        try:
            self.journal.close()
            self._remove_unfinished()
            if complete:
                os.unlink(JOURNAL, dir_fd=self.handle)
            self._remove_lock(LOCK)
            platforms.flush(self.handle)
        except OSError:
            pass  # a drive that has gone; its lock is taken over when it comes back
        finally:
            os.close(self.handle)
            self.handle = -1

    def _lock(self, take_over: bool) -> None:
        """Put our lock in its place, whole: it is made under a name of its own, owner and all,
        and renamed. A rename never replaces a folder that holds something."""
        mine = f"{LOCK}-{self.run}"
        os.mkdir(mine, dir_fd=self.handle)
        owner = {
            "run": self.run,
            "host": socket.gethostname(),
            "boot": platforms.boot_id(),
            "pid": os.getpid(),
        }
        self._write_owner(mine, owner)
        try:
            if self._rename(mine, LOCK):
                return
            holder = self._owner(LOCK)
            if not take_over and not _ended(holder):
                raise BadDestination(
                    f"{shown(self.destination.name)}: another run is filling this roll "
                    f"({_told(holder)}).",
                    do="wait for it; if it is known to have ended, use --take-over",
                )
            ended = f"{LOCK}-{self.run}-ended"
            if self._rename(LOCK, ended):
                if self._owner(ended) != holder:
                    self._rename(ended, LOCK)  # somebody else took over first: theirs again
                else:
                    self._remove_lock(ended)
            if not self._rename(mine, LOCK):
                raise BadDestination(
                    f"{shown(self.destination.name)}: another run has just taken this roll.",
                    do="wait for it",
                )
        except BaseException:
            self._remove_lock(mine)
            raise

    def _rename(self, old: str, new: str) -> bool:
        try:
            os.rename(old, new, src_dir_fd=self.handle, dst_dir_fd=self.handle)
        except OSError as error:
            if error.errno in (errno.ENOTEMPTY, errno.EEXIST, errno.ENOENT):
                return False
            raise
        return True

    def _write_owner(self, lock_name: str, owner: Mapping[str, object]) -> None:
        lock = os.open(lock_name, _FOLDER, dir_fd=self.handle)
        try:
            flags = (
                os.O_WRONLY
                | os.O_CREAT
                | os.O_EXCL
                | posix_files.O_NOFOLLOW
                | posix_files.O_CLOEXEC
            )
            with open(os.open(_OWNER, flags, 0o644, dir_fd=lock), "w", encoding="ascii") as file:
                json.dump(owner, file)
        finally:
            os.close(lock)

    def _owner(self, lock_name: str) -> Mapping[str, object]:
        try:
            lock = os.open(lock_name, _FOLDER, dir_fd=self.handle)
        except OSError:
            return {}
        try:
            fd = os.open(
                _OWNER, os.O_RDONLY | posix_files.O_NOFOLLOW | posix_files.O_CLOEXEC, dir_fd=lock
            )
            with open(fd, encoding="ascii") as file:
                told = json.loads(file.read(4096))
                return told if isinstance(told, dict) else {}
        except (OSError, ValueError):
            return {}
        finally:
            os.close(lock)

    def _remove_lock(self, lock_name: str) -> None:
        try:
            lock = os.open(lock_name, _FOLDER, dir_fd=self.handle)
        except FileNotFoundError:
            return
        try:
            with contextlib.suppress(FileNotFoundError):
                os.unlink(_OWNER, dir_fd=lock)
        finally:
            os.close(lock)
        os.rmdir(lock_name, dir_fd=self.handle)

    def _remove_unfinished(self) -> None:
        """Remove what ended runs left half-written here; only names of our own making.

        A file that was compared but not yet renamed is among them: it is copied again.
        """
        _remove_below(self.handle, os.fstat(self.handle).st_dev)
        for name in os.listdir(self.handle):
            if name.startswith(f"{LOCK}-"):
                self._remove_lock(name)
        with contextlib.suppress(FileNotFoundError, NotADirectoryError), Tree(self.handle) as tree:
            lists = tree.folder(_LISTS)
            for name in os.listdir(lists):
                if _UNFINISHED_LIST.fullmatch(name):
                    os.unlink(name, dir_fd=lists)


def _remove_below(folder: int, device: int) -> None:
    with os.scandir(folder) as entries:
        for entry in entries:
            if entry.is_dir(follow_symlinks=False):
                if entry.name.startswith(LOCK):
                    continue
                below = os.open(entry.name, _FOLDER, dir_fd=folder)
                try:
                    if os.fstat(below).st_dev == device:
                        _remove_below(below, device)
                finally:
                    os.close(below)
            elif _UNFINISHED.fullmatch(entry.name):
                os.unlink(entry.name, dir_fd=folder)


def unfinished_bytes(folder: int) -> int:
    """Room that half-written files of ours hold below an open roll folder, in bytes."""
    held = 0
    with os.scandir(folder) as entries:
        for entry in entries:
            with contextlib.suppress(FileNotFoundError):  # a run that is at it right now
                if entry.is_dir(follow_symlinks=False):
                    below = os.open(entry.name, _FOLDER, dir_fd=folder)
                    try:
                        held += unfinished_bytes(below)
                    finally:
                        os.close(below)
                elif _UNFINISHED.fullmatch(entry.name):
                    held += posix_files.taken(entry.stat(follow_symlinks=False))
    return held


def _ended(owner: Mapping[str, object]) -> bool:
    """Whether the holder is known to have ended: this machine, and another boot or no such
    process; or it was letting go and had already removed its name.
    """
    if not owner:
        return True
    if owner.get("host") != socket.gethostname():
        return False
    if owner.get("boot") != platforms.boot_id():
        return True
    pid = owner.get("pid")
    if not isinstance(pid, int):
        return False
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return True
    except PermissionError:
        return False
    return False


def _told(owner: Mapping[str, object]) -> str:
    host, pid = owner.get("host"), owner.get("pid")
    return f"process {pid} on {shown(str(host))}" if host else "holder unknown"
