"""Whether clips play: looking at them again on mounted drives, and saying it in words."""

from __future__ import annotations

import threading
from collections.abc import Callable, Collection, Sequence
from datetime import datetime

from ingest.catalog.catalog import Catalog
from ingest.catalog.records import Clip, ClipRole, NewClipLook, Observer
from ingest.jobs.find import Found, Place, Wanted, find
from ingest.media.health import Health, HealthState, Severity, joined
from ingest.media.workers import ProbeItem, ProbePool, ProbeResult
from ingest.names import shown
from ingest.wording import counted, listed

__all__ = [
    "BROKEN_DO",
    "broken_lines",
    "health_lines",
    "lesser_lines",
    "look_deep",
    "look_lines",
]

_LIMIT_S = 60.0
_MOST_SPANS = 200


def look_deep(
    catalog: Catalog,
    observer: Observer,
    *,
    run: str,
    now: Callable[[], datetime],
    tell: Callable[[int, int], None],
    stop: threading.Event,
    drives: Collection[str],
    production: str | None = None,
    roll: str | None = None,
    record: bool = True,
    workers: int = 2,
) -> tuple[tuple[str, Health], ...]:
    """Decode every frame of the clips that can be read now on these drives (names), each once, and
    record what was found. `tell` counts files done and in all. Gives (ROLL/NAME, health)."""
    chosen: list[tuple[Clip, list[Place]]] = []
    for one in [production] if production is not None else catalog.productions():
        for found in find(catalog, Wanted(roll=roll), production=one):
            places = _places(found, drives)
            if places:
                chosen.append((found.clip, places))
    results: dict[str, ProbeResult] = {}
    total = sum(len(places) for _, places in chosen)
    with ProbePool(workers=workers, timeout_s=_LIMIT_S) as pool:
        for place in (place for _, places in chosen for place in places):
            pool.submit(ProbeItem(place.path, place.path, deep=True))
        for result in pool.results():
            results[result.key] = result
            tell(len(results), total)
            if stop.is_set():
                break
    done = [
        (
            clip,
            places[0].drive,
            joined([(place.file, results[place.path].health) for place in places]),
        )
        for clip, places in chosen
        if all(place.path in results for place in places)
    ]
    if record:
        at = now()
        looks = [NewClipLook(clip.id, health, drive, at) for clip, drive, health in done]
        catalog.record_clip_looks(run, observer, looks)
    return tuple((clip.full_name, health) for clip, _, health in done)


def _places(found: Found, drives: Collection[str]) -> list[Place]:
    """One readable copy of each of its main files; none where one of them can't be read now."""
    wanted = [file.path for file in found.clip.files if file.role is ClipRole.SPAN]
    if len(wanted) > _MOST_SPANS:
        return []  # an image sequence
    best: dict[str, Place] = {}
    for place in found.places:
        if place.readable and place.drive in drives:
            best.setdefault(place.file, place)
    return [best[path] for path in wanted] if best.keys() >= set(wanted) else []


_MOST = 20

BROKEN_DO = (
    "view it in its camera before the card is used again, and shoot it again while the set "
    "stands; then: ingest rolls set ROLL --viewed WHO"
)


def health_lines(clips: Sequence[tuple[str, Health]]) -> list[str]:
    """What a person must know of these clips (ROLL/NAME, health): broken ones first. Pure."""
    lines = [f"  {line}" for line in broken_lines(clips)]
    if lines:
        lines.append(f"  Do: {BROKEN_DO}")
    return lines + [f"  {line}" for line in lesser_lines(clips)]


def lesser_lines(clips: Sequence[tuple[str, Health]]) -> list[str]:
    """The same without the broken ones. Pure."""
    lines = look_lines(clips)
    unchecked = [each for each in clips if each[1].state is HealthState.UNCHECKED]
    later = [each for each in unchecked if "deep" in each[1].unchecked]
    closed = [each for each in unchecked if each not in later]
    if closed:
        names = ", ".join(shown(name) for name, _ in closed[:3])
        more = ", ..." if len(closed) > 3 else ""
        lines.append(f"Not decoded: {counted(len(closed), 'clip')} ({names}{more}).")
    if later:  # as every still is at first: nothing to do, and nothing to worry about
        lines.append(f"Not decoded: {counted(len(later), 'still')} (--deep does that).")
    return lines


def broken_lines(clips: Sequence[tuple[str, Health]]) -> list[str]:
    """The broken ones among these clips, and what is wrong with each. Pure."""
    broken = [each for each in clips if each[1].state is HealthState.BROKEN]
    return _told("BROKEN", broken, Severity.BROKEN)


def look_lines(clips: Sequence[tuple[str, Health]]) -> list[str]:
    """Those that ask for a person's eye or ear, and what for. Pure."""
    look = [each for each in clips if each[1].state is HealthState.LOOK]
    return _told("LOOK AT", look, Severity.LOOK)


def _told(word: str, clips: Sequence[tuple[str, Health]], severity: Severity) -> list[str]:
    """What was found, and of which clips: what is the same of many is said once."""
    alike: dict[tuple[str, ...], list[str]] = {}
    for name, health in clips:
        words = tuple(one.words for one in health.findings if one.severity is severity)
        alike.setdefault(words, []).append(name)
    lines = []
    for words, names in list(alike.items())[:_MOST]:
        lines.append(f"{word} {listed(names)}")
        lines += [f"    {shown(each)}" for each in words]
    if len(alike) > _MOST:
        more = sum(len(names) for names in list(alike.values())[_MOST:])
        lines.append(f"... and {more:,} more (--json tells all)")
    return lines
