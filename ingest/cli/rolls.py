"""`ingest rolls`: the rolls that are in, and how their copies stand."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import TYPE_CHECKING, Any

import click

from ingest.cli.drives import (
    changes_document,
    history_lines,
    tally_document,
    tally_words,
)
from ingest.cli.settling import settle
from ingest.cli.terminal import Overview, Terminal, job
from ingest.errors import ExitCode, NotKnown
from ingest.names import shown
from ingest.wording import counted, length, size

if TYPE_CHECKING:
    from ingest.assurance.footage.totals import Shot, Total
    from ingest.catalog.custody_records import Change, RollNote
    from ingest.catalog.records import Roll
    from ingest.jobs.custody.rolls import RollSet
    from ingest.jobs.footage import Footage
    from ingest.jobs.known import RollOverview

__all__ = ["command"]


@job("rolls")
@click.option("--production", metavar="NAME", help="Only this production.")
@click.option("--day", type=click.IntRange(min=0), metavar="N", help="Only this shoot day.")
@click.option("--roll", metavar="NAME", help="Only this roll.")
@click.option("--history", is_flag=True, help="Everything that was written down about each.")
def _bare(
    terminal: Terminal, production: str | None, day: int | None, roll: str | None, history: bool
) -> int:
    """The rolls that are in, the state of each, and the drives that hold copies.

    What is in each roll is told too: clips, length, data rate, the longest and the shortest clip;
    which are broken or ask for a look; and what looks set wrong, by ingest.toml or else by what
    the same camera did on its other clips. Totals by camera and day come last.

    Exit: 0 every file of every roll has two proven copies on separate devices; 3 otherwise.
    """
    from datetime import UTC

    from ingest.catalog.custody_records import About
    from ingest.jobs.footage import footage_of, shot_of
    from ingest.jobs.known import roll_overviews

    now = datetime.now(UTC)
    with terminal.catalog() as catalog:
        rolls = catalog.rolls(production=production, day=day, name=roll)
        if not rolls and (production or roll or day is not None):
            raise NotKnown(
                "The catalog has no such roll.", do="ingest rolls, without options, shows them all"
            )
        overviews = roll_overviews(catalog, rolls, now)
        notes = catalog.roll_notes(rolls)
        by_production: dict[str, list[Roll]] = {}
        for one_roll in rolls:
            by_production.setdefault(one_roll.production, []).append(one_roll)
        settings = terminal.settings(catalog)
        footage = {
            name: footage_of(catalog, some, settings) for name, some in by_production.items()
        }
        shots = {name: shot_of(catalog, some) for name, some in by_production.items()}
        owed = {(move.roll_id, move.drive_id) for move in catalog.moves_owed()}
        changes: dict[str, list[Change]] = {}
        for change in catalog.changes(About.ROLL):
            changes.setdefault(change.subject, []).append(change)
    documents: list[dict[str, Any]] = []
    lines: list[str] = []
    under = ("", -1)
    for one in overviews:
        told = changes.get(str(one.roll.id), [])
        note = notes[one.roll.id]
        documents.append(
            {
                **_document(one),
                **_footage_document(
                    one.roll, footage[one.roll.production], shots[one.roll.production]
                ),
                **_note_document(note),
                "history": changes_document(told),
            }
        )
        if under != (one.roll.production, one.roll.day):
            under = (one.roll.production, one.roll.day)
            day_line = f"{shown(one.roll.production)}, day {one.roll.day}"
            lines.append(f"{day_line} ({shown(one.roll.date)})")
        lines += _lines(one, note, owed, now)
        lines += _footage_lines(one.roll, footage[one.roll.production], shots[one.roll.production])
        lines += history_lines(told) if history else []
    for name, shot in shots.items():
        lines += _total_lines(name, shot)
    totals = [{"production": name, **_totals_document(shot)} for name, shot in shots.items()]
    terminal.answer(
        {"rolls": documents, "totals": totals}, lines or ["No roll is in yet. Do: ingest offload"]
    )
    well = all(one.state == "matched" for one in overviews)
    return ExitCode.WELL if well else ExitCode.FOOTAGE


@job("set", short_help="Correct a roll, hold it, say who viewed it, or until when.")
@click.argument("roll", metavar="ROLL")
@click.option("--roll", "new_roll", metavar="NEW", help="Its right name.")
@click.option("--camera", metavar="LETTER", help="Its right camera.")
@click.option("--day", type=int, metavar="N", help="Its right shoot day.")
@click.option("--production", metavar="NAME", help="Its right production.")
@click.option("--hold", metavar="TEXT", help="Its card is not to be reused, for this reason.")
@click.option("--no-hold", is_flag=True, help="Take that hold off.")
@click.option("--viewed", metavar="WHO", help="Who has viewed the clips that can't be decoded.")
@click.option("--until", metavar="DATE", help='Its card is kept until then; "" for no date.')
@click.option("--take-over", is_flag=True, help="Another machine's run is known to have ended.")
def _set(terminal: Terminal, roll: str, new_roll: str | None, take_over: bool, **wish: Any) -> int:
    """Correct a ROLL (or PRODUCTION/ROLL), hold its card, say who viewed it, or until when it is
    kept.

    A correction stands in the catalog at once. The roll's folder is renamed on every drive that
    is here, and on the others when they are next seen; no file in it is touched, and its hash
    lists stay true. Refused while an offload runs in it. Each change is dated, with who made it
    on which machine, and its history is kept.

    Exit: 0; 3 when a folder that is here keeps its old name.
    """
    import secrets

    from ingest.jobs.custody.rolls import RollChange, set_roll

    with terminal.catalog() as catalog:
        settings = terminal.settings(catalog)
        settle(terminal, catalog)
        done = set_roll(
            catalog,
            roll,
            RollChange(roll=new_roll, **wish),
            terminal.observer(),
            settings,
            lambda: secrets.token_hex(8),
            take_over=take_over,
        )
    folders = [
        {
            "drive": one.drive,
            "from": one.move.origin,
            "to": one.move.wanted,
            "renamed": not one.trouble,
            "trouble": one.trouble or None,
        }
        for one in done.folders
    ]
    after = done.roll
    from ingest.jobs.handed_out import outdated_document

    document = {
        "production": after.production,
        "day": after.day,
        "date": after.date,
        "roll": after.name,
        "camera": after.camera,
        "card": after.card,
        **_note_document(done.note),
        "folders": folders,
        "papers_with_old_names": outdated_document(done.papers),
        "history": changes_document(done.history),
    }
    terminal.answer(document, _set_lines(done))
    stuck = any(one.trouble and not one.away for one in done.folders)
    return ExitCode.FOOTAGE if stuck else ExitCode.WELL


command = Overview(_bare)
command.add_command(_set)


def _set_lines(done: RollSet) -> Iterator[str]:
    from ingest.jobs.handed_out import outdated_lines

    roll = done.roll
    camera = f", camera {shown(roll.camera)}" if roll.camera else ""
    yield (
        f"{shown(roll.production)}/{shown(roll.name)}: day {roll.day} ({shown(roll.date)})"
        f"{camera}, card {shown(roll.card)}"
    )
    for one in done.folders:
        if not one.trouble:
            yield f"  {shown(one.drive)}: the folder is called {shown(one.move.wanted)} now"
        else:
            yield f"  {shown(one.drive)}: the folder keeps its name: {shown(one.trouble)}"
            yield f"  Do: {shown(one.do)}"
    if any(not one.trouble for one in done.folders):
        yield "  Its hash lists stay as they are: their paths begin below this folder."
    yield from _note_lines(done.note)
    yield from history_lines(done.history)
    yield from outdated_lines(done.papers)
    if roll != done.before and done.logged:
        yield "Do: ingest slate match (the log may name this roll)"


def _note_document(note: RollNote) -> dict[str, Any]:
    return {
        "hold": note.hold,
        "hold_by": note.hold_by,
        "viewed_by": note.viewed_by,
        "until": note.until.isoformat() if note.until is not None else None,
    }


def _note_lines(note: RollNote) -> Iterator[str]:
    if note.hold is not None:
        yield f"    held by {shown(note.hold_by or '?')}: {shown(note.hold)}"
    if note.viewed_by is not None:
        yield f"    viewed by {shown(note.viewed_by)}"
    if note.until is not None:
        yield f"    its card is kept until {note.until}"


def _document(one: RollOverview) -> dict[str, Any]:
    return {
        "production": one.roll.production,
        "day": one.roll.day,
        "date": one.roll.date,
        "roll": one.roll.name,
        "camera": one.roll.camera,
        "card": one.roll.card,
        "files": one.files,
        "bytes": one.bytes,
        "state": one.state,
        "copies_on_separate_devices": one.copies,
        "drives": [
            {
                "drive": on.here.drive.name,
                "mounted": on.here.volume is not None,
                **tally_document(on.tally),
            }
            for on in one.drives
        ],
    }


def _lines(
    one: RollOverview, note: RollNote, owed: set[tuple[int, int]], now: datetime
) -> Iterator[str]:
    roll = one.roll
    camera = f", camera {shown(roll.camera)}" if roll.camera else ""
    copies = f"{one.copies} proven {'copy' if one.copies == 1 else 'copies'}"
    yield (
        f"  {shown(roll.name)}: {one.state} ({counted(one.files, 'file')}, {size(one.bytes)}"
        f"{camera}, card {shown(roll.card)})"
    )
    yield f"    {copies} on devices shown to be separate"
    for on in one.drives:
        here = "here" if on.here.volume is not None else "not here"
        if on.place.standing != "kept":
            here = f"{on.place.standing}"
        yield f"    {shown(on.here.drive.name)} ({here}): {tally_words(on.tally, now)}"
        if (roll.id, on.here.drive.id) in owed:
            yield "      its folder keeps the old name until the drive is next seen"
    yield from _note_lines(note)


def _total_of(roll: Roll, shot: Shot) -> Total:
    return next(total for total in shot.rolls if total.of == roll.name)


def _of_roll(roll: Roll, clip: str) -> bool:
    return clip.startswith(f"{roll.name}/")


def _footage_document(roll: Roll, footage: Footage, shot: Shot) -> dict[str, Any]:
    from ingest.jobs.footage import oddity_document, timecode_document, total_document
    from ingest.media.health_json import health_to_json

    return {
        "shot": total_document(_total_of(roll, shot)),
        "set_wrong": [oddity_document(one) for one in footage.oddities if _of_roll(roll, one.clip)],
        "timecode": [
            timecode_document(one) for one in footage.timecodes if _of_roll(roll, one.clip)
        ],
        "health": [
            {"clip": shown(name), **health_to_json(health)}
            for name, health in footage.healths
            if _of_roll(roll, name)
        ],
    }


def _footage_lines(roll: Roll, footage: Footage, shot: Shot) -> Iterator[str]:
    from ingest.jobs.footage import oddity_lines, total_words
    from ingest.jobs.health import broken_lines, look_lines

    total = _total_of(roll, shot)
    if total.clips:
        yield f"    {total_words(total)}"
    if total.longest is not None and total.longest is not total.shortest:
        for what, clip in (("longest", total.longest), ("shortest", total.shortest)):
            assert clip is not None and clip.facts.duration_seconds is not None
            yield f"    {what}: {shown(clip.name)}, {length(clip.facts.duration_seconds)}"
    looked = [each for each in footage.healths if _of_roll(roll, each[0])]
    for line in (
        *broken_lines(looked),
        *look_lines(looked),
        *oddity_lines(
            [one for one in footage.oddities if _of_roll(roll, one.clip)],
            [one for one in footage.timecodes if _of_roll(roll, one.clip)],
        ),
    ):
        yield f"    {line}"


def _total_lines(production: str, shot: Shot) -> Iterator[str]:
    from ingest.jobs.footage import total_words

    if not shot.whole.clips or len(shot.rolls) < 2:
        return
    yield f"{shown(production)} in all: {size(shot.whole.bytes)}, {total_words(shot.whole)}"
    for total in shot.cameras:
        name = shown(total.of) if total.of else "of unknown camera"
        yield f"  {name}: {size(total.bytes)}, {total_words(total)}"
    for total in shot.days:
        yield f"  day {total.of}: {size(total.bytes)}, {total_words(total)}"


def _totals_document(shot: Shot) -> dict[str, Any]:
    from ingest.jobs.footage import total_document

    return {
        **total_document(shot.whole),
        "cameras": [
            {"camera": total.of or None, **total_document(total)} for total in shot.cameras
        ],
        "days": [{"day": int(total.of), **total_document(total)} for total in shot.days],
    }
