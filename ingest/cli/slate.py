"""`ingest slate`: the log loaded, clips linked to takes, one take set by hand."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import click

from ingest.cli.terminal import Terminal, job
from ingest.errors import ExitCode, UsageError
from ingest.names import shown

if TYPE_CHECKING:
    from ingest.catalog.records import SlateRow, TakeLink
    from ingest.jobs.slate import LoadResult, MatchResult

__all__ = ["command"]

_SHOWN = 40
"""Lines of one kind on a screen; `--json` holds them all."""

command = click.Group("slate", help="Load the slate log, link clips to takes, set one by hand.")


@job("load")
@click.argument("log", metavar="LOG.csv")
@click.option("--production", metavar="NAME", help="The production that the log belongs to.")
def _load(terminal: Terminal, log: str, production: str | None) -> int:
    """Load the log of slates and link the clips anew.

    A log of the same file name takes the place of what it said before. A row that can't be read
    stops it, and nothing is loaded. Exit: 0 every take has its clip; 3 something is open.
    """
    from ingest.jobs.slate import load_log

    with terminal.catalog() as catalog:
        result = load_log(catalog, production, log)
    terminal.answer(
        {
            "log": result.log,
            "rows": result.rows,
            "new": result.new,
            "gone": result.gone,
            **_document(result.match),
        },
        _load_lines(result),
    )
    return ExitCode.FOOTAGE if result.match.is_open else ExitCode.WELL


@job("match")
@click.option("--production", metavar="NAME", help="The production to match.")
def _match(terminal: Terminal, production: str | None) -> int:
    """Link clips to takes anew, after more cards came in.

    Exit: 0 every take has its clip; 3 something is open.
    """
    from ingest.jobs.slate import match_production

    with terminal.catalog() as catalog:
        result = match_production(catalog, production)
    terminal.answer(_document(result), _lines(result))
    return ExitCode.FOOTAGE if result.is_open else ExitCode.WELL


@job("set")
@click.argument("clip", metavar="CLIP")
@click.option("--scene", required=True, metavar="NAME", help="12A")
@click.option("--take", required=True, metavar="NAME", help="3, 3PU, WT2")
@click.option("--shot", metavar="NAME", help="Frame of the storyboard or line of the shot list.")
@click.option("--circled", is_flag=True, help="A take to use.")
@click.option("--keep", is_flag=True, help="A take to keep.")
@click.option("--ng", is_flag=True, help="No good.")
@click.option("--note", metavar="TEXT", help="Whatever the editor should know.")
@click.option("--production", metavar="NAME", help="The production that the clip belongs to.")
def _set(
    terminal: Terminal,
    clip: str,
    scene: str,
    take: str,
    shot: str | None,
    circled: bool,
    keep: bool,
    ng: bool,
    note: str | None,
    production: str | None,
) -> int:
    """Say by hand which take a clip (ROLL/NAME) holds. It beats every other link."""
    from ingest.catalog.records import Rating
    from ingest.jobs.slate import set_take

    given = [
        rating
        for rating, flag in ((Rating.CIRCLED, circled), (Rating.KEEP, keep), (Rating.NG, ng))
        if flag
    ]
    if len(given) > 1:
        raise UsageError("A take has one rating.", do="give one of --circled, --keep, --ng")
    rating = given[0] if given else None
    with terminal.catalog() as catalog:
        result = set_take(
            catalog,
            clip,
            scene,
            take,
            shot,
            rating,
            note,
            terminal.observer(),
            production=production,
        )
    name = result.clip.full_name
    terminal.answer(
        {"clip": name, **_link(result.link)},
        [f"{shown(name)} holds {_take(result.link)}, set by hand."],
    )
    return ExitCode.WELL


for _command in (_load, _set, _match):
    command.add_command(_command)


# The document -------------------------------------------------------------------------------


def _document(result: MatchResult) -> dict[str, Any]:
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
            {"clip": result.clips[link.clip_id].full_name, **_link(link)} for link in found.links
        ],
        "takes_without_clip": [_row(row) for row in found.rows_without_clip],
        "clips_without_take": [clip.full_name for clip in found.clips_without_take],
        "conflicts": [
            {
                "kind": each.kind,
                "what": each.words,
                "clips": [result.clips[number].full_name for number in each.clip_ids],
                "rows": [_row(row) for row in each.rows],
            }
            for each in found.conflicts
        ],
    }


def _link(link: TakeLink) -> dict[str, Any]:
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


def _row(row: SlateRow) -> dict[str, Any]:
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


def _load_lines(result: LoadResult) -> Iterator[str]:
    changed = "nothing in it is new" if not (result.new or result.gone) else f"{result.new} new"
    if result.gone:
        changed += f", {result.gone} in place of earlier ones"
    yield f"{shown(result.log)}: {_counted(result.rows, 'row')} loaded, {changed}."
    yield from _lines(result.match)


def _lines(result: MatchResult) -> Iterator[str]:
    from ingest.catalog.records import Sure

    found = result.matching
    linked = len({link.clip_id for link in found.links})
    yield (
        f"{shown(result.production)}: {linked} of {_counted(len(result.clips), 'clip')} linked to "
        "takes."
    )
    yield (
        f"Links: {result.count(Sure.SURE)} sure, {result.count(Sure.LIKELY)} likely, "
        f"{result.count(Sure.OPEN)} open, {result.by_hand} by hand."
    )
    asked = [link for link in found.links if link.sure is not Sure.SURE]
    if asked:
        yield ""
        yield "Not sure, please look:"
        for link in asked[:_SHOWN]:
            name = shown(result.clips[link.clip_id].full_name)
            yield from _wrapped(f"{name}: {_take(link)}, {link.sure.value} ({shown(link.basis)})")
        yield from _more(len(asked))
    if found.conflicts:
        yield ""
        yield "Needs a person:"
        for conflict in found.conflicts[:_SHOWN]:
            yield from _wrapped(conflict.words)
        yield from _more(len(found.conflicts))
    if found.rows_without_clip:
        yield ""
        yield "Takes in the log with no clip:"
        for row in found.rows_without_clip[:_SHOWN]:
            yield from _wrapped(_row_line(row))
        yield from _more(len(found.rows_without_clip))
    if found.clips_without_take:
        yield ""
        yield "Clips with no take:"
        names = [shown(clip.full_name) for clip in found.clips_without_take[:_SHOWN]]
        yield from _wrapped(", ".join(names), mark="  ")
        yield from _more(len(found.clips_without_take))
    if result.is_open or found.clips_without_take:
        yield ""
        yield "Do: correct the log and load it again, or say it by hand:"
        yield "    ingest slate set ROLL/NAME --scene 12A --take 3"


def _take(link: TakeLink) -> str:
    from ingest.slate.pool import said_take

    said = said_take(link.scene, link.take)
    return f"{said}, {link.rating.value}" if link.rating else said


def _row_line(row: SlateRow) -> str:
    from ingest.slate.pool import said_row, said_take

    where = ", ".join(
        f"{word} {shown(text)}"
        for word, text in (("camera", row.camera), ("roll", row.roll), ("clip", row.clip))
        if text
    )
    rating = f", {row.rating.value}" if row.rating else ""
    said = f"{said_row(row)}: {said_take(row.scene, row.take)}{rating}"
    return f"{said} ({where})" if where else said


def _wrapped(text: str, mark: str = "  - ") -> list[str]:
    import textwrap

    return textwrap.wrap(
        text,
        width=80,
        initial_indent=mark,
        subsequent_indent=" " * len(mark),
        break_long_words=False,
        break_on_hyphens=False,
    )


def _more(count: int) -> Iterator[str]:
    if count > _SHOWN:
        yield f"  and {count - _SHOWN:,} more (--json shows all)"


def _counted(number: int, noun: str) -> str:
    return f"{number:,} {noun}" if number == 1 else f"{number:,} {noun}s"
