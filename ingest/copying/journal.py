"""The journal of a roll folder while it is being filled: what was compared, line by line.

It lies in the roll's folder on each drive, so going on after a cut needs no catalog and works
on another machine. A line says that the file under the unfinished name was read back and
matched; it is flushed before the file gets its final name. A last line that a cut tore is
ignored. The format is JSON lines, UTF-8 with everything beyond ASCII escaped.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from ingest import platforms
from ingest.platforms import posix_files

__all__ = ["JOURNAL", "Entry", "Journal", "read_journal", "read_noted_lists"]

JOURNAL = ".ingest-journal.jsonl"
_VERSION = 1
_LIMIT = 512 * 1024 * 1024


@dataclass(frozen=True, slots=True)
class Entry:
    """One file that matched: where it stood, and what the card's read gave."""

    run: str
    unfinished: str
    path: str
    size: int
    mtime_ns: int
    samples: str
    digests: Mapping[str, str]


class Journal:
    """Open for appending by the run that holds the folder's lock."""

    def __init__(self, folder: int, run: str) -> None:
        flags = (
            os.O_RDWR | os.O_APPEND | os.O_CREAT | posix_files.O_NOFOLLOW | posix_files.O_CLOEXEC
        )
        self._fd = os.open(JOURNAL, flags, 0o644, dir_fd=folder)
        self._run = run
        size = os.fstat(self._fd).st_size
        # A torn last line is ended, so that it can't swallow the next one.
        torn = size > 0 and posix_files.pread(self._fd, 1, size - 1) != b"\n"
        self._write((b"\n" if torn else b"") + _line({"journal": _VERSION, "run": run}))
        self.flush()
        platforms.flush(folder)

    def add(self, entries: Iterable[Entry]) -> None:
        """Append entries and flush: when this returns they outlive a power cut. Raises OSError."""
        lines = b"".join(
            _line(
                {
                    "file": entry.path,
                    "unfinished": entry.unfinished,
                    "size": entry.size,
                    "mtime_ns": entry.mtime_ns,
                    "samples": entry.samples,
                    "digests": dict(entry.digests),
                    "state": "compared",
                }
            )
            for entry in entries
        )
        if lines:
            self._write(lines)
            self.flush()

    def note_list(self, name: str, c4: str) -> None:
        """Note a hash list that is about to be written, and flush: one that a cut leaves outside
        its chain is known again by its C4. Raises OSError."""
        self._write(_line({"list": name, "c4": c4}))
        self.flush()

    def flush(self) -> None:
        platforms.flush(self._fd)

    def close(self) -> None:
        os.close(self._fd)

    def _write(self, data: bytes) -> None:
        view = memoryview(data)
        while view:
            view = view[os.write(self._fd, view) :]


def read_journal(folder: int) -> dict[str, Entry]:
    """The last entry for each path. Lines that can't be understood are passed over: a file
    without an entry is only copied again."""
    entries: dict[str, Entry] = {}
    run = ""
    for told in _told(folder):
        try:
            if "journal" in told:
                run = str(told["run"])
                continue
            entry = Entry(
                run,
                str(told["unfinished"]),
                str(told["file"]),
                int(told["size"]),
                int(told["mtime_ns"]),
                str(told["samples"]),
                {str(kind): str(digest) for kind, digest in told["digests"].items()},
            )
        except (ValueError, KeyError, TypeError, AttributeError):
            continue
        entries[entry.path] = entry
    return entries


def read_noted_lists(folder: int) -> dict[str, str]:
    """C4 by name of every hash list that a run here was about to write."""
    return {
        str(told["list"]): str(told["c4"])
        for told in _told(folder)
        if "list" in told and "c4" in told
    }


def _told(folder: int) -> Iterator[dict[str, Any]]:
    try:
        fd = os.open(
            JOURNAL, os.O_RDONLY | posix_files.O_NOFOLLOW | posix_files.O_CLOEXEC, dir_fd=folder
        )
    except FileNotFoundError:
        return
    with open(fd, "rb") as file:
        for line in file.read(_LIMIT).split(b"\n")[:-1]:
            try:
                told = json.loads(line)
            except ValueError:
                continue
            if isinstance(told, dict):
                yield told


def _line(told: Mapping[str, object]) -> bytes:
    return json.dumps(told, separators=(",", ":")).encode("ascii") + b"\n"
