"""What `ingest slate` says of links: the JSON documents, and words that several screens share."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ingest.slate.pool import said_take

if TYPE_CHECKING:
    from ingest.catalog.records import SlateRow, TakeLink
    from ingest.jobs.slate import LoadResult, MatchResult

__all__ = [
    "item",
    "link_document",
    "load_document",
    "match_document",
    "more",
    "row_document",
    "take_words",
]

SHOWN = 40
"""Lines of one kind on a screen; `--json` holds them all."""


def match_document(result: MatchResult, posters: Path) -> dict[str, Any]:
    """What `slate match --json` answers."""
    from ingest.catalog.records import Sure

    found = result.matching
    return {
        "production": result.production,
        "verdict": "open" if result.is_open else "complete",
        "sure": result.count(Sure.SURE),
        "likely": result.count(Sure.LIKELY),
        "open": result.count(Sure.OPEN),
        "by_hand": result.by_hand,
        "links": [
            {"clip": result.clips[link.clip_id].full_name, **link_document(link)}
            for link in found.links
        ],
        "takes_without_clip": [row_document(row) for row in found.rows_without_clip],
        "clips_without_take": [clip.full_name for clip in found.clips_without_take],
        "clocks": [
            {
                "device": each.device,
                "day": each.day,
                "slow_seconds": round(each.slow, 1),
                "drift_seconds_a_day": round(each.drift, 1),
                "spread_seconds": round(each.spread, 1),
                "within_seconds": round(each.within, 1),
                "against": each.against,
                "sure": each.is_sure,
                "clips": [result.clips[number].full_name for number in each.clip_ids],
            }
            for each in result.clocks
        ],
        "zones": [
            {
                "day": each.day,
                "slow_seconds": each.seconds,
                "against": each.against,
                "devices": list(each.devices),
                "do": "check time_zone in ingest.toml, and whether clocks know summer time",
            }
            for each in found.zones
        ],
        "timecodes": [
            {
                "device": each.device,
                "day": each.day,
                "behind_seconds": round(each.behind, 1),
                "spread_seconds": round(each.spread, 1),
                "clips": [result.clips[number].full_name for number in each.clip_ids],
            }
            for each in found.timecodes
        ],
        "conflicts": [
            {
                "kind": each.kind,
                "what": each.words,
                "do": each.do or None,
                "clips": [result.clips[number].full_name for number in each.clip_ids],
                "rows": [row_document(row) for row in each.rows],
            }
            for each in result.conflicts
        ],
        "questions": [
            {
                "clip": asked.clip.full_name,
                "poster": str(posters / asked.clip.poster) if asked.clip.poster else None,
                "answers": [
                    {"scene": each.scene, "take": each.take, "basis": each.basis}
                    for each in asked.answers
                ],
            }
            for asked in result.questions
        ],
    }


def link_document(link: TakeLink) -> dict[str, Any]:
    """A link, its clip left out."""
    return {
        "scene": link.scene,
        "take": link.take,
        "shot": link.shot,
        "rating": link.rating.value if link.rating else None,
        "sure": link.sure.value,
        "basis": link.basis,
        "note": link.note,
        "by_hand": link.by_hand,
    }


def row_document(row: SlateRow) -> dict[str, Any]:
    """What tells a log's row from others."""
    return {
        "log": row.log,
        "row": row.row,
        "scene": row.scene,
        "take": row.take,
        "camera": row.camera,
        "roll": row.roll,
        "clip": row.clip,
    }


def load_document(result: LoadResult, posters: Path) -> dict[str, Any]:
    """What `slate load --json` answers."""
    told = result.changes
    return {
        "log": result.log,
        "encoding_guessed": result.guessed,
        "rows": result.rows,
        "new": len(told.new),
        "changed": len(told.changed),
        "gone": len(told.gone),
        "changes": [
            {
                **row_document(one.after),
                "fields": {
                    name: [_plain(getattr(one.before, name)), _plain(getattr(one.after, name))]
                    for name in one.fields
                },
            }
            for one in told.changed
        ],
        "rows_gone": [row_document(row) for row in told.gone],
        **match_document(result.match, posters),
    }


def _plain(value: Any) -> Any:
    """A field of a row as JSON holds it."""
    if isinstance(value, tuple):
        return [str(each) for each in value]
    return dict(value) if isinstance(value, Mapping) else value


def take_words(link: TakeLink) -> str:
    """`12A take 3, circled`."""
    said = said_take(link.scene, link.take)
    return f"{said}, {link.rating.value}" if link.rating else said


def item(text: str) -> str:
    """One of a list."""
    return f"  - {text}"


def more(count: int) -> Iterator[str]:
    """That there are more than a screen shows, where there are."""
    if count > SHOWN:
        yield f"  and {count - SHOWN:,} more (--json shows all)"
