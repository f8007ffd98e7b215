"""A roll's folder on a drive, held by one run: lock, journal, unfinished names.

The lock is a folder made by mkdir, since that either happens or doesn't on every file system.
It says who holds it; one whose process is known to have ended is taken over.
"""

from __future__ import annotations

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

__all__ = ["LOCK", "RESERVED", "RollFolder", "is_ours"]

LOCK = ".ingest-lock"
_OWNER = "owner.json"
_UNFINISHED = re.compile(r"\.ingest-([0-9a-f]{16})-\d+\.unfinished")

RESERVED = frozenset({JOURNAL, LOCK})
"""Names at the top of a roll's folder that this program needs for itself."""


def is_ours(name: str) -> bool:
    """A working file of this program, not footage: journal, lock, or an unfinished name."""
    return name in RESERVED or _UNFINISHED.fullmatch(name) is not None


class RollFolder:
    """Open the folder below the drive's root handle, make it where absent, and hold it.

    Raises BadDestination when another run holds it, Unfinished when the drive refuses.
    """

    def __init__(
        self, root: int, destination: Destination, run: str, *, take_over: bool = False
    ) -> None:
        self.destination = destination
        self.run = run
        self.root = root
        try:
            with Tree(root) as tree:
                handle, made = tree.make_folder(destination.folder)
                self.handle = os.dup(handle)
                for above in made:
                    platforms.flush(tree.folder(above))
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
                self._unlock()
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
        if self.handle < 0:
            return
        try:
            self.journal.close()
            if complete:
                os.unlink(JOURNAL, dir_fd=self.handle)
            self._unlock()
            platforms.flush(self.handle)
        except OSError:
            pass  # a drive that has gone; its lock is taken over when it comes back
        finally:
            os.close(self.handle)
            self.handle = -1

    def _lock(self, take_over: bool) -> None:
        try:
            os.mkdir(LOCK, dir_fd=self.handle)
        except FileExistsError:
            owner = self._owner()
            if not take_over and not _ended(owner):
                raise BadDestination(
                    f"{shown(self.destination.name)}: another run is filling this roll "
                    f"({_told(owner)}).",
                    do="wait for it; if it is known to have ended, use --take-over",
                ) from None
        owner = {
            "run": self.run,
            "host": socket.gethostname(),
            "boot": platforms.boot_id(),
            "pid": os.getpid(),
        }
        lock = os.open(LOCK, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW, dir_fd=self.handle)
        try:
            flags = os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_NOFOLLOW | os.O_CLOEXEC
            with open(os.open(_OWNER, flags, 0o644, dir_fd=lock), "w", encoding="ascii") as file:
                json.dump(owner, file)
        finally:
            os.close(lock)

    def _owner(self) -> Mapping[str, object]:
        try:
            lock = os.open(LOCK, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW, dir_fd=self.handle)
        except OSError:
            return {}
        try:
            fd = os.open(_OWNER, os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC, dir_fd=lock)
            with open(fd, encoding="ascii") as file:
                told = json.loads(file.read(4096))
                return told if isinstance(told, dict) else {}
        except (OSError, ValueError):
            return {}
        finally:
            os.close(lock)

    def _unlock(self) -> None:
        lock = os.open(LOCK, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW, dir_fd=self.handle)
        try:
            os.unlink(_OWNER, dir_fd=lock)
        finally:
            os.close(lock)
        os.rmdir(LOCK, dir_fd=self.handle)

    def _remove_unfinished(self) -> None:
        """Remove what ended runs left half-written here; only names of our own making.

        A file that was compared but not yet renamed is among them: it is copied again.
        """
        _remove_below(self.handle, os.fstat(self.handle).st_dev)


def _remove_below(folder: int, device: int) -> None:
    with os.scandir(folder) as entries:
        for entry in entries:
            if entry.is_dir(follow_symlinks=False):
                if entry.name == LOCK:
                    continue
                flags = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
                below = os.open(entry.name, flags, dir_fd=folder)
                try:
                    if os.fstat(below).st_dev == device:
                        _remove_below(below, device)
                finally:
                    os.close(below)
            elif _UNFINISHED.fullmatch(entry.name):
                os.unlink(entry.name, dir_fd=folder)


def _ended(owner: Mapping[str, object]) -> bool:
    """Whether the holder is known to have ended: this machine, and another boot or no such
    process. A lock that says nothing was cut off while it was made, or is on its way: not known.
    """
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
