"""What the card holds, compared with what the catalog knows. Reads the card, writes nothing."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager

from ingest.card.inventory import CardFile
from ingest.catalog.catalog import Catalog
from ingest.catalog.records import FileRecord
from ingest.copying.reading import open_root, read_cold, sample_in
from ingest.copying.tree import Tree
from ingest.copying.values import COMPARED
from ingest.drives import Volume
from ingest.errors import IngestError, Unfinished
from ingest.jobs.offloading.values import Confirming
from ingest.names import shown

__all__ = ["CardLook", "looking_at", "opened", "tree_at"]


class CardLook:
    """What the card holds, compared with what the catalog knows."""

    def __init__(self, volume: Volume, catalog: Catalog, production: str) -> None:
        self.volume = volume
        self.samples: dict[str, str] = {}
        self.compared = False
        """Every byte of what is known was read now, and compared."""
        self._catalog = catalog
        self._rolls = {roll.id: roll for roll in catalog.rolls(production=production)}

    def sample(self, path: str) -> str:
        """Samples of a file on the card; empty when it can't be read (the run will say so)."""
        if path not in self.samples:
            with tree_at(self.volume.root) as tree:
                try:
                    self.samples[path] = sample_in(tree, path, self.volume.fs_type)
                except OSError:
                    return ""
        return self.samples[path]

    def known(
        self, files: Sequence[CardFile], tell: Callable[[Confirming], None]
    ) -> dict[str, FileRecord]:
        """Files of the card that the production has already, by path on the card.

        Name and size only make a candidate; samples must agree. Where no run was left
        unfinished, every byte is read again and compared besides.
        """
        candidates = self._catalog.files_like((file.path, file.size) for file in files)
        found: dict[str, FileRecord] = {}
        for file in files:
            records = [
                record
                for record in candidates.get((file.path, file.size), ())
                if record.roll_id in self._rolls
            ]
            if not records:
                continue
            sample = self.sample(file.path)
            same = [record for record in records if record.samples == sample]
            if same:
                found[file.path] = same[-1]
        found = self._carried_on(found)
        if found and not self._unfinished({record.roll_id for record in found.values()}):
            confirmed = self._confirmed(found, tell)
            self.compared = len(confirmed) == len(found)
            return confirmed
        return found

    def _carried_on(self, found: Mapping[str, FileRecord]) -> dict[str, FileRecord]:
        """Only what belongs to rolls that this card really carries on.

        Cameras leave the same little file (an empty one, a settings file) on every card. A roll
        is carried on when at least half of its bytes are still here; otherwise its files are
        taken as new, which costs a copy and can lose nothing.
        """
        here: dict[int, int] = {}
        for record in found.values():
            here[record.roll_id] = here.get(record.roll_id, 0) + record.size
        whole: dict[int, int] = dict.fromkeys(here, 0)
        for record in self._catalog.files([self._rolls[roll_id] for roll_id in here]):
            whole[record.roll_id] += record.size
        return {
            path: record
            for path, record in found.items()
            if 2 * here[record.roll_id] >= whole[record.roll_id]
        }

    def _unfinished(self, roll_ids: set[int]) -> bool:
        rolls = [self._rolls[roll_id] for roll_id in roll_ids]
        latest = {offload.roll.id: offload for offload in self._catalog.offloads(rolls)}
        return any(
            offload.end is None or offload.end.verdict != "matched" for offload in latest.values()
        )

    def _confirmed(
        self, found: Mapping[str, FileRecord], tell: Callable[[Confirming], None]
    ) -> dict[str, FileRecord]:
        total = sum(record.size for record in found.values())
        done = 0
        confirmed: dict[str, FileRecord] = {}
        with opened(self.volume.root) as root:
            for path, record in found.items():
                tell(Confirming(len(found), done, total))
                try:
                    read = read_cold(root, path, [COMPARED], self.volume)
                except OSError:
                    continue
                if read.digests[COMPARED] == record.digests.get(COMPARED):
                    confirmed[path] = record
                done += record.size
        tell(Confirming(len(found), total, total))
        return confirmed


@contextmanager
def tree_at(root: str) -> Iterator[Tree]:
    """The folder at `root`, open. Raises Unfinished when it can't be opened."""
    with opened(root) as handle, Tree(handle) as tree:
        yield tree


@contextmanager
def opened(root: str) -> Iterator[int]:
    """A handle of the folder at `root`. Raises Unfinished when it can't be opened."""
    try:
        handle = open_root(root)
    except OSError as error:
        raise Unfinished(
            f"{shown(root)} can't be opened: {error.strerror or error}.",
            do="check that it is plugged in and mounted, then run the same command again",
        ) from error
    try:
        yield handle
    finally:
        os.close(handle)


@contextmanager
def looking_at(volume: Volume, folder: str, refusal: type[IngestError]) -> Iterator[None]:
    """Looking at what lies in a folder of a drive; `refusal` is raised where the drive refuses."""
    try:
        yield
    except OSError as error:
        raise refusal(
            f"{shown(volume.root)}/{shown(folder)} can't be looked at: {error.strerror or error}.",
            do="check that the drive is plugged in and mounted, then run the same command again",
        ) from error
