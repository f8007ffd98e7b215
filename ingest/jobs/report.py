"""Gather the facts of an intake report, and write it in every form."""

from __future__ import annotations

import contextlib
import json
import os
import secrets
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from ingest import drives
from ingest.catalog.custody_records import DrivePlace, Standing
from ingest.errors import ExitCode, IngestError, NotKnown, UsageError
from ingest.jobs.custody.places import is_offsite, where_is
from ingest.jobs.footage import footage_of
from ingest.jobs.handed_out import PaperKind, note_handed_out
from ingest.jobs.owed import coverage_of
from ingest.jobs.papers import flush_folder, local_drives, not_written, paper_exit_code
from ingest.jobs.wrap import wrap_day
from ingest.names import shown
from ingest.report.document import facts_to_document
from ingest.report.facts import DayEnd, IntakeFacts, OpenLine
from ingest.report.gather import gather
from ingest.report.gather_drives import DrivesNow
from ingest.report.page import render
from ingest.report.pages import set_pages
from ingest.report.posters import choose
from ingest.report.sheets import clips_sheet, copies_sheet
from ingest.report.typesetting import CannotTypeset, Paper
from ingest.settings import Settings

if TYPE_CHECKING:
    from ingest.catalog.catalog import Catalog
    from ingest.catalog.records import DriveSeen, Observer, Roll

__all__ = ["NAMES", "PDF", "Report", "choose_rolls", "make_report", "write_report"]

PDF = "intake-report.pdf"
"""The one that needs the typesetter."""
NAMES = (
    "intake-report.html",
    PDF,
    "intake-report.csv",
    "intake-report-copies.csv",
    "intake-report.json",
)
"""The files of a report, in the folder that was named."""


@dataclass(frozen=True, slots=True)
class Report:
    facts: IntakeFacts
    written: tuple[str, ...]
    """Paths of the files written, in the order of `NAMES`."""
    not_set: CannotTypeset | None = None
    """Why there is no PDF among them."""

    @property
    def exit_code(self) -> ExitCode:
        return paper_exit_code(well=self.facts.well, not_set=self.not_set)


def make_report(
    catalog: Catalog,
    out: str,
    *,
    now: datetime,
    mounted: Mapping[str, DriveSeen],
    settings: Settings | None = None,
    paper: Paper = Paper.A4,
    production: str | None = None,
    day: int | None = None,
    roll: str | None = None,
    observer: Observer | None = None,
) -> Report:
    """Write the report of a production, or of one day or roll of it, into the folder `out`, and
    write down in the catalog that `observer` did, when one is given.

    An earlier report in the folder is replaced. Raises UsageError (NotKnown) when the production
    must be named, nothing is known under a name, or the folder can't be written; Unfinished when
    the disk is full.
    """
    if not out:
        raise UsageError("No folder named for the report.", do="ingest report --out FOLDER")
    rolls, scope = choose_rolls(catalog, production=production, day=day, roll=roll)
    settings = settings or Settings()
    footage = footage_of(catalog, rolls, settings)
    facts = gather(
        catalog,
        rolls,
        now=now,
        here=_drives_now(catalog, mounted, settings),
        scope=scope,
        wanted=settings.copies_wanted,
        owed=_owed(catalog, rolls, day, settings) if roll is None else {},
        display=settings.display,
        day_end=_day_end(catalog, rolls, day, settings, now) if roll is None else None,
        odd=footage.oddities,
        faults=footage.timecodes,
    )
    report = write_report(facts, out, paper=paper)
    if observer is not None:
        note_handed_out(catalog, observer, PaperKind.REPORT, out, rolls)
    return report


def _owed(
    catalog: Catalog, rolls: Sequence[Roll], day: int | None, settings: Settings
) -> Mapping[str, Sequence[str]]:
    """The planned shots that should have a good take by now, by scene."""
    told = coverage_of(catalog, rolls[0].production, days=settings.days, day=day)
    owed: defaultdict[str, list[str]] = defaultdict(list)
    for each in told.missing:
        owed[each.planned.scene].append(each.planned.shot or "the scene")
    return owed


def _day_end(
    catalog: Catalog, rolls: Sequence[Roll], day: int | None, settings: Settings, now: datetime
) -> DayEnd:
    """What is open of the day, or of the last one in the report."""
    day = max(roll.day for roll in rolls) if day is None else day
    try:
        told = wrap_day(catalog, settings, now, production=rolls[0].production, day=day).wrapped
    except UsageError as error:
        # A shot list that can't be read, say: the report is made, and says what it lacks.
        return DayEnd(day, unknown=" ".join(error.lines()))
    return DayEnd(
        told.day,
        open=tuple(
            OpenLine(one.kind.value, one.what, one.because, one.do, one.tonight)
            for one in told.open
        ),
        settled=tuple((one.what, said) for one, said in told.settled),
    )


def _drives_now(
    catalog: Catalog, mounted: Mapping[str, DriveSeen], settings: Settings
) -> DrivesNow:
    free = {}
    for marker, seen in mounted.items():
        # A drive that leaves while the report is made has no room to tell of.
        with contextlib.suppress(IngestError):
            free[marker] = drives.look_at(seen.root).free
    where = {
        place.drive.marker: _where(place, settings) for place in catalog.drive_places().values()
    }
    return DrivesNow(mounted, free, local_drives(mounted), where)


def _where(place: DrivePlace, settings: Settings) -> str:
    if place.standing is Standing.SENT:
        return f"in transit to {place.sent_to or '?'}, with {place.sent_by or '?'}"
    if place.gone:
        return str(place.standing)
    where = where_is(place, settings)
    if where is None:
        return ""
    return f"{where} (off-site)" if is_offsite(place, settings) else where


def choose_rolls(
    catalog: Catalog,
    *,
    production: str | None = None,
    day: int | None = None,
    roll: str | None = None,
    command: str = "report",
) -> tuple[Sequence[Roll], str]:
    """The rolls that were asked for, and the same in words. `command`: what a remedy names."""
    known = catalog.productions()
    if not known:
        raise NotKnown(
            "The catalog holds no production yet.",
            do="ingest offload CARD --to DRIVE --to DRIVE",
        )
    if production is None:
        if len(known) > 1:
            raise UsageError(
                f"The catalog holds {len(known)} productions: {', '.join(map(shown, known))}.",
                do=f"name one: ingest {command} --production NAME",
            )
        production = known[0]
    elif production not in known:
        alike = [name for name in known if name.casefold() == production.casefold()]
        if len(alike) != 1:
            raise NotKnown(
                f"No production {shown(production)} in the catalog.",
                do=f"name one of: {', '.join(map(shown, known))}",
            )
        production = alike[0]
    rolls = catalog.rolls(production=production, day=day, name=roll)
    if not rolls:
        held = catalog.rolls(production=production)
        asked = " of ".join(
            part
            for part in (roll and f"roll {shown(roll)}", day is not None and f"day {day}")
            if part
        )
        raise NotKnown(
            f"{shown(production)} has no {asked or 'roll'} in the catalog.",
            do="name one that it has: "
            + ", ".join(f"{shown(each.name)} (day {each.day})" for each in held)
            if held
            else "ingest offload CARD --to DRIVE --to DRIVE",
        )
    words = [f"roll {rolls[0].name}" if roll else "", f"day {day}" if day is not None else ""]
    return rolls, ", ".join([production, *filter(None, words)])


def write_report(facts: IntakeFacts, out: str, *, paper: Paper = Paper.A4) -> Report:
    """Write every form into the folder `out`, made when absent.

    All of it is written under unfinished names and flushed first, then renamed, so that a report
    is never half there. Where the PDF can't be set the others are written all the same, and an
    earlier PDF, which would tell of another day, is removed. Raises UsageError or Unfinished;
    what was unfinished is removed again.
    """
    forms = {
        "intake-report.html": render(facts, choose(facts.clips)).encode("utf-8"),
        "intake-report.csv": b"\xef\xbb\xbf" + clips_sheet(facts).encode("utf-8"),
        "intake-report-copies.csv": b"\xef\xbb\xbf" + copies_sheet(facts).encode("utf-8"),
        "intake-report.json": json.dumps(facts_to_document(facts), indent=2).encode("ascii")
        + b"\n",
    }
    not_set = None
    try:
        forms[PDF] = set_pages(facts, paper=paper)
    except CannotTypeset as error:
        not_set = error
    names = [name for name in NAMES if name in forms]
    mark = secrets.token_hex(6)
    unfinished = [os.path.join(out, f".{name}.{mark}.unfinished") for name in names]
    finished = tuple(os.path.join(out, name) for name in names)
    try:
        os.makedirs(out, exist_ok=True)
        try:
            for path, name in zip(unfinished, names, strict=True):
                _write(path, forms[name])
            for path, place in zip(unfinished, finished, strict=True):
                os.replace(path, place)
            if not_set is not None:
                with contextlib.suppress(FileNotFoundError):
                    os.unlink(os.path.join(out, PDF))
        finally:
            for path in unfinished:
                with contextlib.suppress(FileNotFoundError):
                    os.unlink(path)
        flush_folder(out)
    except OSError as error:
        raise not_written("The report", out, error) from error
    return Report(facts=facts, written=finished, not_set=not_set)


def _write(path: str, data: bytes) -> None:
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666)
    with open(descriptor, "wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
