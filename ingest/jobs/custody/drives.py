"""A drive's name and place, sent, received, dead or lost; and which rolls that leaves with too few
copies."""

from __future__ import annotations

import os
from dataclasses import dataclass
from datetime import datetime

from ingest import drives as drive_finding
from ingest.catalog.catalog import Catalog
from ingest.catalog.custody_records import About, Change, DrivePlace, Standing
from ingest.catalog.records import Drive, Observer
from ingest.errors import NotKnown, UsageError
from ingest.jobs.custody.texts import one_line
from ingest.jobs.known import roll_overviews
from ingest.names import shown

__all__ = ["DriveChange", "DriveSet", "RollShort", "drive_named", "set_drive"]


@dataclass(frozen=True, slots=True)
class DriveChange:
    """What is to be written down; None and False: nothing."""

    name: str | None = None
    where: str | None = None
    """Empty: it has no place any more."""
    offsite: bool | None = None
    sent: str | None = None
    by: str | None = None
    received: bool = False
    dead: bool = False
    lost: bool = False


@dataclass(frozen=True, slots=True)
class RollShort:
    """A roll that has fewer copies than wanted, by what counts now."""

    production: str
    roll: str
    day: int
    before: int
    """Proven copies on devices shown to be separate that counted before the change."""
    copies: int
    wanted: int


@dataclass(frozen=True, slots=True)
class DriveSet:
    before: str
    """What the drive was called."""
    place: DrivePlace
    history: tuple[Change, ...]
    fell: tuple[RollShort, ...]
    """Rolls that lost a counting copy by this change and have fewer than wanted now."""


def drive_named(catalog: Catalog, name: str) -> Drive:
    """The drive of this name, or the one that is mounted at this folder. Raises NotKnown."""
    drive = catalog.drive(name=name)
    if drive is None and os.path.isdir(name):
        seen = drive_finding.recognise(name)
        drive = catalog.drive(marker=seen.marker) if seen is not None else None
    if drive is None:
        known = ", ".join(shown(each.name) for each in catalog.drives())
        raise NotKnown(
            f"The catalog knows no drive {shown(name)}.",
            do=f"name one of {known}" if known else "offload to it first (ingest offload)",
        )
    return drive


def set_drive(
    catalog: Catalog,
    name: str,
    wish: DriveChange,
    observer: Observer,
    *,
    wanted: int,
    now: datetime,
) -> DriveSet:
    """Write down what is wished. `wanted`: copies asked for of each roll.

    Raises NotKnown, Ambiguous, UsageError, or BadDestination for a name that is taken.
    """
    _check(wish)
    drive = drive_named(catalog, name)
    called, place = drive.name, catalog.drive_places()[drive.id]
    if wish.received and place.standing is Standing.KEPT:
        raise UsageError(
            f"{shown(drive.name)} was not sent, so it can't be received.",
            do="say where it is with --where",
        )
    before = _copies(catalog, now)
    if wish.name is not None:
        drive = catalog.rename_drive(drive, one_line(wish.name, "A drive's name"), observer)
    for what, value in _changes(wish, place):
        catalog.note_change(observer, About.DRIVE, drive.marker, what, value)
    after = _copies(catalog, now)
    fell = [
        RollShort(*key, before=before.get(key, 0), copies=count, wanted=wanted)
        for key, count in after.items()
        if count < wanted and count < before.get(key, 0)
    ]
    return DriveSet(
        before=called,
        place=catalog.drive_places()[drive.id],
        history=catalog.changes(About.DRIVE, drive.marker),
        fell=tuple(fell),
    )


def _check(wish: DriveChange) -> None:
    ways = [bool(wish.sent is not None), wish.received, wish.dead, wish.lost]
    if sum(ways) > 1:
        raise UsageError(
            "A drive is sent, received, dead or lost: one of them at a time.",
            do="give one of --sent, --received, --dead, --lost",
        )
    if (wish.sent is None) != (wish.by is None):
        raise UsageError(
            "--sent TO and --by WHO go together: to whom, and who takes it.",
            do='--sent "the vault" --by "Rui"',
        )
    if wish.sent is not None and wish.where is not None:
        raise UsageError(
            "A drive in transit is at no place.", do="leave out --where until it is --received"
        )


def _changes(wish: DriveChange, place: DrivePlace) -> list[tuple[str, dict[str, object]]]:
    changes: list[tuple[str, dict[str, object]]] = []
    if wish.sent is not None:
        sent = {"to": one_line(wish.sent, "--sent"), "by": one_line(wish.by or "", "--by")}
        changes.append(("sent", dict(sent)))
    for what, given in (("received", wish.received), ("dead", wish.dead), ("lost", wish.lost)):
        if given:
            changes.append((what, {}))
    if wish.where is not None or wish.offsite is not None:
        came_to = place.sent_to if place.standing is Standing.SENT else place.where
        where = came_to or ""
        if wish.where is not None:
            where = one_line(wish.where, "A place") if wish.where else ""
        if not where and wish.offsite:
            raise UsageError("Off-site where? The drive has no place.", do="give --where as well")
        changes.append(("where", {"where": where, "offsite": wish.offsite}))
    return changes


def _copies(catalog: Catalog, now: datetime) -> dict[tuple[str, str, int], int]:
    return {
        (one.roll.production, one.roll.name, one.roll.day): one.copies
        for one in roll_overviews(catalog, catalog.rolls(), now)
        if one.files
    }
