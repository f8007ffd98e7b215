"""What `ingest slate load` and `match` show: the lists first, and last what stays on the screen."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from ingest.cli.slate_words import SHOWN, item, more, take_words
from ingest.names import shown
from ingest.slate.pool import said_row, said_take
from ingest.wording import counted

if TYPE_CHECKING:
    from ingest.catalog.records import SlateRow, TakeLink
    from ingest.jobs.slate import LoadResult, MatchResult
    from ingest.slate.changes import Changes

__all__ = ["load_lines", "match_lines"]

_FIELD = {"extra": "other columns", "mos": "MOS", "iso": "ISO"}


def load_lines(result: LoadResult) -> Iterator[str]:
    """What `slate load` shows: what changed and what a person should look at; last, so that it
    stays on the screen, what was loaded and how much is open."""
    told = result.changes
    said = [
        f"{len(some):,} {word}"
        for some, word in ((told.new, "new"), (told.changed, "changed"), (told.gone, "gone"))
        if some
    ]
    changed = ", ".join(said) or "nothing in it is new"
    loaded = [f"{shown(result.log)}: {counted(result.rows, 'row')} loaded, {changed}."]
    if result.guessed:
        loaded.append(
            f"It is not UTF-8 and was read as {result.guessed}: look at names with accents."
        )
    yield from _spaced(
        _change_lines(told),
        *_parts(result.match),
        [*loaded, *_closing_lines(result.match)],
    )


def _change_lines(told: Changes) -> Iterator[str]:
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


def _spaced(*parts: Iterable[str]) -> Iterator[str]:
    """The parts that have lines, an empty line between two."""
    between = False
    for part in parts:
        lines = list(part)
        if lines and between:
            yield ""
        yield from lines
        between = between or bool(lines)


def _said(value: Any) -> str:
    if isinstance(value, tuple):
        return ", ".join(value) or "empty"
    if isinstance(value, Mapping):
        return shown("; ".join(f"{key}: {text}" for key, text in value.items())) or "empty"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "empty" if value is None else shown(str(value))


def _clock_lines(result: MatchResult) -> Iterator[str]:
    """Clocks that are off by more than people's own slowness, and how surely."""
    from ingest.assurance.clocks import LEAST
    from ingest.slate.matching.by_clock import said_offset

    wrong = [clock for clock in result.clocks if abs(clock.slow) >= LEAST]
    if wrong:
        yield "Clocks, as worked out from clips and takes:"
    for clock in wrong[:SHOWN]:
        perhaps = "" if clock.is_sure else ", not sure"
        yield item(
            f"{_device(clock.device)}, day {clock.day}: {said_offset(clock.slow)} against "
            f"{clock.against}, give or take {clock.within:.1f} s "
            f"({counted(len(clock.clip_ids), 'clip')}{perhaps})"
        )
    yield from more(len(wrong))


def _zone_lines(result: MatchResult) -> Iterator[str]:
    """A zone that may be wrong."""
    from ingest.slate.matching.by_clock import said_offset

    for zone in result.matching.zones:
        off = said_offset(zone.seconds).replace(" 0 s ", " ").replace(" 0 min ", " ")
        yield (
            f"Day {zone.day}: the clocks of cameras {_listed(zone.devices)} are alike {off} "
            f"against {zone.against}. Is time_zone in ingest.toml right, and was the clock changed "
            "for summer time?"
        )


def _jam_lines(result: MatchResult) -> Iterator[str]:
    """Timecode that was never jammed."""
    from ingest.slate.matching.by_clock import said_offset

    found = result.matching.timecodes
    if found:
        yield "Timecode that was not jammed to the sound's, as worked out from clips and takes:"
    for jam in found:
        yield item(
            f"{_device(jam.device)}, day {jam.day}: {said_offset(jam.behind)} "
            f"({counted(len(jam.clip_ids), 'clip')}, spread {jam.spread:.1f} s)"
        )


def _listed(devices: Sequence[str]) -> str:
    return shown(" and ".join([", ".join(devices[:-1]), devices[-1]]))


def _device(name: str) -> str:
    return shown(name if name.startswith("roll ") else f"camera {name}")


def match_lines(result: MatchResult) -> Iterator[str]:
    """What `slate match` shows: what a person should look at, last how much that is."""
    yield from _spaced(*_parts(result), _closing_lines(result))


def _parts(result: MatchResult) -> Iterator[Iterator[str]]:
    """The lists, the most urgent last."""
    yield _clock_lines(result)
    yield _zone_lines(result)
    yield _jam_lines(result)
    yield _no_take_lines(result)
    yield _no_clip_lines(result)
    yield _not_sure_lines(result)
    yield _conflict_lines(result)


def _no_take_lines(result: MatchResult) -> Iterator[str]:
    clips = result.matching.clips_without_take
    if clips:
        yield "Clips with no take:"
        yield f"  {', '.join(shown(clip.full_name) for clip in clips[:SHOWN])}"
    yield from more(len(clips))


def _no_clip_lines(result: MatchResult) -> Iterator[str]:
    others, asked_for = _not_asked_for(result), len(result.matching.rows_without_clip)
    if others:
        yield f"{'Takes' if len(others) == asked_for else 'Other takes'} in the log with no clip:"
    for row in others[:SHOWN]:
        yield item(_row_words(row))
    yield from more(len(others))


def _not_asked_for(result: MatchResult) -> list[SlateRow]:
    """Rows without a clip that no conflict tells."""
    asked_for = (row for one in result.conflicts if one.kind == "no clip" for row in one.rows)
    told = {(row.log, row.row, row.take) for row in asked_for}
    rows = result.matching.rows_without_clip
    return [row for row in rows if (row.log, row.row, row.take) not in told]


def _not_sure_lines(result: MatchResult) -> Iterator[str]:
    asked = _not_sure(result)
    if asked:
        yield "Not sure, please look:"
    for link in asked[:SHOWN]:
        name = shown(result.clips[link.clip_id].full_name)
        yield item(f"{name}: {take_words(link)}, {link.sure.value} ({shown(link.basis)})")
    yield from more(len(asked))


def _not_sure(result: MatchResult) -> list[TakeLink]:
    from ingest.catalog.records import Sure

    return [link for link in result.matching.links if link.sure is not Sure.SURE]


def _conflict_lines(result: MatchResult) -> Iterator[str]:
    if result.conflicts:
        yield "Needs a person:"
    for conflict in result.conflicts[:SHOWN]:
        yield item(conflict.words)
        if conflict.do:
            yield f"    Do: {conflict.do}"
    yield from more(len(result.conflicts))


def _closing_lines(result: MatchResult) -> Iterator[str]:
    """How many clips are linked, what is to be looked at, and what to do."""
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
    kinds = (
        (len(result.conflicts), "thing", "for a person"),
        (len(_not_sure(result)), "link", "not sure"),
        (len(_not_asked_for(result)), "take", "with no clip"),
        (len(found.clips_without_take), "clip", "with no take"),
    )
    left = [f"{counted(count, what)} {how}" for count, what, how in kinds if count]
    yield f"To look at, above: {', '.join(left)}." if left else "Nothing is open."
    if result.is_open or found.clips_without_take:
        yield "Do: correct the log and load it again, or say it by hand:"
        yield "    ingest slate set ROLL/NAME --scene 12A --take 3"


def _row_words(row: SlateRow) -> str:
    where = ", ".join(
        f"{word} {shown(text)}"
        for word, text in (("camera", row.camera), ("roll", row.roll), ("clip", row.clip))
        if text
    )
    rating = f", {row.rating.value}" if row.rating else ""
    said = f"{said_row(row)}: {said_take(row.scene, row.take)}{rating}"
    return f"{said} ({where})" if where else said
