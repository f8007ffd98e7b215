"""A roll corrected, held, viewed, or kept until a date."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from datetime import date

from ingest.catalog.catalog import Catalog
from ingest.catalog.custody_records import About, Change, Move, RollNote
from ingest.catalog.records import Observer, Roll
from ingest.errors import Ambiguous, BadDestination, NotKnown, Unfinished, UsageError
from ingest.jobs.custody.moving import Held, Kind, Moved, folders_of, hold, obstacle
from ingest.jobs.custody.texts import a_date, one_line
from ingest.jobs.further.layouts import folder_of
from ingest.jobs.handed_out import Outdated, outdated
from ingest.jobs.known import drives_here
from ingest.names import shown
from ingest.settings import LAYOUT, Settings

__all__ = ["RollChange", "RollSet", "roll_named", "set_roll"]


@dataclass(frozen=True, slots=True)
class RollChange:
    """What is to be written down or corrected; None and False: nothing."""

    roll: str | None = None
    camera: str | None = None
    day: int | None = None
    production: str | None = None
    hold: str | None = None
    no_hold: bool = False
    viewed: str | None = None
    until: str | None = None
    """A date; empty: no date any more."""


@dataclass(frozen=True, slots=True)
class RollSet:
    roll: Roll
    before: Roll
    note: RollNote
    history: tuple[Change, ...]
    folders: tuple[Moved, ...]
    """What became of the roll's folders on the drives that hold it."""
    logged: bool
    """A slate log of the production is loaded: its rows may name the roll."""
    papers: tuple[Outdated, ...]
    """Proofs and reports that bear its names of before."""


def roll_named(catalog: Catalog, name: str) -> Roll:
    """The roll of this name, or PRODUCTION/ROLL. Raises NotKnown or Ambiguous."""
    found = catalog.rolls(name=name)
    if not found and "/" in name:
        production, _, roll = name.rpartition("/")
        found = catalog.rolls(production=production, name=roll)
    if len(found) > 1:
        which = ", ".join(shown(f"{roll.production}/{roll.name}") for roll in found)
        raise Ambiguous(f"Several rolls bear the name {shown(name)}: {which}.", do="name one")
    if not found:
        raise NotKnown(f"The catalog has no roll {shown(name)}.", do="ingest rolls shows them all")
    return found[0]


def set_roll(
    catalog: Catalog,
    name: str,
    wish: RollChange,
    observer: Observer,
    settings: Settings,
    new_run: Callable[[], str],
    *,
    take_over: bool = False,
) -> RollSet:
    """Write down and correct what is wished.

    A correction stands in the catalog at once; the folder is renamed on every drive that is here,
    under the roll's lock, and is owed on the others. Nothing is changed when an offload runs in
    one of them, or something else lies at the new place (BadDestination). Also raises NotKnown,
    Ambiguous and UsageError.
    """
    before = roll_named(catalog, name)
    if wish.hold is not None and wish.no_hold:
        raise UsageError("--hold and --no-hold can't both be meant.", do="give one of them")
    changes = _changes(wish)
    roll = _corrected(catalog, before, wish, settings)
    folders: tuple[Moved, ...] = ()
    if roll != before:
        folders = _correct(catalog, before, roll, observer, settings, new_run, take_over=take_over)
    for what, value in changes:
        catalog.note_change(observer, About.ROLL, str(roll.id), what, value)
    return RollSet(
        roll=roll,
        before=before,
        note=catalog.roll_notes([roll])[roll.id],
        history=catalog.changes(About.ROLL, str(roll.id)),
        folders=folders,
        logged=bool(catalog.slate(roll.production)),
        papers=outdated(catalog, [roll]) if roll != before else (),
    )


def _changes(wish: RollChange) -> list[tuple[str, dict[str, object]]]:
    changes: list[tuple[str, dict[str, object]]] = []
    if wish.hold is not None:
        changes.append(("hold", {"because": one_line(wish.hold, "The reason of a hold")}))
    if wish.no_hold:
        changes.append(("no hold", {}))
    if wish.viewed is not None:
        changes.append(("viewed", {"by": one_line(wish.viewed, "--viewed")}))
    if wish.until is not None:
        until = a_date(wish.until, "--until").isoformat() if wish.until else None
        changes.append(("until", {"until": until}))
    return changes


def _corrected(catalog: Catalog, roll: Roll, wish: RollChange, settings: Settings) -> Roll:
    if wish.production is not None:
        roll = replace(roll, production=one_line(wish.production, "A production's name"))
    if wish.roll is not None:
        roll = replace(roll, name=one_line(wish.roll, "A roll's name"))
    if wish.camera is not None:
        roll = replace(roll, camera=one_line(wish.camera, "A camera's letter"))
    if wish.day is not None:
        on = _date(catalog, roll, wish.day, settings)
        roll = replace(roll, day=wish.day, date=on.isoformat())
    return roll


def _date(catalog: Catalog, roll: Roll, day: int, settings: Settings) -> date:
    """The date of a shoot day: by ingest.toml, else by what is in already."""
    if day < 1:
        raise UsageError("A shoot day counts from 1.", do="--day 1")
    if day <= len(settings.days):
        return settings.days[day - 1]
    same = catalog.rolls(production=roll.production, day=day)
    if same:
        return date.fromisoformat(same[0].date)
    raise UsageError(
        f"Which date is shoot day {day} of {shown(roll.production)}? Nothing tells.",
        do="write the shoot days into ingest.toml: days = [...]",
    )


# The folders --------------------------------------------------------------------------------------


def _correct(
    catalog: Catalog,
    before: Roll,
    after: Roll,
    observer: Observer,
    settings: Settings,
    new_run: Callable[[], str],
    *,
    take_over: bool,
) -> tuple[Moved, ...]:
    heres = {here.drive.id: here for here in drives_here(catalog)}
    moves = _moves(catalog, before, after, (settings.layout, LAYOUT))
    told: list[Moved] = []
    with ExitStack() as stack:
        held: list[Held] = []
        wanted = []
        for move in moves:
            here = heres[move.drive_id]
            found = obstacle(here, move) if move.origin != move.wanted else None
            if found is not None and found.kind is Kind.TAKEN:
                raise BadDestination(
                    f"{shown(here.drive.name)}: {found.what}. Nothing was changed.", do=found.do
                )
            stays = found is not None and found.kind is Kind.LISTED
            wanted.append(replace(move, wanted=move.origin) if stays else move)
            if found is not None:
                away = found.kind is Kind.AWAY
                told.append(Moved(here.drive.name, move, found.what, found.do, away))
            if found is not None or move.origin == move.wanted:
                continue
            held.append(stack.enter_context(hold(here, move, new_run(), take_over=take_over)))
        catalog.correct_roll(before, after, wanted, observer)
        for one in held:
            try:
                one.rename()
            except Unfinished as error:
                told.append(Moved(one.here.drive.name, one.move, error.what, error.do))
                continue
            catalog.record_moved(one.move, observer)
            told.append(Moved(one.here.drive.name, one.move))
    return tuple(told)


def _moves(catalog: Catalog, before: Roll, after: Roll, layouts: Sequence[str]) -> tuple[Move, ...]:
    """What each folder of the roll is to be called. One whose place doesn't follow a layout
    keeps its name."""
    return tuple(
        Move(before.id, drive_id, origin, _renamed(named, before, after, layouts))
        for (drive_id, origin), named in folders_of(catalog, before).items()
    )


def _renamed(folder: str, before: Roll, after: Roll, layouts: Sequence[str]) -> str:
    """The folder with the roll's old place at its end replaced by the new one."""
    for layout in layouts:
        old, new = (
            folder_of(
                layout,
                production=roll.production,
                day=roll.day,
                date=date.fromisoformat(roll.date),
                roll=roll.name,
                camera=roll.camera,
                card=roll.card,
            )
            for roll in (before, after)
        )
        if folder == old or folder.endswith("/" + old):
            return folder[: len(folder) - len(old)] + new
    return folder
