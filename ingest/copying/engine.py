"""The engine: one read of the card feeds every drive and every checksum, and each drive is read
back behind its writing.

The threads, and what passes between them:

    reader --chunk--> one worker a checksum kind            (digests of the card's read)
           --chunk--> a drive's writer --range--> its reader-back --checked--> its finisher

A chunk is a pool buffer with the pieces of files in it: a part of a large file, or many small
files. It goes back to the pool when every worker is done with it, so a slow drive slows the
card and never the memory. The finisher compares, then journals, renames, and flushes folders,
many files at a time. Every worker turns an error into an outcome and goes on draining, so that
nothing waits for it; the caller's thread only waits with limits.
"""

from __future__ import annotations

import contextlib
import math
import queue
import secrets
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from functools import partial

from ingest import checksums
from ingest.copying.buffers import CHUNK, MEMORY, Pool
from ingest.copying.card_read import Reads
from ingest.copying.card_reader import CardReader
from ingest.copying.chunks import Chunk
from ingest.copying.drive_worker import DriveWorker
from ingest.copying.head_start import HeadStart
from ingest.copying.roll_folder import RollFolder
from ingest.copying.samples import Sampler
from ingest.copying.values import (
    COMPARED,
    CardRead,
    CardState,
    CopyMatched,
    CopyOutcome,
    CopyOutcomeOf,
    DriveStopped,
    Event,
    FileOutcome,
    FileTask,
    Progress,
)
from ingest.drives import Volume
from ingest.evidence import State

__all__ = ["copy"]

_LEAST = 6
_FREE = 4
"""Buffers that the head start never keeps, so that what it hasn't read goes on at speed."""
_KEPT = 2048
"""Bytes that what is known of one file takes until the end, by scripts/bench --case many."""
_TICK = 0.2
_PATIENCE = 120.0
_LEAVE = 1.3
_GRACE = 0.3


def copy(
    card: int,
    card_volume: Volume,
    tasks: Sequence[FileTask],
    folders: Sequence[RollFolder],
    *,
    kinds: Sequence[str],
    stop: threading.Event,
    tell: Callable[[Event], None],
    memory: int = MEMORY,
    patience_s: float = _PATIENCE,
    poisoned: bool = False,
    head_start: HeadStart | None = None,
) -> Iterator[FileOutcome]:
    """Copy the tasks from the card (an open folder handle) into the roll's folders.

    Yields one outcome for each task as it is finished, in about the order of the tasks; every
    task gets one, also when drives or the card fail. When `stop` is set, what is whole is
    finished, the rest is reported as not reached, and the iterator ends within two seconds.
    A drive without any progress for `patience_s` seconds is given up. `head_start`: what was
    read of this card already.
    """
    pool = _pool(memory, tasks, head_start, poisoned=poisoned)
    engine = _Engine(card, card_volume, tasks, folders, kinds, stop, pool, head_start)
    yield from engine.run(tell, patience_s)


def _pool(
    memory: int, tasks: Sequence[FileTask], head_start: HeadStart | None, *, poisoned: bool
) -> Pool:
    """A pool that takes `memory` bytes together with what is known of the tasks, and with what
    the head start holds of them."""
    count = max(_LEAST, (memory - len(tasks) * _KEPT) // CHUNK)
    if head_start is None:
        return Pool(count, poisoned=poisoned)
    head_start.end()
    others = head_start.forget_others(tasks, count - _FREE)
    free = count - head_start.held
    pool = Pool(max(0, free - len(others)), poisoned=poisoned)
    for buffer in others[:free]:
        pool.adopt(buffer)
    return pool


class _Engine:
    def __init__(
        self,
        card: int,
        card_volume: Volume,
        tasks: Sequence[FileTask],
        folders: Sequence[RollFolder],
        kinds: Sequence[str],
        stop: threading.Event,
        pool: Pool,
        head_start: HeadStart | None,
    ) -> None:
        self.tasks = tasks
        self.asked = stop
        # What the threads look at; the caller's own event is never set from here.
        self.stop = threading.Event()
        self.pool = pool
        self.kinds = tuple(dict.fromkeys((COMPARED, *kinds)))
        self.reads = Reads(len(tasks), len(self.kinds), [task.expected for task in tasks])
        self.outcomes: queue.SimpleQueue[CopyOutcomeOf] = queue.SimpleQueue()
        run = secrets.token_hex(8)
        self.drives = [
            DriveWorker(number, folder, tasks, self.pool, self.reads, self.outcomes, self.stop, run)
            for number, folder in enumerate(folders)
        ]
        self.hash_queues: list[queue.SimpleQueue[Chunk | None]] = [
            queue.SimpleQueue() for _ in self.kinds
        ]
        self.reader = CardReader(
            card,
            card_volume,
            tasks,
            self.pool,
            self.reads,
            self.hash_queues,
            self.drives,
            self.outcomes,
            self.stop,
            head_start,
        )
        self.threads: list[tuple[threading.Thread, DriveWorker | None]] = []
        self.failure: BaseException | None = None

    def run(self, tell: Callable[[Event], None], patience_s: float) -> Iterator[FileOutcome]:
        for name, work in self.reader.works():
            self._start(name, work)
        for number, kind in enumerate(self.kinds):
            self._start(kind, partial(self._hash, number, kind))
        for drive in self.drives:
            for name, work in drive.works():
                self._start(f"{drive.name} {name}", work, drive)
        gathered = _Gathered(self.tasks, self.reads)
        told_stopped: set[int] = set()
        card_told = False
        left: float | None = None
        try:
            while not gathered.complete:
                moved = self._gather(gathered, tell, wait_s=_TICK)
                if self.asked.is_set():
                    self.stop.set()
                for drive in self.drives:
                    drive.give_up_if_stuck(patience_s)
                    if drive.stopped and drive.number not in told_stopped:
                        told_stopped.add(drive.number)
                        tell(DriveStopped(drive.number, drive.stopped))
                    if drive.stopped and drive.ended:
                        self._gather(gathered, tell)  # what it told before it ended counts
                        gathered.drive_ended(drive.number, drive.stopped)
                if self.reader.all_read and not card_told:
                    card_told = True
                    tell(CardRead())
                yield from gathered.take_complete()
                tell(self._progress())
                if self.stop.is_set() and not moved:
                    left = left or time.monotonic() + _LEAVE
                    if time.monotonic() > left or not self._at_work():
                        break
                elif not self._at_work() and not moved:
                    break  # everybody has gone home, so nothing more can come
            self._gather(gathered, tell)
            yield from gathered.take_complete()
            yield from gathered.take_rest()
        finally:
            self.stop.set()
            if gathered.complete and not self.asked.is_set():
                self._leave(patience_s)
            else:
                self._leave(_LEAVE if left is None else _GRACE)
            self.pool.let_go()
            tell(self._progress())
        if self.failure is not None:
            raise self.failure

    def _at_work(self) -> bool:
        """Whether anything may still come; not from a drive that was given up."""
        return any(
            thread.is_alive() and (owner is None or not owner.ended)
            for thread, owner in self.threads
        )

    def _leave(self, patience_s: float) -> None:
        """Wait so long for the drives' threads; a drive whose threads are still at work then is
        abandoned."""
        begun = time.monotonic()
        for thread, owner in self.threads:
            wait = min(_LEAVE, patience_s) if owner is None else patience_s
            if owner is None or not owner.abandoned:
                thread.join(max(0.0, begun + wait - time.monotonic()))
            if owner is not None and thread.is_alive():
                owner.abandon()

    def _start(self, name: str, work: Callable[[], None], drive: DriveWorker | None = None) -> None:
        # Daemons: a thread stuck in a dead device must never keep the program from leaving.
        thread = threading.Thread(target=self._guarded, args=(work,), name=name, daemon=True)
        self.threads.append((thread, drive))
        thread.start()

    def _guarded(self, work: Callable[[], None]) -> None:
        """A bug in one thread must stop the run and be seen, not leave the others waiting."""
        try:
            work()
        except BaseException as error:
            self.failure = self.failure or error
            self.stop.set()

    def _gather(
        self, gathered: _Gathered, tell: Callable[[Event], None], *, wait_s: float = 0.0
    ) -> bool:
        """Take all that the finishers have told. With `wait_s`, wait so long for the first, and
        take for no longer than that. False when there was none."""
        end = time.monotonic() + wait_s if wait_s else math.inf
        found = False
        with contextlib.suppress(queue.Empty):
            while not found or time.monotonic() <= end:
                outcome = self.outcomes.get(not found and wait_s > 0, wait_s)
                found = True
                if (first := gathered.add(outcome)) is not None:
                    tell(first)
        return found

    def _progress(self) -> Progress:
        return Progress(self.reader.bytes_read, tuple(drive.meter() for drive in self.drives))

    def _hash(self, number: int, kind: str) -> None:
        """Take the card's bytes in order and leave each file's digest in `reads`."""
        chunks = self.hash_queues[number]
        sampled = kind == COMPARED
        checksum = checksums.new(kind)
        sampler: Sampler | None = None
        begun = -1
        while (chunk := chunks.get()) is not None:
            try:
                chunk.buffer.check(chunk.generation)
                for piece in chunk.pieces:
                    if piece.task != begun:
                        begun = piece.task
                        checksum = checksums.new(kind)
                        sampler = Sampler(self.tasks[begun].size) if sampled else None
                    if piece.length:
                        view = chunk.buffer.view[piece.place : piece.place + piece.length]
                        checksum.update(view)
                        if sampler is not None:
                            sampler.update(view)
                    if piece.last:
                        samples = sampler.hexdigest() if sampler is not None else ""
                        self.reads.digest(piece.task, kind, checksum.hexdigest(), samples)
            finally:
                self.pool.give_back(chunk.buffer, chunk.generation)


class _Gathered:
    """Puts the drives' outcomes of one file together with the card's read of it."""

    def __init__(self, tasks: Sequence[FileTask], reads: Reads) -> None:
        self._tasks = tasks
        self._reads = reads
        self._copies: dict[int, list[CopyOutcome]] = {}
        self._ready: list[int] = []
        self._open = set(range(len(tasks)))
        self._owed = [len(task.drives) for task in tasks]
        """How many drives haven't told of each task."""
        self._ended: dict[int, str] = {}

    @property
    def complete(self) -> bool:
        return not self._open and not self._ready

    def add(self, outcome: CopyOutcomeOf) -> CopyMatched | None:
        """Take it in; the word for everybody else when it is the first that matched."""
        task, copy_outcome = outcome
        if task not in self._open:
            return None  # a drive that was given up and came back after all
        copies = self._copies.setdefault(task, [])
        if copy_outcome is None:
            self._copies.pop(task)
            self._open.discard(task)
            self._ready.append(task)
            return None
        if any(earlier.drive == copy_outcome.drive for earlier in copies):
            return None
        matched = copy_outcome.state is State.MATCHED
        first = matched and not any(earlier.state is State.MATCHED for earlier in copies)
        copies.append(copy_outcome)
        self._owed[task] -= 1
        if self._ended or not self._owed[task]:
            self._close_if_whole(task)
        if not first:
            return None
        file = self._tasks[task]
        return CopyMatched(file.path, file.size, copy_outcome.drive, self._reads.of(task).digests)

    def drive_ended(self, drive: int, why: str) -> None:
        """No more comes from this drive: what it still owes is unverified, with the reason."""
        if drive in self._ended:
            return
        self._ended[drive] = why
        for task in sorted(self._open):
            self._close_if_whole(task)

    def _close_if_whole(self, task: int) -> None:
        if self._owed[task]:
            told = {outcome.drive for outcome in self._copies.get(task, ())}
            if any(drive not in told | self._ended.keys() for drive in self._tasks[task].drives):
                return
        if self._reads.is_settled(task):
            self._open.discard(task)
            self._ready.append(task)

    def take_complete(self) -> Iterator[FileOutcome]:
        if self._ended:
            for task in sorted(self._open):
                self._close_if_whole(task)
        ready, self._ready = self._ready, []
        for task in ready:
            yield self._outcome(task, "not reached")

    def take_rest(self) -> Iterator[FileOutcome]:
        """Everything that got no whole outcome, told as it stands."""
        rest, self._open = sorted(self._open), set()
        for task in rest:
            yield self._outcome(task, "stopped before it was reached")

    def _outcome(self, task: int, otherwise: str) -> FileOutcome:
        file = self._tasks[task]
        read = self._reads.of(task)
        copies = self._copies.pop(task, [])
        if self._owed[task] and read.state in (CardState.READ, CardState.NOT_REACHED):
            told = {outcome.drive for outcome in copies}
            copies += [
                CopyOutcome(drive, State.UNVERIFIED, detail=self._ended.get(drive, "") or otherwise)
                for drive in file.drives
                if drive not in told
            ]
        return FileOutcome(
            path=file.path,
            size=file.size,
            mtime_ns=file.mtime_ns,
            card=read.state,
            detail=read.detail,
            samples=read.samples,
            digests=read.digests,
            copies=tuple(sorted(copies, key=lambda outcome: outcome.drive)),
        )
