"""Reading what each clip is, from the copies, while the offload goes on.

A clip is read as soon as all its files stand matched on one drive, in other processes, so a
broken file can hang or crash a decoder and never the offload. The card is never read for it.
"""

from __future__ import annotations

import hashlib
from types import TracebackType
from typing import Self

from ingest.card.clips import ClipGroup, group
from ingest.catalog.catalog import Catalog
from ingest.catalog.records import ClipFile, ClipRole, NewClip, Roll
from ingest.copying.values import Action, FileOutcome
from ingest.drives import DriveSeen
from ingest.evidence import State
from ingest.jobs.offloading.values import Plan
from ingest.media.facts import ClipFacts
from ingest.media.workers import ProbeItem, ProbePool, ProbeResult

__all__ = ["ClipReader"]

_LIMIT_S = 60.0


class ClipReader:
    """Collects what arrives, and records the roll's clips at the end."""

    def __init__(
        self, plan: Plan, catalog: Catalog, roll: Roll, seen: list[DriveSeen], workers: int
    ) -> None:
        self._plan = plan
        self._catalog = catalog
        self._workers = workers
        self._roll = roll
        self._roots = [
            f"{drive.root}/{planned.folder}"
            for drive, planned in zip(seen, plan.drives, strict=True)
        ]
        grouping = group([file.path for file in plan.inventory.files if self._is_here(file.path)])
        self._groups: dict[str, ClipGroup] = {one.name: one for one in grouping.clips}
        self._main = {one.spans[0]: one for one in grouping.clips if one.spans}
        self._place: dict[str, str] = {}
        self._posters: dict[str, str] = {}
        self._results: dict[str, ProbeResult] = {}
        self._pool: ProbePool | None = None

    def _is_here(self, path: str) -> bool:
        return path not in self._plan.elsewhere

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._pool is not None:
            self._pool.close()

    def arrived(self, outcome: FileOutcome) -> None:
        """A file stands matched on a drive; a clip's main file is read from there at once."""
        clip = self._main.get(outcome.path)
        if clip is None or clip.name in self._place:
            return
        drive = next(one.drive for one in outcome.copies if one.state is State.MATCHED)
        self._submit(clip, drive, outcome.samples)
        if self._pool is not None:
            for result in self._pool.ready():
                self._results[result.key] = result

    def _take_up_earlier(self) -> None:
        """Clips whose files an earlier run had copied before it was cut off."""
        recorded = {clip.name for clip in self._catalog.clips([self._roll])}
        for path, clip in self._main.items():
            record = self._plan.known.get(path)
            if record is None or clip.name in recorded or clip.name in self._place:
                continue
            for number, drive in enumerate(self._plan.drives):
                if drive.actions.get(path) is Action.NOTHING:
                    self._submit(clip, number, record.samples)
                    break

    def _submit(self, clip: ClipGroup, drive: int, samples: str) -> None:
        self._place[clip.name] = f"{self._roots[drive]}/{clip.spans[0]}"
        poster = _poster_name(self._roll, clip.name, samples)
        self._posters[clip.name] = poster
        if self._pool is None:
            self._pool = ProbePool(workers=self._workers, timeout_s=_LIMIT_S)
        self._pool.submit(
            ProbeItem(clip.name, self._place[clip.name], str(self._catalog.posters / poster))
        )

    def finish(self) -> int:
        """Wait for the readers, record the roll's clips; how many there are."""
        self._take_up_earlier()
        if self._pool is not None:
            for result in self._pool.results():
                self._results[result.key] = result
        clips = [self._clip(self._groups[name]) for name in self._place]
        if clips:
            self._catalog.record_clips(self._roll, clips)
        return len(self._groups)

    def _clip(self, one: ClipGroup) -> NewClip:
        result = self._results.get(one.name)
        facts = result.facts if result is not None else ClipFacts(kind=one.kind)
        drawn = result is not None and result.poster_made
        return NewClip(
            name=one.name,
            files=(
                *(ClipFile(path, ClipRole.SPAN) for path in one.spans),
                *(ClipFile(path, ClipRole.COMPANION) for path in one.companions),
            ),
            facts=facts,
            poster=self._posters[one.name] if drawn else None,
        )


def _poster_name(roll: Roll, clip: str, samples: str) -> str:
    """A file name of our own making: names from a card never become names beside the catalog."""
    about = f"{roll.production}\0{roll.name}\0{clip}\0{samples}"
    return hashlib.sha256(about.encode("utf-8", "surrogateescape")).hexdigest()[:32] + ".jpg"
