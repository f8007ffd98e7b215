"""Reading what each clip is, from the copies, while the offload goes on.

Each file of a clip is read as soon as it stands matched on the first drive, which is the fastest,
in other processes: a broken file can hang or crash a decoder and never the offload. The
card is never read for it, and a file whose content was read before isn't read again.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from functools import cached_property
from types import TracebackType
from typing import Self

from ingest.card.clips import ClipGroup, Confirmed, confirm, group
from ingest.catalog.catalog import Catalog
from ingest.catalog.records import Clip, ClipRole, NewClip, NewClipLook, Observer, Roll
from ingest.copying.values import Action, CopyMatched
from ingest.drives import DriveSeen
from ingest.jobs.clip_making import (
    files_of,
    files_to_read,
    health_of,
    new_clip,
    poster_name,
    slate_name,
)
from ingest.jobs.offloading.known_clips import KnownClips
from ingest.jobs.offloading.values import ClipHealth, Plan
from ingest.media.health import Health, HealthState
from ingest.media.shoot_date import far_from_shoot
from ingest.media.workers import ProbeItem, ProbePool, ProbeResult

__all__ = ["ClipReader", "clip_readers"]

_LIMIT_S = 60.0
_READERS = 2


def clip_readers() -> ProbePool:
    """The processes that read clips, for all cards of one command. Close it."""
    return ProbePool(workers=_READERS, timeout_s=_LIMIT_S)


class ClipReader:
    """Collects what arrives, and records the roll's clips at the end. `readers` are closed with
    it."""

    def __init__(
        self,
        plan: Plan,
        catalog: Catalog,
        roll: Roll,
        seen: list[DriveSeen],
        readers: ProbePool,
    ) -> None:
        self.healths: tuple[ClipHealth, ...] = ()
        """Whether each clip plays; known when it is finished."""
        self._plan = plan
        self._drives = [drive.name for drive in seen]
        self._catalog = catalog
        self._readers = readers
        self._roll = roll
        self._roots = [
            f"{drive.root}/{planned.folder}"
            for drive, planned in zip(seen, plan.drives, strict=True)
        ]
        grouping = group([file.path for file in plan.inventory.files if self._is_here(file.path)])
        self._groups = grouping.clips
        self._main = {one.spans[0]: one for one in grouping.clips}
        self._further = {path for one in grouping.clips for path in files_to_read(one)[1:]}
        sizes = {file.path: file.size for file in plan.inventory.files}
        self._known = KnownClips(catalog, (sizes[path] for path in self._main))
        self._place: dict[str, int] = {}
        """Path of a file that is read to the drive that it is read from."""
        self._posters: dict[str, str] = {}
        self._taken: dict[str, Clip] = {}
        """Path of a main file to the clip that was read before with the same content."""
        self._results: dict[str, ProbeResult] = {}
        self._was_ready = False

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
        self._readers.close()

    def get_ready(self) -> None:
        """Have a reader loaded before the first clip arrives, where one must be read: what the card
        is known to hold was. May be called again."""
        if not self._was_ready:
            self._was_ready = True
            if any(map(self._is_to_be_read, self._main)):
                self._readers.get_ready()

    def _is_to_be_read(self, path: str) -> bool:
        """Whether a main file must be read, by what is known before it arrives."""
        record = self._plan.known.get(path)
        if record is None:
            return True
        if path in self._recorded and all(
            drive.actions.get(path) is Action.NOTHING for drive in self._plan.drives
        ):
            return False
        return self._taken_over(path, record.size, record.digests) is None

    @cached_property
    def _recorded(self) -> frozenset[str]:
        """Files of the clips that an earlier run has recorded of this roll."""
        return frozenset(
            file.path
            for clip in self._catalog.clips([self._roll])
            for file in clip.files
            if file.role is ClipRole.SPAN
        )

    def arrived(self, path: str, matched: CopyMatched) -> None:
        """A file (`path` on the card) stands matched on a drive; if it is part of a recording it
        is read from there."""
        if path in self._further:
            self._submit(path, matched.drive)
        elif path in self._main:
            self._submit_main(path, matched.drive, matched.size, matched.digests)
        for result in self._readers.ready():
            self._results[result.key] = result

    def _take_up_earlier(self) -> None:
        """Clips whose files an earlier run had copied before it was cut off."""
        for path in (*self._main, *self._further):
            record = self._plan.known.get(path)
            if record is None or path in self._recorded or self._was_read(path):
                continue
            for number, drive in enumerate(self._plan.drives):
                if drive.actions.get(path) is not Action.NOTHING:
                    continue
                if path in self._main:
                    self._submit_main(path, number, record.size, record.digests)
                else:
                    self._submit(path, number)
                break

    def _submit_main(self, path: str, drive: int, size: int, digests: Mapping[str, str]) -> None:
        if (clip := self._taken_over(path, size, digests)) is not None:
            self._taken[path] = clip
        else:
            self._submit_with_pictures(path, drive, str(sorted(digests.items())))

    def _taken_over(self, path: str, size: int, digests: Mapping[str, str]) -> Clip | None:
        """The clip that was read before with the same content; of several spans none is."""
        if len(self._main[path].spans) > 1 or self._plan.request.deep:
            return None
        return self._known.of(size, digests)

    def _submit_with_pictures(self, path: str, drive: int, content: str) -> None:
        self._posters[path] = poster_name(self._roll, path, content)
        self._submit(path, drive)

    def _submit(self, path: str, drive: int) -> None:
        """Have a file read; of a later part of a recording no picture is drawn."""
        self._place[path] = drive
        poster = slate = None
        if path in self._posters:
            poster = self._catalog.posters / self._posters[path]
            slate = poster.with_name(slate_name(poster.name))
        self._to_pool(
            ProbeItem(
                key=path,
                path=self._path(path),
                poster_out=str(poster) if poster else None,
                slate_out=str(slate) if slate else None,
                deep=self._plan.request.deep,
            )
        )

    def _path(self, path: str) -> str:
        """Where the copy lies that a file is read from."""
        return f"{self._roots[self._place[path]]}/{path}"

    def _to_pool(self, item: ProbeItem) -> None:
        self._readers.submit(item)

    def finish(
        self,
        run: str,
        observer: Observer,
        now: Callable[[], datetime],
        standing: Callable[[str], Sequence[int]],
        stop: threading.Event,
    ) -> int:
        """Wait for the readers, record the roll's clips; how many there are. `standing`: the drives
        on which a file of the card stands matched, and which were not given up.

        Once `stop` is set none is recorded: the next run of the same card takes them up."""
        self._take_up_earlier()
        self._wait(stop)
        self._ask_another_copy(standing, stop)
        here = [one for one in self._groups if self._was_read(one.spans[0])]
        confirmed = confirm(here, {path: found.facts for path, found in self._results.items()})
        for one in confirmed.clips:  # what was split off has no picture yet
            if one.spans[0] in self._place and one.spans[0] not in self._posters:
                self._submit_with_pictures(one.spans[0], self._place[one.spans[0]], run)
        self._wait(stop)
        if stop.is_set():
            return 0
        if confirmed.clips:
            self._record(confirmed, run, observer, now())
        return len(self._groups) - len(here) + len(confirmed.clips)

    def _ask_another_copy(
        self, standing: Callable[[str], Sequence[int]], stop: threading.Event
    ) -> None:
        """A drive that was pulled, or is dying, makes a clip look broken: another copy is asked
        before that is said. Of a clip whose only copy went with its drive nothing is said."""
        for path, found in tuple(self._results.items()):
            if found.health.state is not HealthState.BROKEN:
                continue
            others = [drive for drive in standing(path) if drive != self._place[path]]
            if others:
                self._submit(path, others[0])
            elif not os.path.exists(self._path(path)):
                del self._results[path], self._place[path]
        self._wait(stop)

    def _wait(self, stop: threading.Event) -> None:
        for result in self._readers.results(stop):
            self._results[result.key] = result

    def _was_read(self, path: str) -> bool:
        return path in self._place or path in self._taken

    def _record(self, confirmed: Confirmed, run: str, observer: Observer, at: datetime) -> None:
        groups = confirmed.clips
        clips = self._catalog.record_clips(
            self._roll, [self._clip(one, confirmed.said.get(one.name, "")) for one in groups]
        )
        looks: list[NewClipLook] = []
        for one, clip in zip(groups, clips, strict=True):
            if one.spans[0] in self._place:
                drive = self._drives[self._place[one.spans[0]]]
                looks.append(NewClipLook(clip.id, self._health(one), drive, at))
            elif not clip.looks:
                before = self._taken[one.spans[0]].looks
                looks += [NewClipLook(clip.id, look.health, look.drive, look.at) for look in before]
        self._catalog.record_clip_looks(run, observer, looks)
        healths = {look.clip_id: look.health for look in looks}
        self.healths = tuple(
            ClipHealth(clip.full_name, health)
            for clip in clips
            if (health := healths.get(clip.id) or clip.health) is not None
        )

    def _health(self, one: ClipGroup) -> Health:
        """Of all its parts, and whether its date lies near the shoot day, where those are known."""
        health = health_of(one, self._results)
        main = self._results.get(one.spans[0])
        if main is None or not self._plan.request.settings.days:
            return health  # the day is the one on which it came in: that says nothing
        return health.with_findings(far_from_shoot(main.facts, self._plan.date))

    def _clip(self, one: ClipGroup, said: str) -> NewClip:
        main = one.spans[0]
        if (taken := self._taken.get(main)) is not None:
            return NewClip(one.name, files_of(one), taken.facts, taken.poster, taken.slate_picture)
        return new_clip(
            one,
            self._results,
            said=said,
            poster=self._posters.get(main),
            project_rate=self._plan.request.settings.frame_rate,
        )
