"""The last steps for a file on one drive: compare, journal, rename, flush folders, tell."""

from __future__ import annotations

import contextlib
import os
import queue
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from ingest import platforms
from ingest.copying.card_read import CardReadOf, Reads
from ingest.copying.journal import Entry
from ingest.copying.roll_folder import RollFolder
from ingest.copying.tree import Tree, split
from ingest.copying.values import (
    COMPARED,
    Action,
    CardState,
    CopyOutcome,
    CopyOutcomeOf,
    FileTask,
)
from ingest.evidence import Route, State

__all__ = ["Checked", "Finisher", "aside_name", "compare"]

_LONGEST = 255
"""Bytes in a name, on every file system in use (POSIX NAME_MAX on Linux and macOS)."""


@dataclass(frozen=True, slots=True)
class Checked:
    """What reading back one file gave. `name` is its unfinished name, None when it lay there."""

    task: int
    name: str | None
    read: int = 0
    """Bytes read back."""
    size: int = 0
    """Its length by another descriptor than the writer's."""
    digest: str = ""
    route: Route | None = None
    failed: str = ""
    """Why it could not be read, or empty."""


class _NewFolders(Protocol):
    new_folders: set[str]


def compare(task: FileTask, card: CardReadOf, checked: Checked) -> tuple[State, str]:
    """The state that a comparison gives, and a sentence. Pure.

    matched takes five equal lengths (inventory; the card's fstat and bytes read, which settled
    `card` as READ; bytes read back; the copy's fstat) and equal digests.
    """
    if checked.failed:
        # Only what stands under its final name is a copy that can be called unreadable.
        if checked.name is None:
            return State.UNREADABLE, checked.failed
        return State.UNVERIFIED, f"it could not be read back: {checked.failed}"
    if card.state is not CardState.READ:
        return State.UNVERIFIED, "the card's read is not whole"
    if checked.size < task.size or checked.read < task.size:
        return State.SHORT, f"{min(checked.size, checked.read)} of {task.size} bytes"
    if checked.size > task.size or checked.read > task.size:
        return State.LONG, f"{checked.size} instead of {task.size} bytes"
    if not checked.digest or checked.digest != card.digests.get(COMPARED):
        return State.MISMATCH, "same length, other content"
    return State.MATCHED, ""


class Finisher:
    """Finishes many files of one drive at a time."""

    BATCH = 512

    def __init__(
        self,
        folder: RollFolder,
        number: int,
        tasks: Sequence[FileTask],
        reads: Reads,
        outcomes: queue.SimpleQueue[CopyOutcomeOf],
        writer: _NewFolders,
    ) -> None:
        self._folder = folder
        self._tree = Tree(folder.handle)
        self._number = number
        self._tasks = tasks
        self._reads = reads
        self._outcomes = outcomes
        self._writer = writer
        self._refused = False

    def close(self) -> None:
        self._tree.close()

    def finish(self, batch: Sequence[Checked]) -> None:
        """Finish a batch of files whose card read is settled. Raises OSError when the drive
        refuses; nothing that was not flushed, journalled and renamed is told as matched, nor
        anything after a refusal: what a flush that failed left undone, no later flush makes
        good."""
        matched: list[tuple[Checked, CardReadOf]] = []
        for checked in batch:
            card = self._reads.of(checked.task)
            state, detail = compare(self._tasks[checked.task], card, checked)
            if state is State.MATCHED and checked.name is not None:
                matched.append((checked, card))
                continue
            self._remove(checked)
            if card.state is CardState.READ:
                self._tell(checked, state, detail, written=checked.name is not None)
            elif card.state is CardState.OTHER:
                self._outcomes.put((checked.task, None))
        if not matched or self._refused:
            return
        try:
            self._name(matched)
        except OSError:
            self._refused = True
            raise

    def _name(self, matched: Sequence[tuple[Checked, CardReadOf]]) -> None:
        """Journal, rename, flush folders, tell."""
        self._folder.journal.add(self._entry(checked, card) for checked, card in matched)
        folders: set[str] = set()
        told = []
        for checked, _ in matched:
            above, name = split(self._tasks[checked.task].path)
            assert checked.name is not None
            kept = self._set_aside(checked)
            try:
                atomic = platforms.rename_new(checked.name, name, self._tree.folder(above))
            except FileExistsError:
                self._remove(checked)
                taken = "something else has taken this name meanwhile"
                self._tell(checked, State.UNVERIFIED, taken, written=False)
                continue
            folders.add(above)
            told.append((checked, kept or ("" if atomic else "renamed in two steps")))
        while self._writer.new_folders:
            folders.add(self._writer.new_folders.pop())
        for above in folders:
            platforms.flush(self._tree.folder(above))
        for checked, detail in told:
            self._tell(checked, State.MATCHED, detail, written=True)

    def _set_aside(self, checked: Checked) -> str:
        """Move the damaged file out of the way of one that has matched; what to say of it.

        A crash before the next rename leaves it under this name, and the good one unfinished:
        the next run finds the place free and copies again.
        """
        task = self._tasks[checked.task]
        if task.actions[self._number] is not Action.REPLACE:
            return ""
        above, name = split(task.path)
        aside = aside_name(name, self._folder.run)
        try:
            platforms.rename_new(name, aside, self._tree.folder(above))
        except FileNotFoundError:
            return ""
        return f"what stood in its place is kept as {aside}"

    def _entry(self, checked: Checked, card: CardReadOf) -> Entry:
        task = self._tasks[checked.task]
        return Entry(
            self._folder.run,
            checked.name or "",
            task.path,
            task.size,
            task.mtime_ns,
            card.samples,
            card.digests,
        )

    def _tell(self, checked: Checked, state: State, detail: str, *, written: bool) -> None:
        outcome = CopyOutcome(
            drive=self._number,
            state=state,
            route=checked.route,
            size=checked.size,
            digest=checked.digest or None,
            detail=detail,
            written=written,
        )
        self._outcomes.put((checked.task, outcome))

    def _remove(self, checked: Checked) -> None:
        if checked.name is None:
            return
        above, _ = split(self._tasks[checked.task].path)
        # A drive that has gone keeps it; the next run removes it under the lock.
        with contextlib.suppress(OSError):
            os.unlink(checked.name, dir_fd=self._tree.folder(above))


def aside_name(name: str, run: str) -> str:
    """The name under which a damaged file is kept: unmistakable, and not too long. Pure."""
    suffix = f".set-aside-{run[:8]}"
    room = _LONGEST - len(suffix)
    try:
        kept = name.encode("utf-8")[:room].decode("utf-8", "ignore")
    except UnicodeEncodeError:
        kept = os.fsdecode(os.fsencode(name)[:room])
    return kept + suffix
