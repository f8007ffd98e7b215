"""Where drives, cards and rolls are and what people decided about them: what was written down, and
what follows from it. Pure; the reading and writing is in `custody`.

Every change is dated and says who made it on which machine. None is ever altered: what counts is
worked out from all of them, in the catalog's own order.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from enum import StrEnum

from ingest.catalog.records import Drive, Observer, Offload, Roll

__all__ = [
    "About",
    "CardKnown",
    "Change",
    "DrivePlace",
    "Move",
    "RollNote",
    "Standing",
    "card_known",
    "drive_place",
    "roll_note",
]


class About(StrEnum):
    """What a change is about, and what its `subject` names."""

    DRIVE = "drive"
    """By its marker."""
    CARD = "card"
    """By the label that it was first known by, case folded."""
    ROLL = "roll"
    """By its id."""
    DAY = "day"
    """A shoot day of a production, as `PRODUCTION/N`."""
    PAPER = "paper"
    """A proof or report that was handed out, by the folder that it was written to."""


@dataclass(frozen=True, slots=True)
class Change:
    """One thing that a person wrote down."""

    id: int
    about: About
    subject: str
    what: str
    value: Mapping[str, object]
    observer: Observer
    at: datetime
    looks: int
    """Id of the last piece of evidence there was: what has a higher one came after."""


class Standing(StrEnum):
    """How a drive stands with the production."""

    KEPT = "kept"
    """With us, at the place that was said, if one was."""
    SENT = "in transit"
    DEAD = "dead"
    LOST = "lost"


@dataclass(frozen=True, slots=True)
class DrivePlace:
    """Where a drive is, by what was written down."""

    drive: Drive
    standing: Standing = Standing.KEPT
    where: str | None = None
    """The place or bag; None: not said; empty: said to have none. In transit, the place it left."""
    offsite: bool | None = None
    """Whether that place is off-site, as said by hand; None: ingest.toml may say it."""
    sent_to: str | None = None
    sent_by: str | None = None
    since: datetime | None = None
    """When any of this was last changed."""
    arrived: int | None = None
    """Evidence with a higher id was gathered since the drive came to its place; None: when it
    came was never written down."""
    counts_after: int = 0
    """Evidence up to this id counts for nothing: the drive was dead or lost since."""

    @property
    def gone(self) -> bool:
        """Dead or lost: it counts for no copy."""
        return self.standing in (Standing.DEAD, Standing.LOST)

    def counts(self, look_id: int | None) -> bool:
        """Whether the evidence of this id, on this drive, may count for a copy."""
        return not self.gone and look_id is not None and look_id > self.counts_after

    def seen_there(self, look_id: int | None) -> bool:
        """Whether the evidence of this id was gathered at the place the drive is at now."""
        return (
            self.standing is Standing.KEPT
            and bool(self.where)
            and self.arrived is not None
            and look_id is not None
            and look_id > self.arrived
        )


def drive_place(drive: Drive, changes: Iterable[Change]) -> DrivePlace:
    """What the changes of one drive, oldest first, come to."""
    place = DrivePlace(drive)
    for change in changes:
        value = change.value
        if change.what == "where":
            where = _text(value.get("where")) or ""
            same = where == place.where and place.arrived is not None
            place = replace(
                place,
                where=where,
                offsite=_flag(value.get("offsite")),
                arrived=place.arrived if same else change.looks,
            )
        elif change.what == "sent":
            place = replace(
                place,
                standing=Standing.SENT,
                sent_to=_text(value.get("to")),
                sent_by=_text(value.get("by")),
                counts_after=change.looks if place.gone else place.counts_after,
            )
        elif change.what == "received":
            came_to = place.sent_to if place.standing is Standing.SENT else place.where
            place = replace(
                place,
                standing=Standing.KEPT,
                where=came_to,
                offsite=None if came_to != place.where else place.offsite,
                sent_to=None,
                sent_by=None,
                arrived=change.looks,
                counts_after=change.looks if place.gone else place.counts_after,
            )
        elif change.what in ("dead", "lost"):
            place = replace(place, standing=Standing(change.what), counts_after=change.looks)
        else:
            continue
        place = replace(place, since=change.at)
    return place


@dataclass(frozen=True, slots=True)
class CardKnown:
    """A card by its sticker, and what was written down about it."""

    label: str
    subject: str
    """The label it was first known by, case folded."""
    offloads: tuple[Offload, ...] = ()
    """Oldest first; empty: it never came in."""
    due: date | None = None
    """When it must be back at the rental house."""
    returned: datetime | None = None
    """When it went back, unless it came in again since."""
    built_in: bool = False
    """Memory built into a device: it can't be taken out, returned or lost by itself."""

    @property
    def rolls(self) -> tuple[Roll, ...]:
        """What it gave, the latest last."""
        return tuple({offload.roll.id: offload.roll for offload in self.offloads}.values())

    @property
    def camera(self) -> str | None:
        """The camera it came from last, where that is known."""
        letters = [offload.roll.camera for offload in self.offloads if offload.roll.camera]
        return letters[-1] if letters else None

    @property
    def last_in(self) -> datetime | None:
        """When it was last offloaded."""
        return self.offloads[-1].started if self.offloads else None


def card_known(
    subject: str, label: str, offloads: Sequence[Offload], changes: Iterable[Change]
) -> CardKnown:
    """What the offloads and changes of one card, oldest first, come to."""
    card = CardKnown(label, subject, tuple(offloads))
    last = offloads[-1].id if offloads else 0
    for change in changes:
        value = change.value
        if change.what == "label":
            card = replace(card, label=_text(value.get("label")) or card.label)
        elif change.what == "due":
            due = _text(value.get("due"))
            card = replace(card, due=date.fromisoformat(due) if due else None)
        elif change.what == "returned":
            came_again = value.get("offload") != last
            card = replace(card, returned=None if came_again else change.at)
        elif change.what == "built in":
            card = replace(card, built_in=_flag(value.get("built_in")) is True)
    return card


@dataclass(frozen=True, slots=True)
class RollNote:
    """What people decided about a roll."""

    hold: str | None = None
    """Why a person holds its card, or None."""
    hold_by: str | None = None
    held_at: datetime | None = None
    viewed_by: str | None = None
    """Who has viewed its clips that no program could decode."""
    viewed_looks: int = 0
    """Evidence with a higher id is of files that came in after the viewing."""
    until: date | None = None
    """Its card is kept until this day."""


def roll_note(changes: Iterable[Change]) -> RollNote:
    """What the changes of one roll, oldest first, come to."""
    note = RollNote()
    for change in changes:
        value = change.value
        if change.what == "hold":
            note = replace(
                note,
                hold=_text(value.get("because")),
                hold_by=change.observer.who,
                held_at=change.at,
            )
        elif change.what == "no hold":
            note = replace(note, hold=None, hold_by=None, held_at=None)
        elif change.what == "viewed":
            note = replace(note, viewed_by=_text(value.get("by")), viewed_looks=change.looks)
        elif change.what == "until":
            until = _text(value.get("until"))
            note = replace(note, until=date.fromisoformat(until) if until else None)
    return note


@dataclass(frozen=True, slots=True)
class Move:
    """A roll's folder on one drive that bears the name of before a correction."""

    roll_id: int
    drive_id: int
    origin: str
    """The folder as it is, POSIX, relative to the drive's root."""
    wanted: str


def _text(value: object) -> str | None:
    return value if isinstance(value, str) and value else None


def _flag(value: object) -> bool | None:
    return value if isinstance(value, bool) else None
