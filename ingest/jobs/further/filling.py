"""Filling one roll's folder on one drive from copies on other drives.

In passes, one for each drive that is read: the engine compares each read with what was copied
first, and a file that isn't that gets no name; it is recorded as bad where it lies, at once and
by itself, and the next best drive steps in.
"""

from __future__ import annotations

import errno
import os
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime

from ingest import drives
from ingest.assurance.audit import Expected, Judged, judge, look_of
from ingest.assurance.rereading.one_copy import find
from ingest.assurance.rereading.values import Item
from ingest.catalog.catalog import Catalog
from ingest.catalog.records import Drive, FileRecord, NewLook, Observer
from ingest.copying.buffers import MEMORY
from ingest.copying.engine import copy
from ingest.copying.reading import open_root
from ingest.copying.roll_folder import RollFolder
from ingest.copying.tree import Tree
from ingest.copying.values import (
    COMPARED,
    CardState,
    DriveMeter,
    DriveStopped,
    Event,
    FileOutcome,
    FileTask,
    Progress,
)
from ingest.drives import Volume
from ingest.errors import BadDestination
from ingest.evidence import Act, Against, Route, State
from ingest.jobs.further.values import Filled, Put, SourceCopy, Trouble, Wanted
from ingest.manifest.kept import kept_path

__all__ = ["Added", "Filling"]

_BATCH_FILES = 500
_BATCH_SECONDS = 1.0


class Filling:
    """One run into one roll's folder. `drive` is the filled one, as the catalog knows it."""

    def __init__(
        self,
        catalog: Catalog,
        observer: Observer,
        run: str,
        folder: RollFolder,
        drive: Drive,
        *,
        kinds: Sequence[str],
        stop: threading.Event,
        tell: Callable[[Event], None],
        memory: int = MEMORY,
        poisoned: bool = False,
    ) -> None:
        self._catalog = catalog
        self._observer = observer
        self._run = run
        self._folder = folder
        self._drive = drive
        self._kinds = kinds
        self._stop = stop
        self._told = Added(tell)
        self._memory = memory
        self._poisoned = poisoned
        self._left: dict[str, list[SourceCopy]] = {}
        self._away: set[int] = set()
        self._looks: list[NewLook] = []
        self._since = 0.0
        self.filled = Filled()

    def fill(self, wanted: Sequence[Wanted]) -> Filled:
        """Put them there, each from the best source that gives what was copied first."""
        self._left = {one.file.path: list(one.sources) for one in wanted}
        by_path = {one.file.path: one for one in wanted}
        while self._left and not self._stop.is_set() and not self.filled.stopped:
            self._without_source(by_path)
            groups: dict[tuple[int, str], list[Wanted]] = {}
            for path, sources in self._left.items():
                head = sources[0]
                groups.setdefault((head.drive.id, head.folder), []).append(by_path[path])
            for some in groups.values():
                if not self._stop.is_set() and not self.filled.stopped:
                    self._pass(self._left[some[0].file.path][0], some)
        if self._left:
            self.filled.unfinished = True
        return self.filled

    def _without_source(self, by_path: Mapping[str, Wanted]) -> None:
        for path in [path for path, sources in self._left.items() if not sources]:
            del self._left[path]
            sources = by_path[path].sources
            if any(one.drive.id in self._away for one in sources):
                self.filled.unfinished = True
                continue
            tried = sorted({one.drive.name for one in sources})
            self.filled.troubles.append(
                Trouble(
                    path,
                    None,
                    "no good copy",
                    f"none of the copies that could be read is what was copied first "
                    f"({', '.join(tried)})",
                    do="keep every copy, and the card if it is still whole; plug in any other "
                    "drive that may hold it, and run the same command again",
                )
            )

    # One source --------------------------------------------------------------------------------

    def _pass(self, source: SourceCopy, wanted: Sequence[Wanted]) -> None:
        try:
            with _opened(source.volume) as root, Tree(root) as tree:
                tasks, by_path = self._look(root, source, wanted)
                if not tasks:
                    return
                for outcome in copy(
                    tree.folder(source.folder),
                    source.volume,
                    tasks,
                    [self._folder],
                    kinds=self._kinds,
                    stop=self._stop,
                    tell=self._listen,
                    memory=self._memory,
                    poisoned=self._poisoned,
                ):
                    self._take(root, outcome, by_path[outcome.path])
        except OSError:
            self._lost(source)
        finally:
            self._flush()
            self._told.begin_next()

    def _listen(self, event: Event) -> None:
        if isinstance(event, DriveStopped):
            self.filled.stopped = event.why
        self._told.tell(event)

    def _look(
        self, root: int, source: SourceCopy, wanted: Sequence[Wanted]
    ) -> tuple[list[FileTask], dict[str, tuple[Wanted, SourceCopy]]]:
        """The engine's tasks: what is there in its length. What isn't is bad news."""
        tasks, by_path = [], {}
        for one in wanted:
            here = self._left[one.file.path][0]
            expected = _expected(one.file, here)
            found, refused = find(root, _item(here, expected), here.volume, quick=True)
            judged = judge(expected, found)
            if judged.state.is_bad:
                if _gone(here.volume):
                    self._lost(here)
                    return [], {}
                self._bad(here, one.file, judged, about_the_copy=not refused)
                continue
            place = kept_path(one.file.path)  # so it stands on every drive
            by_path[place] = (one, here)
            tasks.append(
                FileTask(
                    place,
                    one.file.size,
                    one.file.mtime_ns,
                    (one.action,),
                    expected=one.file.digests,
                    source_mtime_ns=found.mtime_ns,
                )
            )
        return tasks, by_path

    def _take(self, root: int, outcome: FileOutcome, what: tuple[Wanted, SourceCopy]) -> None:
        wanted, source = what
        path = wanted.file.path
        if path not in self._left or self._left[path][:1] != [source]:
            return  # its drive was lost meanwhile
        if outcome.card is CardState.READ:
            self._arrived(outcome, wanted, source)
        elif outcome.card is CardState.NOT_REACHED:
            self.filled.unfinished = True
            if not self._stop.is_set() and not self.filled.stopped:
                self._left[path].pop(0)
        elif _gone(source.volume):
            self._lost(source)
        else:
            expected = _expected(wanted.file, source)
            found, refused = find(root, _item(source, expected), source.volume, quick=True)
            if outcome.card is CardState.OTHER:
                # How its bytes came isn't handed on: the least is said.
                found = replace(found, digests=outcome.digests, route=Route.CACHE_POSSIBLE)
            elif outcome.card is CardState.UNREADABLE and not found.missing:
                found = replace(found, detail=outcome.detail)
            judged = judge(expected, found)
            self._bad(source, wanted.file, judged, about_the_copy=not refused)

    def _arrived(self, outcome: FileOutcome, wanted: Wanted, source: SourceCopy) -> None:
        path = wanted.file.path
        for one in outcome.copies:
            if one.state is State.UNVERIFIED:
                self.filled.unfinished = True
                self.filled.troubles.append(
                    Trouble(path, self._drive.name, str(one.state), one.detail)
                )
            else:
                self._record(wanted, outcome)
            if one.state is State.MATCHED:
                self.filled.put[path] = Put(source.drive.name, one.route, one.detail, one.written)
            elif one.state is not State.UNVERIFIED:
                do = "" if one.written else f"ingest mend {self._drive.name}"
                self.filled.troubles.append(
                    Trouble(path, self._drive.name, str(one.state), one.detail, do)
                )
        del self._left[path]

    def _lost(self, source: SourceCopy) -> None:
        """The drive has gone: that says nothing about its copies."""
        self._away.add(source.drive.id)
        for sources in self._left.values():
            sources[:] = [one for one in sources if one.drive.id != source.drive.id]
        self.filled.troubles.append(
            Trouble(
                ".",
                source.drive.name,
                "gone",
                "the drive went away, or can't be opened, while it was read",
                do="plug it in again, and run the same command again",
            )
        )

    # Evidence ----------------------------------------------------------------------------------

    def _bad(
        self, source: SourceCopy, file: FileRecord, judged: Judged, *, about_the_copy: bool
    ) -> None:
        """Bad news of a source: committed alone before anything else, then the next steps in."""
        self._left[file.path].pop(0)
        if not judged.state.is_bad:
            return  # somebody writes to it at this moment; no finding, and no source
        if about_the_copy:
            look = look_of(judged, source.copy, source.volume.mount, datetime.now(UTC))
            self._catalog.record_looks(self._run, self._observer, [look])
        name = source.drive.name
        self.filled.bad_at[name] = self.filled.bad_at.get(name, 0) + 1
        do = f"ingest mend {name}"
        if judged.state is State.UNREADABLE:
            do = f"don't write to {name} any more; ingest copy --to a new drive"
        self.filled.troubles.append(
            Trouble(file.path, name, str(judged.state), judged.detail, do=do)
        )

    def _record(self, wanted: Wanted, outcome: FileOutcome) -> None:
        at = datetime.now(UTC)
        where = self._folder.destination
        path = kept_path(wanted.file.path)
        path = f"{where.folder}/{path}" if where.folder else path
        for one in outcome.copies:
            acts = (Act.WRITTEN, Act.READ_BACK) if one.written else (Act.READ_BACK,)
            looks = [
                NewLook(
                    file_id=wanted.file.id,
                    drive_id=self._drive.id,
                    path=path,
                    act=act,
                    state=State.UNVERIFIED if act is Act.WRITTEN else one.state,
                    route=None if act is Act.WRITTEN else one.route,
                    against=Against.NOTHING if act is Act.WRITTEN else wanted.against,
                    size=one.size,
                    kind=None if act is Act.WRITTEN or one.digest is None else COMPARED,
                    digest=None if act is Act.WRITTEN else one.digest,
                    mount=where.volume.mount,
                    at=at,
                    detail="" if act is Act.WRITTEN else one.detail,
                )
                for act in acts
            ]
            if one.state.is_bad:
                self._catalog.record_looks(self._run, self._observer, looks)
                continue
            self._since = self._since or time.monotonic()
            self._looks += looks
        late = self._looks and time.monotonic() - self._since > _BATCH_SECONDS
        if len(self._looks) >= _BATCH_FILES or late:
            self._flush()

    def _flush(self) -> None:
        if self._looks:
            self._catalog.record_looks(self._run, self._observer, self._looks)
        self._looks, self._since = [], 0.0


class Added:
    """Adds up the progress of runs of the engine on one drive, as if they were one."""

    def __init__(self, tell: Callable[[Event], None]) -> None:
        self._tell = tell
        self._before = self._last = (0, 0, 0)

    def tell(self, event: Event) -> None:
        if not isinstance(event, Progress):
            self._tell(event)
            return
        read, written, checked = self._before
        meters = tuple(
            DriveMeter(written + one.written, checked + one.checked, one.stopped)
            for one in event.drives
        )
        told = Progress(read + event.read, meters)
        self._last = (told.read, meters[0].written, meters[0].checked)
        self._tell(told)

    def begin_next(self) -> None:
        """What was told so far stands."""
        self._before = self._last


def _expected(file: FileRecord, source: SourceCopy) -> Expected:
    return Expected(file.size, file.mtime_ns, file.digests, source.against)


def _item(source: SourceCopy, expected: Expected) -> Item:
    return Item(source.copy.id, source.copy.path, expected)


def _gone(volume: Volume) -> bool:
    """Whether the volume isn't what it was when it was looked at first."""
    try:
        now = drives.look_at(volume.root)
    except BadDestination:
        return True
    return (now.st_dev, now.mount) != (volume.st_dev, volume.mount)


@contextmanager
def _opened(volume: Volume) -> Iterator[int]:
    """A handle of the drive's root. Raises OSError when it isn't what it was."""
    root = open_root(volume.root)
    try:
        if os.fstat(root).st_dev != volume.st_dev:
            raise OSError(errno.ENODEV, os.strerror(errno.ENODEV))
        yield root
    finally:
        os.close(root)
