"""The card and the copies as they are at this moment: what is read for a verdict on a card."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from ingest.assurance.audit import Expected, Judged, judge, look_of
from ingest.assurance.rereading.one_copy import find, gone
from ingest.assurance.rereading.values import Item
from ingest.assurance.reuse import FileNow, Looked
from ingest.card.inventory import CardFile, Inventory
from ingest.catalog.catalog import Catalog
from ingest.catalog.records import Copy, FileRecord, Observer
from ingest.copying.reading import open_root, read_cold, sample_in
from ingest.copying.tree import Tree
from ingest.drives import Volume
from ingest.evidence import Act, Against, Route, State
from ingest.jobs.known import DriveHere

__all__ = ["Looker", "Progress", "read_card"]


@dataclass(frozen=True, slots=True)
class Progress:
    """`what`: the card's or a drive's name. Counts files."""

    what: str
    done: int
    total: int


def read_card(
    found: Inventory,
    volume: Volume,
    kinds: Callable[[CardFile], Sequence[str]],
    tell: Callable[[Progress], None],
) -> Iterator[FileNow]:
    """Every file as it is now: samples, and every byte in the checksum kinds asked for it."""
    name = os.path.basename(found.root.rstrip("/")) or found.root
    root = open_root(found.root)
    try:
        with Tree(root) as tree:
            for done, file in enumerate(found.files, 1):
                yield _read_file(tree, file, volume, kinds(file))
                tell(Progress(name, done, len(found.files)))
    finally:
        os.close(root)


def _read_file(tree: Tree, file: CardFile, volume: Volume, kinds: Sequence[str]) -> FileNow:
    digests: tuple[tuple[str, str], ...] = ()
    route: Route | None = None
    try:
        samples = sample_in(tree, file.path, volume.fs_type)
        if kinds:
            read = read_cold(tree.root, file.path, kinds, volume)
            digests, route = tuple(read.digests.items()), read.route
        after = tree.stat(file.path)
    except OSError as error:
        detail = error.strerror or str(error)
        return FileNow(file.path, file.size, file.mtime_ns, None, detail=detail)
    if (after.st_size, after.st_mtime_ns) != (file.size, file.mtime_ns):
        detail = "it changed while it was looked at"
        return FileNow(file.path, file.size, file.mtime_ns, None, detail=detail)
    return FileNow(file.path, file.size, file.mtime_ns, samples, digests, route)


# The copies ---------------------------------------------------------------------------------------


class Looker:
    """Looks at copies now: presence, size, time and samples. Bad news is recorded at once."""

    def __init__(
        self, catalog: Catalog, observer: Observer, run: str, now: Callable[[], datetime]
    ) -> None:
        self._catalog = catalog
        self._observer = observer
        self._run = run
        self._now = now

    def look(
        self,
        here: DriveHere,
        copies: Sequence[Copy],
        records: Mapping[int, FileRecord],
        tell: Callable[[Progress], None],
    ) -> Mapping[int, Looked] | None:
        """By copy id; None when the drive is not here (or not surely the one it says)."""
        volume = here.volume
        if volume is None or here.doubt:
            return None
        try:
            root = open_root(volume.root)
        except OSError:
            return None
        found: dict[int, Looked] = {}
        try:
            if os.fstat(root).st_dev != volume.st_dev:
                return None
            with Tree(root) as tree:
                for done, copy in enumerate(copies, 1):
                    record = records[copy.file_id]
                    judged, mtime_ns, refused = _look(tree, copy, record, volume)
                    if judged.state.is_bad:
                        if gone(volume, root):
                            return None
                        if not refused:
                            self._record(copy, judged, volume.mount)
                    bad = judged.state if judged.state.is_bad else None
                    found[copy.id] = Looked(bad, judged.detail, mtime_ns)
                    tell(Progress(here.drive.name, done, len(copies)))
        finally:
            os.close(root)
        return found

    def _record(self, copy: Copy, judged: Judged, mount: str) -> None:
        look = look_of(judged, copy, mount, self._now())
        self._catalog.record_looks(self._run, self._observer, [look])


def _look(
    tree: Tree, copy: Copy, record: FileRecord, volume: Volume
) -> tuple[Judged, int | None, bool]:
    """The finding, the file's time, and whether the system refused us."""
    expected = Expected(record.size, record.mtime_ns, record.digests, Against.CATALOG)
    item = Item(copy.id, copy.path, expected)
    found, refused = find(tree.root, item, volume, quick=True)
    judged = judge(expected, found)
    if judged.state.is_bad:
        return judged, found.mtime_ns, refused
    try:
        samples = sample_in(tree, copy.path, volume.fs_type)
    except OSError as error:
        state, detail = State.UNREADABLE, error.strerror or str(error)
        refused = isinstance(error, PermissionError)
        return _sampled(found.size, state, detail), found.mtime_ns, refused
    if samples != record.samples:
        detail = "samples of it are other than what was copied"
        return _sampled(found.size, State.MISMATCH, detail), found.mtime_ns, False
    return judged, found.mtime_ns, False


def _sampled(size: int | None, state: State, detail: str) -> Judged:
    return Judged(Act.SAMPLED, state, None, Against.CATALOG, size, None, None, detail)
