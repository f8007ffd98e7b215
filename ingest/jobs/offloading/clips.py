"""Reading what each clip is, from the copies, while the offload goes on.

A clip is read as soon as all its files stand matched on one drive, in other processes, so a
broken file can hang or crash a decoder and never the offload. The card is never read for it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from datetime import datetime
from types import TracebackType
from typing import Self

from ingest.card.clips import ClipGroup, group
from ingest.catalog.catalog import Catalog
from ingest.catalog.records import ClipFile, ClipRole, NewClip, NewClipLook, Observer, Roll
from ingest.copying.values import Action, FileOutcome
from ingest.drives import DriveSeen
from ingest.evidence import State
from ingest.jobs.offloading.values import ClipHealth, Plan
from ingest.media.facts import ClipFacts, ClipKind
from ingest.media.health import Health, far_from_shoot, joined
from ingest.media.workers import ProbeItem, ProbePool, ProbeResult

__all__ = ["ClipReader"]

_LIMIT_S = 60.0
_MOST_SPANS = 200
"""Parts of one recording; a clip of more is an image sequence, whose frames are not looked at."""


class ClipReader:
    """Collects what arrives, and records the roll's clips at the end."""

    def __init__(
        self, plan: Plan, catalog: Catalog, roll: Roll, seen: list[DriveSeen], workers: int
    ) -> None:
        self.healths: tuple[ClipHealth, ...] = ()
        """Whether each clip plays; known when it is finished."""
        self._plan = plan
        self._drives = [drive.name for drive in seen]
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
        self._further = {
            path: one
            for one in grouping.clips
            if one.kind is ClipKind.PICTURE and len(one.spans) <= _MOST_SPANS
            for path in one.spans[1:]
        }
        self._place: dict[str, int] = {}
        """Clip to the drive that it is read from."""
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
        drive = next(one.drive for one in outcome.copies if one.state is State.MATCHED)
        if outcome.path in self._further:
            self._submit_further(outcome.path, drive)
            return
        clip = self._main.get(outcome.path)
        if clip is None or clip.name in self._place:
            return
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
        self._place[clip.name] = drive
        poster = _poster_name(self._roll, clip.name, samples)
        self._posters[clip.name] = poster
        place = self._catalog.posters / poster
        self._to_pool(
            ProbeItem(
                key=clip.spans[0],
                path=f"{self._roots[drive]}/{clip.spans[0]}",
                poster_out=str(place),
                slate_out=str(place.with_name(_slate_name(poster))),
                deep=self._plan.request.deep,
            )
        )

    def _submit_further(self, path: str, drive: int) -> None:
        """A later part of a recording: looked at too, with no picture drawn of it."""
        place = f"{self._roots[drive]}/{path}"
        self._to_pool(ProbeItem(path, place, deep=self._plan.request.deep))

    def _to_pool(self, item: ProbeItem) -> None:
        if self._pool is None:
            self._pool = ProbePool(workers=self._workers, timeout_s=_LIMIT_S)
        self._pool.submit(item)

    def finish(self, run: str, observer: Observer, now: Callable[[], datetime]) -> int:
        """Wait for the readers, record the roll's clips; how many there are."""
        self._take_up_earlier()
        if self._pool is not None:
            for result in self._pool.results():
                self._results[result.key] = result
        groups = [self._groups[name] for name in self._place]
        if groups:
            clips = self._catalog.record_clips(self._roll, [self._clip(one) for one in groups])
            healths = [self._health(one) for one in groups]
            at = now()
            looks = [
                NewClipLook(clip.id, health, self._drives[self._place[clip.name]], at)
                for clip, health in zip(clips, healths, strict=True)
            ]
            self._catalog.record_clip_looks(run, observer, looks)
            self.healths = tuple(
                ClipHealth(clip.full_name, health)
                for clip, health in zip(clips, healths, strict=True)
            )
        return len(self._groups)

    def _health(self, one: ClipGroup) -> Health:
        """Of all its parts, and whether its date lies near the shoot day, where those are known."""
        parts = [(path, self._results[path]) for path in one.spans if path in self._results]
        health = joined([(path, result.health) for path, result in parts])
        if not parts or not self._plan.request.settings.days:
            return health  # the day is the one on which it came in: that says nothing
        return health.with_findings(far_from_shoot(parts[0][1].facts, self._plan.date))

    def _clip(self, one: ClipGroup) -> NewClip:
        result = self._results.get(one.spans[0])
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
            slate_picture=(
                _slate_name(self._posters[one.name])
                if result is not None and result.slate_made
                else None
            ),
        )


def _poster_name(roll: Roll, clip: str, samples: str) -> str:
    """A file name of our own making: names from a card never become names beside the catalog."""
    about = f"{roll.production}\0{roll.name}\0{clip}\0{samples}"
    return hashlib.sha256(about.encode("utf-8", "surrogateescape")).hexdigest()[:32] + ".jpg"


def _slate_name(poster: str) -> str:
    return poster.removesuffix(".jpg") + "-slate.jpg"
