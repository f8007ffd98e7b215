"""A bench for the copy engine: a card, drives, and what a run gave. Used by its unit tests."""

from __future__ import annotations

import errno
import os
import random
import threading
import time
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path

from ingest.copying.engine import copy
from ingest.copying.head_start import HeadStart
from ingest.copying.reading import open_root
from ingest.copying.roll_folder import RollFolder, is_ours
from ingest.copying.values import (
    Action,
    Destination,
    Event,
    FileOutcome,
    FileTask,
)
from ingest.drives import look_at
from ingest.evidence import State

MIB = 1024 * 1024
NAMES = ("HERON", "OTTER", "STOAT")
FOLDER = "Salt Wind/D01/A001"
TIME = 1_773_500_000_123_456_789
BULK = random.Random(3).randbytes(40 * MIB)
SIZES = (0, 1, 4095, 4096, 4097, MIB, MIB + 1, 4 * MIB, 4 * MIB + 13, 40 * MIB)


def content(size: int, shift: int = 0) -> bytes:
    """Bytes that differ from file to file."""
    return BULK[shift:size] + BULK[: min(shift, size)]


@dataclass
class Bench:
    """A card, drives, and what the last copy gave."""

    place: Path
    stack: ExitStack
    drives: tuple[str, ...] = NAMES[:1]
    folders: list[RollFolder] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)

    @property
    def card(self) -> Path:
        return self.place / "card"

    def roll(self, drive: str = "HERON") -> Path:
        return self.place / drive / FOLDER

    def put(self, path: str, data: bytes) -> FileTask:
        """A file on the card, and the task that its inventory would give."""
        place = os.fsencode(self.card) + b"/" + os.fsencode(path)
        os.makedirs(os.path.dirname(place), exist_ok=True)
        with open(place, "wb") as file:
            file.write(data)
        os.utime(place, ns=(TIME, TIME + len(data)))
        return FileTask(path, len(data), TIME + len(data), (Action.WRITE,) * len(self.drives))

    def open(self) -> list[RollFolder]:
        for drive in self.drives:
            (self.place / drive).mkdir(exist_ok=True)
            root = open_root(str(self.place / drive))
            self.stack.callback(os.close, root)
            place = Destination(drive, look_at(str(self.place / drive)), FOLDER)
            self.folders.append(self.stack.enter_context(RollFolder(root, place, "a" * 16)))
        return self.folders

    def copy(
        self,
        tasks: Sequence[FileTask],
        *,
        kinds: Sequence[str] = ("md5",),
        stop: threading.Event | None = None,
        tell: Callable[[Event], None] | None = None,
        memory: int = 16 * MIB,
        patience_s: float = 60,
        head_start: HeadStart | None = None,
        begun: Callable[[FileOutcome], None] = lambda outcome: None,
    ) -> dict[str, FileOutcome]:
        """Copy, poisoned, and give the outcomes by path; each task must have exactly one."""
        folders = self.folders or self.open()
        card = open_root(str(self.card))
        found: dict[str, FileOutcome] = {}
        try:
            for outcome in copy(
                card,
                look_at(str(self.card)),
                tasks,
                folders,
                kinds=kinds,
                stop=stop or threading.Event(),
                tell=tell or self.events.append,
                memory=memory,
                patience_s=patience_s,
                poisoned=True,
                head_start=head_start,
            ):
                assert outcome.path not in found
                found[outcome.path] = outcome
                begun(outcome)
        finally:
            os.close(card)
        assert set(found) == {task.path for task in tasks}
        return found

    def on_drive(self, drive: str = "HERON") -> dict[str, bytes]:
        """Every file with a final name in the roll's folder, by path."""
        roll = os.fsencode(self.roll(drive))
        found = {}
        for top, folders, files in os.walk(roll):
            folders[:] = [name for name in folders if not is_ours(os.fsdecode(name))]
            for name in files:
                if not is_ours(os.fsdecode(name)):
                    place = os.path.join(top, name)
                    with open(place, "rb") as file:
                        found[os.fsdecode(os.path.relpath(place, roll))] = file.read()
        return found


def here() -> str:
    return threading.current_thread().name


def states(outcome: FileOutcome) -> list[State]:
    return [copied.state for copied in outcome.copies]


def failing(*words: object) -> None:
    raise OSError(errno.EIO, os.strerror(errno.EIO))


def stop_in_writing(stop: threading.Event, after: int) -> Callable[[int, memoryview, int], int]:
    """A pwrite that sets `stop` when HERON has been given so many bytes, and then holds every
    writer long enough for the stop to be seen, however fast the disk is."""
    real = os.pwrite
    written = [0]
    held: set[str] = set()

    def pwrite(fd: int, view: memoryview, offset: int) -> int:
        name = here()
        if name.startswith("HERON"):
            written[0] += len(view)
            if written[0] > after:
                stop.set()
        if stop.is_set() and name.endswith("writer") and name not in held:
            held.add(name)
            time.sleep(1)
        return real(fd, view, offset)

    return pwrite
