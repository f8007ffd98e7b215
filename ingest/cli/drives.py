"""`ingest drives`: the drives that are known, and how what is on them stands."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any

import click

from ingest.cli.settling import settle
from ingest.cli.terminal import Overview, Terminal, job
from ingest.errors import ExitCode
from ingest.names import shown
from ingest.wording import counted, size, whole

if TYPE_CHECKING:
    from ingest.catalog.custody_records import Change, DrivePlace
    from ingest.jobs.custody.drives import RollShort
    from ingest.jobs.custody.renamed import OldName
    from ingest.jobs.known import DriveOverview, Tally
    from ingest.settings import Settings

__all__ = [
    "age",
    "changes_document",
    "command",
    "history_lines",
    "settle",
    "tally_document",
    "tally_words",
]


@job("drives")
@click.option("--history", is_flag=True, help="Everything that was written down about each.")
def _bare(terminal: Terminal, history: bool) -> int:
    """The drives that are known: where each is, and the state of the copies on it.

    Exit: 0; 3 when a copy on one of them is damaged, missing or doubtful.
    """
    from datetime import UTC

    from ingest.catalog.custody_records import About
    from ingest.jobs.known import drive_overviews

    now = datetime.now(UTC)
    with terminal.catalog() as catalog:
        settings = terminal.settings(catalog)
        overviews = drive_overviews(catalog, now)
        owed = {move.drive_id for move in catalog.moves_owed()}
        changes: dict[str, list[Change]] = {}
        for change in catalog.changes(About.DRIVE):
            changes.setdefault(change.subject, []).append(change)
    documents: list[dict[str, Any]] = []
    lines: list[str] = []
    for one in overviews:
        told = changes.get(one.here.drive.marker, [])
        documents.append({**_document(one, settings), "history": changes_document(told)})
        lines += _lines(one, settings, now, owed=one.here.drive.id in owed)
        lines += history_lines(told) if history else []
    terminal.answer({"drives": documents}, lines or ["No drive is known yet. Do: ingest offload"])
    bad = any(
        one.tally.bad or one.tally.doubtful or one.here.doubt
        for one in overviews
        if not one.place.gone
    )
    return ExitCode.FOOTAGE if bad else ExitCode.WELL


@job("set", short_help="Name a drive; say where it is and what became of it.")
@click.argument("drive", metavar="DRIVE")
@click.option("--name", metavar="NAME", help="Another name, in this catalog.")
@click.option("--where", metavar="TEXT", help='The place or bag it is in; "" for none.')
@click.option("--offsite/--no-offsite", default=None, help="Whether that place is off-site.")
@click.option("--sent", metavar="TO", help="It is on its way to this place.")
@click.option("--by", metavar="WHO", help="Who takes it there (with --sent).")
@click.option("--received", is_flag=True, help="It has come to where it was sent, or is back.")
@click.option("--dead", is_flag=True, help="It can't be read any more: it counts for no copy.")
@click.option("--lost", is_flag=True, help="Nobody has it: it counts for no copy.")
def _set(terminal: Terminal, drive: str, **wish: Any) -> int:
    """Write down a DRIVE's name or place, or that it was sent, received, is dead or lost.

    Each change is dated, with who made it on which machine, and its history is kept. With no
    option: what was written down so far. On its way, or with no place, a drive counts for no
    off-site demand; dead or lost, for no copy. One that was received counts again after an audit
    there.

    Exit: 0; 3 when rolls have fewer copies now than are wanted.
    """
    from datetime import UTC

    from ingest.jobs.custody.drives import DriveChange, set_drive
    from ingest.jobs.custody.renamed import old_name

    with terminal.catalog() as catalog:
        settings = terminal.settings(catalog)
        done = set_drive(
            catalog,
            drive,
            DriveChange(**wish),
            terminal.observer(),
            wanted=settings.copies_wanted,
            now=datetime.now(UTC),
        )
        settle(terminal, catalog)
    old = old_name(settings, done.before, done.place.drive.name)
    document = {
        **_place_document(done.place, settings),
        "below": [
            {
                "production": one.production,
                "day": one.day,
                "roll": one.roll,
                "copies": one.copies,
                "wanted": one.wanted,
            }
            for one in done.fell
        ],
        "history": changes_document(done.history),
        "old_name": None
        if old is None
        else {"file": old.file, "line": old.line, "old": old.old, "new": old.new},
    }
    terminal.answer(
        document,
        [
            f"{shown(done.place.drive.name)}: {place_words(done.place, settings)}",
            *_fell_lines(done.fell),
            *history_lines(done.history),
            *(_old_name_lines(old) if old is not None else ()),
        ],
    )
    return ExitCode.FOOTAGE if done.fell else ExitCode.WELL


command = Overview(_bare)
command.add_command(_set)


def _old_name_lines(old: OldName) -> Iterator[str]:
    from ingest.settings.writing import drive_heading

    place = f" and says that it lives at {shown(old.where)}" if old.where else ""
    yield f"! {whole(old.file)}, line {old.line}, calls it {shown(old.old)}{place}"
    yield f"Do: write {shown(drive_heading(old.new))} there, or that is said of no drive any more"


def _fell_lines(fell: Sequence[RollShort]) -> Iterator[str]:
    for one in fell:
        copies = "1 copy counts" if one.copies == 1 else f"{one.copies or 'no'} copies count"
        yield (
            f"! {shown(one.production)}/{shown(one.roll)} (day {one.day}): {copies} now, "
            f"{one.wanted} wanted"
        )
    if fell:
        yield "Do: ingest copy --to another drive; keep the cards until then"
        yield "Don't: format a card of these rolls"


def changes_document(changes: Sequence[Change]) -> list[dict[str, Any]]:
    """What was written down, as JSON, the oldest first."""
    return [
        {
            "at": change.at.isoformat(),
            "what": change.what,
            **({"value": dict(change.value)} if change.value else {}),
            "who": change.observer.who,
            "machine": change.observer.machine,
        }
        for change in changes
    ]


def history_lines(changes: Sequence[Change]) -> Iterator[str]:
    """What was written down, as lines, the oldest first."""
    from ingest.jobs.custody.texts import change_words

    for change in changes:
        yield f"    {change_words(change)}"


def place_words(place: DrivePlace, settings: Settings) -> str:
    """Where a drive is, in words."""
    from ingest.catalog.custody_records import Standing
    from ingest.jobs.custody.places import is_offsite, where_is

    if place.standing is Standing.SENT:
        return f"in transit to {shown(place.sent_to or '?')}, with {shown(place.sent_by or '?')}"
    if place.gone:
        return f"{place.standing}: it counts for no copy"
    where = where_is(place, settings)
    if where is None:
        return "no place was said; ingest drives set --where"
    site = {True: " (off-site)", False: "", None: ""}[is_offsite(place, settings)]
    return f"at {shown(where)}{site}"


def _place_document(place: DrivePlace, settings: Settings) -> dict[str, Any]:
    from ingest.jobs.custody.places import is_offsite, where_is

    return {
        "name": place.drive.name,
        "marker": place.drive.marker,
        "standing": str(place.standing),
        "where": where_is(place, settings),
        "offsite": is_offsite(place, settings),
        "sent_to": place.sent_to,
        "sent_by": place.sent_by,
        "since": place.since.isoformat() if place.since is not None else None,
    }


def _document(one: DriveOverview, settings: Settings) -> dict[str, Any]:
    drive, volume = one.here.drive, one.here.volume
    return {
        **_place_document(one.place, settings),
        "mounted": volume is not None,
        "root": volume.root if volume is not None else drive.root,
        "device": volume.device if volume is not None else drive.device,
        "fs_type": drive.fs_type,
        "free": volume.free if volume is not None else None,
        "total": volume.total if volume is not None else None,
        "last_seen": drive.last_seen.isoformat(),
        "doubt": one.here.doubt or None,
        "rolls": list(one.rolls),
        **tally_document(one.tally),
    }


def _lines(one: DriveOverview, settings: Settings, now: datetime, *, owed: bool) -> Iterator[str]:
    drive, volume = one.here.drive, one.here.volume
    if volume is not None:
        where = f"mounted at {whole(volume.root)}, {size(volume.free)} free"
    else:
        where = f"not mounted, last seen {age(drive.last_seen, now)} at {whole(drive.root)}"
    yield f"{shown(drive.name)}: {where}; {shown(drive.device)}"
    if one.here.doubt:
        yield f"  ! {one.here.doubt}. Don't: count on what is on it"
    yield f"  {place_words(one.place, settings)}"
    yield f"  {counted(len(one.rolls), 'roll')}, {tally_words(one.tally, now)}"
    if owed:
        yield "  a corrected roll's folder keeps its old name until the drive is next seen"


def tally_document(tally: Tally) -> dict[str, Any]:
    """How copies stand, as JSON."""
    return {
        "copies": tally.copies,
        "proven": tally.proven,
        "states": {str(state): count for state, count in sorted(tally.states.items())},
        "oldest_evidence": tally.oldest.isoformat() if tally.oldest is not None else None,
        "newest_evidence": tally.newest.isoformat() if tally.newest is not None else None,
        "dated_in_the_future": tally.future,
    }


def tally_words(tally: Tally, now: datetime) -> str:
    """How copies stand, in words."""
    if not tally.copies:
        return "no copies"
    states = ", ".join(f"{count} {state}" for state, count in sorted(tally.states.items()))
    text = f"{tally.copies} copies: {states}"
    if tally.proven < tally.matched:
        text += f" ({tally.proven} of them read past the cache)"
    if tally.oldest is not None:
        text += f"; oldest evidence {age(tally.oldest, now)}"
    return text + (", some dated in the future" if tally.future else "")


def age(then: datetime, now: datetime) -> str:
    """How long ago, roughly; a time in the future says nothing about age."""
    seconds = int((now - then).total_seconds())
    if seconds < 0:
        return "of unknown age"
    for unit, length in (("day", 86400), ("hour", 3600), ("minute", 60)):
        if (count := seconds // length) > 0:
            return f"{count} {unit}{'s' if count > 1 else ''} ago"
    return "just now"
