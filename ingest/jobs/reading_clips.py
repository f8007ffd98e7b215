"""Clips of rolls that are known by their files alone, read from the drives that are here.

A catalog made anew from hash lists knows files and no clips: what they are stands in the footage.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Mapping
from datetime import datetime

from ingest.assurance.state import copy_state
from ingest.card.clips import confirm, group
from ingest.catalog.catalog import Catalog
from ingest.catalog.records import NewClipLook, Observer, Roll
from ingest.jobs.clip_making import files_to_read, health_of, new_clip, poster_name, slate_name
from ingest.jobs.known import DriveHere, drives_here
from ingest.media.workers import ProbeItem, ProbePool, ProbeResult
from ingest.settings import Settings

__all__ = ["read_missing_clips"]

_LIMIT_S = 60.0
_Place = tuple[str, str]
"""Absolute path of a copy, and its drive's name."""


def read_missing_clips(
    catalog: Catalog,
    observer: Observer,
    settings: Settings,
    *,
    run: str,
    now: Callable[[], datetime],
    places: Iterable[str] = (),
    workers: int = 2,
) -> Mapping[str, int]:
    """Read the clips of every roll that has none, as far as its files lie on drives that are here
    (`places`: folders to look at besides the usual ones). How many of each, by PRODUCTION/ROLL.

    Rolls that have clips are left alone. Nothing is written to a drive.
    """
    rolls = catalog.rolls()
    have = {clip.roll.id for clip in catalog.clips(rolls)}
    heres = {
        here.drive.id: here
        for here in drives_here(catalog, places)
        if here.volume is not None and not here.doubt
    }
    found: dict[str, int] = {}
    with ProbePool(workers=workers, timeout_s=_LIMIT_S) as pool:
        for roll in rolls:
            if roll.id not in have:
                count = _read(catalog, observer, settings, roll, heres, pool, run, now)
                if count:
                    found[f"{roll.production}/{roll.name}"] = count
    return found


def _read(
    catalog: Catalog,
    observer: Observer,
    settings: Settings,
    roll: Roll,
    heres: Mapping[int, DriveHere],
    pool: ProbePool,
    run: str,
    now: Callable[[], datetime],
) -> int:
    places = _places(catalog, roll, heres)
    groups = [one for one in group(list(places)).clips if one.spans[0] in places]
    posters: dict[str, str] = {}
    results: dict[str, ProbeResult] = {}

    def with_pictures(path: str) -> None:
        posters[path] = poster_name(roll, path, run)
        drawn = catalog.posters / posters[path]
        slate = drawn.with_name(slate_name(drawn.name))
        pool.submit(ProbeItem(path, places[path][0], str(drawn), str(slate)))

    for one in groups:
        with_pictures(one.spans[0])
        for path in files_to_read(one)[1:]:
            pool.submit(ProbeItem(path, places[path][0]))
    results.update((result.key, result) for result in pool.results())
    confirmed = confirm(groups, {path: result.facts for path, result in results.items()})
    for one in confirmed.clips:  # what was split off has no picture yet
        if one.spans[0] not in posters:
            with_pictures(one.spans[0])
    results.update((result.key, result) for result in pool.results())
    rate = settings.frame_rate if settings.production in (None, roll.production) else None
    clips = catalog.record_clips(
        roll,
        [
            new_clip(
                one,
                results,
                said=confirmed.said.get(one.name, ""),
                poster=posters.get(one.spans[0]),
                project_rate=rate,
            )
            for one in confirmed.clips
        ],
    )
    at = now()
    looks = [
        NewClipLook(clip.id, health_of(one, results), places[one.spans[0]][1], at)
        for one, clip in zip(confirmed.clips, clips, strict=True)
    ]
    catalog.record_clip_looks(run, observer, looks)
    return len(clips)


def _places(catalog: Catalog, roll: Roll, heres: Mapping[int, DriveHere]) -> dict[str, _Place]:
    """A copy of each file that can be read now, one not known to be bad; by the file's path."""
    paths = {file.id: file.path for file in catalog.files([roll])}
    copies = [copy for copy in catalog.copies(rolls=[roll]) if copy.drive_id in heres]
    looks = catalog.looks([copy.id for copy in copies])
    found: dict[str, _Place] = {}
    for copy in copies:
        here = heres[copy.drive_id]
        assert here.seen is not None
        place = f"{here.seen.root}/{copy.path}"
        if not copy_state(looks[copy.id]).state.is_bad and os.path.isfile(place):
            found.setdefault(paths[copy.file_id], (place, here.drive.name))
    return found
