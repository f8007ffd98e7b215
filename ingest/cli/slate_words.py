"""What `ingest slate` says of links: the JSON document and the screen."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ingest.names import shown
from ingest.slate.pool import said_row, said_take
from ingest.wording import counted

if TYPE_CHECKING:
    from ingest.catalog.records import SlateRow, TakeLink
    from ingest.jobs.slate import LoadResult, MatchResult

__all__ = [
    "item",
    "link_document",
    "load_document",
    "load_lines",
    "match_document",
    "match_lines",
    "more",
    "row_document",
    "take_words",
]

SHOWN = 40
"""Lines of one kind on a screen; `--json` holds them all."""

_FIELD = {"extra": "other columns", "mos": "MOS", "iso": "ISO"}

# The document -------------------------------------------------------------------------------


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


# The screen ---------------------------------------------------------------------------------


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


def load_lines(result: LoadResult) -> Iterator[str]:
    """What `slate load` shows: what is new, changed and gone, then the links."""
    told = result.changes
    said = [
        f"{len(some):,} {word}"
        for some, word in ((told.new, "new"), (told.changed, "changed"), (told.gone, "gone"))
        if some
    ]
    changed = ", ".join(said) or "nothing in it is new"
    yield f"{shown(result.log)}: {counted(result.rows, 'row')} loaded, {changed}."
    for one in told.changed[:SHOWN]:
        after = one.after
        what = ", ".join(
            f"{_FIELD.get(name, name.replace('_', ' '))} {_said(getattr(one.before, name))} is now "
            f"{_said(getattr(after, name))}"
            for name in one.fields
        )
        yield item(f"row {after.row}, {said_take(after.scene, after.take)}: {what}")
    yield from more(len(told.changed))
    for row in told.gone[:SHOWN]:
        yield item(f"gone: {said_take(row.scene, row.take)} (it was row {row.row})")
    yield from more(len(told.gone))
    if result.guessed:
        yield f"It is not UTF-8 and was read as {result.guessed}: look at names with accents."
    yield from match_lines(result.match)


def _plain(value: Any) -> Any:
    """A field of a row as JSON holds it."""
    if isinstance(value, tuple):
        return [str(each) for each in value]
    return dict(value) if isinstance(value, Mapping) else value


def _said(value: Any) -> str:
    if isinstance(value, tuple):
        return ", ".join(value) or "empty"
    if isinstance(value, Mapping):
        return shown("; ".join(f"{key}: {text}" for key, text in value.items())) or "empty"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "empty" if value is None else shown(str(value))


def _clock_lines(result: MatchResult) -> Iterator[str]:
    """Clocks that are off by more than people's own slowness, and how surely; a zone that may be
    wrong; timecode that was never jammed."""
    from ingest.assurance.clocks import LEAST
    from ingest.slate.matching.by_clock import said_offset

    wrong = [clock for clock in result.clocks if abs(clock.slow) >= LEAST]
    if wrong:
        yield ""
        yield "Clocks, as worked out from clips and takes:"
    for clock in wrong[:SHOWN]:
        perhaps = "" if clock.is_sure else ", not sure"
        yield item(
            f"{_device(clock.device)}, day {clock.day}: {said_offset(clock.slow)} against "
            f"{clock.against}, give or take {clock.within:.1f} s "
            f"({counted(len(clock.clip_ids), 'clip')}{perhaps})"
        )
    yield from more(len(wrong))
    found = result.matching
    for zone in found.zones:
        off = said_offset(zone.seconds).replace(" 0 s ", " ").replace(" 0 min ", " ")
        yield ""
        yield (
            f"Day {zone.day}: the clocks of cameras {_listed(zone.devices)} are alike {off} "
            f"against {zone.against}. Is time_zone in ingest.toml right, and was the clock changed "
            "for summer time?"
        )
    if found.timecodes:
        yield ""
        yield "Timecode that was not jammed to the sound's, as worked out from clips and takes:"
    for jam in found.timecodes:
        yield item(
            f"{_device(jam.device)}, day {jam.day}: {said_offset(jam.behind)} "
            f"({counted(len(jam.clip_ids), 'clip')}, spread {jam.spread:.1f} s)"
        )


def _listed(devices: Sequence[str]) -> str:
    return shown(" and ".join([", ".join(devices[:-1]), devices[-1]]))


def _device(name: str) -> str:
    return shown(name if name.startswith("roll ") else f"camera {name}")


def match_lines(result: MatchResult) -> Iterator[str]:
    """What `slate match` shows: the count, then what a person should look at."""
    from ingest.catalog.records import Sure

    found = result.matching
    linked = len({link.clip_id for link in found.links})
    yield (
        f"{shown(result.production)}: {linked} of {counted(len(result.clips), 'clip')} linked to "
        "takes."
    )
    yield (
        f"Links: {result.count(Sure.SURE)} sure, {result.count(Sure.LIKELY)} likely, "
        f"{result.count(Sure.OPEN)} open, {result.by_hand} by hand."
    )
    yield from _clock_lines(result)
    asked = [link for link in found.links if link.sure is not Sure.SURE]
    if asked:
        yield ""
        yield "Not sure, please look:"
        for link in asked[:SHOWN]:
            name = shown(result.clips[link.clip_id].full_name)
            yield item(f"{name}: {take_words(link)}, {link.sure.value} ({shown(link.basis)})")
        yield from more(len(asked))
    if result.conflicts:
        yield ""
        yield "Needs a person:"
        for conflict in result.conflicts[:SHOWN]:
            yield item(conflict.words)
            if conflict.do:
                yield f"    Do: {conflict.do}"
        yield from more(len(result.conflicts))
    asked_for = [row for one in result.conflicts if one.kind == "no clip" for row in one.rows]
    told = {(row.log, row.row, row.take) for row in asked_for}
    others = [row for row in found.rows_without_clip if (row.log, row.row, row.take) not in told]
    if others:
        yield ""
        yield f"{'Other takes' if asked_for else 'Takes'} in the log with no clip:"
        for row in others[:SHOWN]:
            yield item(_row_words(row))
        yield from more(len(others))
    if found.clips_without_take:
        yield ""
        yield "Clips with no take:"
        names = [shown(clip.full_name) for clip in found.clips_without_take[:SHOWN]]
        yield f"  {', '.join(names)}"
        yield from more(len(found.clips_without_take))
    if result.is_open or found.clips_without_take:
        yield ""
        yield "Do: correct the log and load it again, or say it by hand:"
        yield "    ingest slate set ROLL/NAME --scene 12A --take 3"


def take_words(link: TakeLink) -> str:
    """`12A take 3, circled`."""

    said = said_take(link.scene, link.take)
    return f"{said}, {link.rating.value}" if link.rating else said


def _row_words(row: SlateRow) -> str:

    where = ", ".join(
        f"{word} {shown(text)}"
        for word, text in (("camera", row.camera), ("roll", row.roll), ("clip", row.clip))
        if text
    )
    rating = f", {row.rating.value}" if row.rating else ""
    said = f"{said_row(row)}: {said_take(row.scene, row.take)}{rating}"
    return f"{said} ({where})" if where else said


def item(text: str) -> str:
    """One of a list."""
    return f"  - {text}"


def more(count: int) -> Iterator[str]:
    """That there are more than a screen shows, where there are."""
    if count > SHOWN:
        yield f"  and {count - SHOWN:,} more (--json shows all)"
