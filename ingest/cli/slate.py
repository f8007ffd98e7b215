"""`ingest slate`: the log loaded, clips linked to takes, one take set by hand, what is owed."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from ingest.cli.terminal import Terminal, job
from ingest.errors import BadLog, ExitCode, UsageError
from ingest.names import shown

if TYPE_CHECKING:
    from ingest.catalog.catalog import Catalog
    from ingest.jobs.slate import MatchResult
    from ingest.settings import Settings

__all__ = ["command"]

_ROOM = 4
_MOST_ROWS = 40
"""Bad rows named one by one on standard error."""

command = click.Group(
    "slate", help="Load the slate log, link clips to takes, set one by hand, see what is owed."
)


@job("load")
@click.argument("log", metavar="LOG")
@click.option("--production", metavar="NAME", help="The production that the log belongs to.")
@click.option("--sheet", metavar="NAME", help="The sheet of a workbook that holds several.")
def _load(terminal: Terminal, log: str, production: str | None, sheet: str | None) -> int:
    """Load the log of slates (CSV or XLSX) and link the clips anew.

    A log of the same file name takes the place of what it said before. A row that can't be read
    stops it, and nothing is loaded. Exit: 0 every take has its clip; 3 something is open.
    """
    from ingest.cli.slate_lines import load_lines
    from ingest.cli.slate_words import load_document
    from ingest.jobs.slate import load_log

    with terminal.catalog() as catalog:
        settings = _settings(terminal, catalog, production)
        try:
            result = load_log(
                catalog,
                production or _named(settings, catalog),
                log,
                terminal.observer(),
                sheet=sheet,
                settings=settings,
            )
        except BadLog as bad:
            raise _rows_named(terminal, bad) from None
        posters = catalog.posters
    terminal.answer(load_document(result, posters), load_lines(result))
    return ExitCode.FOOTAGE if result.match.is_open else ExitCode.WELL


@job("match")
@click.option("--production", metavar="NAME", help="The production to match.")
def _match(terminal: Terminal, production: str | None) -> int:
    """Link clips to takes anew, after more cards came in.

    What isn't sure is listened to: scratch tracks against sound files, on mounted drives.

    In a terminal it then asks about each link that is open, with the two best answers; without
    one they are listed. Exit: 0 every take has its clip; 3 something is open.
    """
    from ingest.cli.slate_lines import match_lines
    from ingest.cli.slate_words import match_document
    from ingest.jobs.scratch_sound import Listener
    from ingest.jobs.slate import match_production

    with terminal.catalog() as catalog:
        settings = _settings(terminal, catalog, production)
        chosen = production or _named(settings, catalog)
        listener = Listener(terminal.note, terminal.observer())
        result = match_production(catalog, chosen, settings=settings, hear=listener)
        for remark in listener.remarks:
            terminal.note(remark)
        if terminal.interactive and _ask(terminal, catalog, result):
            result = match_production(catalog, chosen, settings=settings, hear=listener)
        terminal.answer(match_document(result, catalog.posters), match_lines(result))
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
    from ingest.cli.slate_words import link_document, take_words
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
        settings = _settings(terminal, catalog, production)
        result = set_take(
            catalog,
            clip,
            scene,
            take,
            shot,
            rating,
            note,
            terminal.observer(),
            production=production or _named(settings, catalog),
        )
    name = result.clip.full_name
    terminal.answer(
        {"clip": name, **link_document(result.link)},
        [f"{shown(name)} holds {take_words(result.link)}, set by hand."],
    )
    return ExitCode.WELL


@job("owed")
@click.argument("shots", metavar="[SHOTS]", required=False)
@click.option("--day", type=click.IntRange(min=0), metavar="N", help="The shoot day to ask about.")
@click.option("--production", metavar="NAME", help="The production that the list belongs to.")
@click.option("--sheet", metavar="NAME", help="The sheet of a workbook that holds several.")
def _owed(
    terminal: Terminal,
    shots: str | None,
    day: int | None,
    production: str | None,
    sheet: str | None,
) -> int:
    """Which planned shots have no good take yet.

    SHOTS is the shot list (CSV or XLSX); it is remembered, so that it can be left out the next
    time. Without --day, all days that have been shot on count. Exit: 0 nothing planned for the
    day is missing; 3 something is, so that it is known before the set is struck.
    """
    from ingest.cli.slate_owed import document, lines
    from ingest.jobs.owed import what_is_owed

    with terminal.catalog() as catalog:
        settings = _settings(terminal, catalog, production)
        try:
            result = what_is_owed(
                catalog,
                production or _named(settings, catalog),
                shots,
                terminal.observer(),
                day=day,
                sheet=sheet,
                days=settings.days,
            )
        except BadLog as bad:
            raise _rows_named(terminal, bad) from None
    terminal.answer(document(result), lines(result))
    return ExitCode.FOOTAGE if result.coverage.missing else ExitCode.WELL


for _command in (_load, _match, _set, _owed):
    command.add_command(_command)


def _ask(terminal: Terminal, catalog: Catalog, result: MatchResult) -> int:
    """Asks what is open, and sets each answer by hand at once. Returns how many were set."""
    from ingest.cli.slate_asking import ask
    from ingest.jobs.slate import set_take

    questions = result.questions
    done = 0
    for number, question in enumerate(questions, start=1):
        told = ask(terminal, question, f"{number} of {len(questions)}", catalog.posters)
        if told is not None:
            name, observer = question.clip.full_name, terminal.observer()
            set_take(catalog, name, *told, None, None, None, observer, production=result.production)
            done += 1
    return done


def _settings(terminal: Terminal, catalog: Catalog, production: str | None) -> Settings:
    return terminal.settings(catalog, (), production)


def _named(settings: Settings, catalog: Catalog) -> str | None:
    """The production of ingest.toml, where the catalog holds it."""
    name = settings.production
    known = {each.casefold() for each in catalog.productions()}
    return name if name and name.casefold() in known else None


def _rows_named(terminal: Terminal, bad: BadLog) -> BadLog:
    """The error; where it has no room for all bad rows, each is named on a line before it."""
    if len(bad.rows) <= _ROOM:
        return bad
    for words in bad.rows[:_MOST_ROWS]:
        terminal.note(f"  {words}")
    if len(bad.rows) > _MOST_ROWS:
        terminal.note(f"  and {len(bad.rows) - _MOST_ROWS:,} more")
    return BadLog(bad.brief, do=bad.do)
