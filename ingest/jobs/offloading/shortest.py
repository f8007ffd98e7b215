"""What `ingest offload` means when nothing more is said: which cards, drives and production.

Found from what is plugged in and what is known; the production never from a card. Deciding is
pure; what must not be guessed is told, so that a person is asked or an option named.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from ingest.catalog.custody_records import DrivePlace
from ingest.errors import UsageError
from ingest.jobs.around import Around
from ingest.jobs.offloading.values import Plan
from ingest.names import shown
from ingest.settings import Settings, shoot_date

__all__ = [
    "Doubt",
    "LastUse",
    "Production",
    "proposed_cards",
    "proposed_drives",
    "proposed_production",
    "what_is_uncertain",
]

_FRESH = timedelta(days=3)
"""A production that was used this lately is taken for today's."""


@dataclass(frozen=True, slots=True)
class LastUse:
    """When each production last came in, and on which drives it lies."""

    at: Mapping[str, datetime]
    on: Mapping[str, Collection[int]]
    """Ids of the drives with copies of its rolls."""


@dataclass(frozen=True, slots=True)
class Production:
    name: str
    because: str
    ask: str = ""
    """Why a person must say that it is this one, or empty."""


@dataclass(frozen=True, slots=True)
class Doubt:
    """Something that would be a guess, and the option that settles it."""

    what: str
    option: str


def proposed_cards(around: Around, to: Collection[int]) -> tuple[str, ...]:
    """The mounted volumes that hold footage and are no drive; `to`: device numbers of the
    destinations, which are none either. Raises UsageError when there is none."""
    found = tuple(card.root for card in around.cards if card.st_dev not in to)
    if not found:
        raise UsageError(
            "No card is here: no mounted volume but the drives holds footage.",
            do="plug the card in, or name its folder: ingest offload CARD",
        )
    return found


def proposed_production(
    settings: Settings, from_drive: bool, last: LastUse, here: Collection[int], now: datetime
) -> Production | None:
    """The production of ingest.toml, else the one used last of those on the drives that are here
    (`here`: their ids). None when nothing tells. `from_drive`: ingest.toml was found there."""
    name, because = settings.production, "from ingest.toml"
    if name is None:
        used = [one for one, drives in last.on.items() if set(drives) & set(here)]
        if not used:
            return None
        name = max(used, key=lambda one: (last.at[one], one))
        because = "the last one on these drives"
        if len(used) > 1:
            return Production(name, because, f"{len(used)} productions are on these drives")
    at = last.at.get(name)
    if at is None:
        ask = "nothing of it is in yet" if from_drive else ""
    elif now - at > _FRESH:
        ask = f"it was last used {(now - at).days} days ago"
    else:
        ask = "the clock is behind its last use" if at > now else ""
    return Production(name, because, ask)


def proposed_drives(
    around: Around,
    settings: Settings,
    production: str,
    last: LastUse,
    places: Mapping[int, DrivePlace],
    bearing: Collection[int] = (),
) -> tuple[str, ...]:
    """Roots of the production's drives that are here: those that ingest.toml names, else
    those that hold rolls of it or bear its ingest.toml (`bearing`: their ids). Drives that
    are lost or dead by what was written down, read-only, or not surely the one they say, are
    left out. Raises UsageError when none is left."""
    named = {name.casefold() for name in settings.drives}
    of_production = {*last.on.get(production, ()), *bearing}
    roots = []
    for here in around.drives:
        if here.volume is None or here.doubt or here.volume.read_only:
            continue
        place = places.get(here.drive.id)
        if place is not None and place.gone:
            continue
        if here.drive.name.casefold() in named if named else here.drive.id in of_production:
            roots.append(here.volume.root)
    roots += [one.root for one in around.strangers if one.name.casefold() in named]
    if not roots:
        told = ", ".join(shown(name) for name in settings.drives)
        raise UsageError(
            f"No drive of {shown(production)} is here{f' ({told})' if told else ''}.",
            do="plug its drives in, or name each with --to",
        )
    return tuple(roots)


def what_is_uncertain(plans: Sequence[Plan]) -> Iterator[Doubt]:
    """What in these plans would be a guess."""
    request = plans[0].request
    today = shoot_date(request.now, request.settings.day_ends)
    days = request.settings.days
    if request.day is None and days and today not in days:
        yield Doubt(f"{today} is not among the shoot days", "--day N")
    letters = request.settings.devices
    for plan in plans:
        name, asked = shown(plan.roll), plan.request.camera or plan.request.roll
        if asked or plan.joins is not None:
            continue
        if plan.camera is None and plan.roll.startswith("X"):
            yield Doubt(f"nothing tells which camera {name} is from", "--camera LETTER")
        letter = plan.camera or plan.roll[:1]
        if letters and letter not in letters and not plan.roll.startswith("X"):
            yield Doubt(f"{shown(letter)} ({name}) is not in ingest.toml", "--camera LETTER")
