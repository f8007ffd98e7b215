"""A clip's row from what was read of its files: the same while a card comes in and later on."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import replace
from fractions import Fraction

from ingest.card.clips import ClipGroup
from ingest.catalog.records import ClipFile, ClipRole, NewClip, Roll
from ingest.media.facts import ClipFacts
from ingest.media.health import Depth, Health, joined
from ingest.media.joining import joined_facts, sequence_facts
from ingest.media.reading.flight_subtitles import is_subtitles
from ingest.media.workers import ProbeResult
from ingest.names import shown

__all__ = [
    "MOST_SPANS",
    "files_of",
    "files_to_read",
    "health_of",
    "new_clip",
    "poster_name",
    "slate_name",
]

MOST_SPANS = 200
"""Files of one recording that are all read; of an image sequence only the first frame is."""


def files_to_read(one: ClipGroup) -> tuple[str, ...]:
    """The paths that are read to know a clip, the main file first, subtitles of a flight last."""
    whole = not one.is_sequence and len(one.spans) <= MOST_SPANS
    return (*(one.spans if whole else one.spans[:1]), *_subtitles(one))


def files_of(one: ClipGroup) -> tuple[ClipFile, ...]:
    """The spans in order, then the companions."""
    return (
        *(ClipFile(path, ClipRole.SPAN) for path in one.spans),
        *(ClipFile(path, ClipRole.COMPANION) for path in one.companions),
    )


def new_clip(
    one: ClipGroup,
    results: Mapping[str, ProbeResult],
    *,
    said: str,
    poster: str | None,
    project_rate: Fraction | None,
) -> NewClip:
    """The clip with the facts of all its files. `results`: by path; `said`: why it was split off,
    or empty; `poster`: the name that its picture was asked for under, if it was."""
    main = results.get(one.spans[0])
    facts = _located(one, results, _facts(one, results, project_rate))
    if said:
        facts = replace(facts, doubts=(*facts.doubts, said))
    drawn = main is not None and main.poster_made and poster is not None
    slate = main is not None and main.slate_made and poster is not None
    return NewClip(
        name=one.name,
        files=files_of(one),
        facts=facts,
        poster=poster if drawn else None,
        slate_picture=slate_name(poster) if slate and poster is not None else None,
    )


def health_of(one: ClipGroup, results: Mapping[str, ProbeResult]) -> Health:
    """Of all its files; never healthy where some were not looked at."""
    parts = [(path, results[path].health) for path in one.spans if path in results]
    health = joined(parts)
    if len(parts) < len(one.spans):
        said = f"Only {len(parts):,} of its {len(one.spans):,} files were looked at."
        health = replace(health, depth=Depth.NONE, unchecked=said)
    return health


def poster_name(roll: Roll, path: str, content: str) -> str:
    """A file name of our own making: names from a card never become names beside the catalog.
    `content` tells other content under one path apart."""
    about = f"{roll.production}\0{roll.name}\0{path}\0{content}"
    return hashlib.sha256(about.encode("utf-8", "surrogateescape")).hexdigest()[:32] + ".jpg"


def slate_name(poster: str) -> str:
    return poster.removesuffix(".jpg") + "-slate.jpg"


def _subtitles(one: ClipGroup) -> tuple[str, ...]:
    return tuple(path for path in one.companions if is_subtitles(path))


def _located(one: ClipGroup, results: Mapping[str, ProbeResult], facts: ClipFacts) -> ClipFacts:
    """The facts with the location that a clip's subtitles say, where its own file says none."""
    for path in _subtitles(one) if facts.location is None else ():
        if path in results and (location := results[path].facts.location) is not None:
            source = path.rpartition("/")[2]
            extra = {**facts.extra, "location source": f"subtitles, {shown(source)}"}
            return replace(facts, location=location, extra=extra)
    return facts


def _facts(
    one: ClipGroup, results: Mapping[str, ProbeResult], project_rate: Fraction | None
) -> ClipFacts:
    main = results.get(one.spans[0])
    first = main.facts if main is not None else ClipFacts(kind=one.kind)
    if one.is_sequence:
        return sequence_facts(first, len(one.spans), one.gaps, project_rate)
    if len(one.spans) > MOST_SPANS:
        said = f"Only the first of its {len(one.spans):,} files was read."
        return replace(
            first, duration_seconds=None, duration_frames=None, doubts=(*first.doubts, said)
        )
    unread = ClipFacts(kind=one.kind, doubts=("A part of it was not read.",))
    return joined_facts([results[path].facts if path in results else unread for path in one.spans])
