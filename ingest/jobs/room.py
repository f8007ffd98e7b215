"""Will a card fit, and how many hours of shooting are left on each drive. Reads only."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

from ingest.assurance.data_rates import DataRate, hours_left
from ingest.card.inventory import card_inventory
from ingest.catalog.catalog import Catalog
from ingest.copying.plan import room_for
from ingest.drives import Volume, look_at
from ingest.errors import NotKnown, UsageError
from ingest.jobs.devices import clip_sizes, device_rates, picture_sizes
from ingest.jobs.known import drives_here
from ingest.names import shown
from ingest.settings import Settings

__all__ = ["CardRoom", "DriveRoom", "Room", "how_much_room"]


@dataclass(frozen=True, slots=True)
class CardRoom:
    root: str
    files: int
    bytes: int
    seem_known: int
    """Files whose name and size the catalog knows: perhaps in already, and counted all the same."""


@dataclass(frozen=True, slots=True)
class DriveRoom:
    name: str
    root: str
    free: int
    total: int
    needed: int
    """Bytes that the card takes there, whole blocks and lists counted; 0 without a card."""
    hours: tuple[tuple[str, Fraction], ...]
    """By device letter: hours of its footage that fit after the card."""

    @property
    def fits(self) -> bool:
        return self.needed <= self.free


@dataclass(frozen=True, slots=True)
class Room:
    card: CardRoom | None
    drives: tuple[DriveRoom, ...]
    rates: Mapping[str, DataRate | None]
    """By device letter; None: nothing is known of it."""
    stills: Mapping[str, int]
    """By the letter of each stills camera: bytes of a picture on average, companions counted; 0:
    not known."""

    @property
    def fits(self) -> bool:
        return all(drive.fits for drive in self.drives)


def how_much_room(
    catalog: Catalog,
    settings: Settings,
    *,
    card: str | None = None,
    to: Sequence[str] = (),
    production: str | None = None,
) -> Room:
    """What fits on the drives `to` (names or folders; else the known ones that are here).

    Raises BadCard, BadDestination, NotKnown, UsageError.
    """
    name = production or settings.production
    rolls = catalog.rolls(production=name) if name else catalog.rolls()
    clips = catalog.clips(rolls)
    sizes_of = clip_sizes(clips, catalog.files(rolls))
    rates = device_rates(clips, sizes_of, settings)
    needed, card_room = 0, None
    if card is not None:
        found = card_inventory(card)
        sizes = [file.size for file in found.files]
        known = catalog.files_like([(file.path, file.size) for file in found.files])
        needed = room_for(sizes)
        card_room = CardRoom(found.root, len(sizes), sum(sizes), len(known))
    drives = [_drive(name, volume, needed, rates) for name, volume in _drives(catalog, to)]
    if not drives:
        raise UsageError("No known drive is here.", do="name one with --to")
    return Room(card_room, tuple(drives), rates, picture_sizes(clips, sizes_of, settings))


def _drive(
    name: str, volume: Volume, needed: int, rates: Mapping[str, DataRate | None]
) -> DriveRoom:
    left = max(0, volume.free - needed)
    return DriveRoom(
        name=name,
        root=volume.root,
        free=volume.free,
        total=volume.total,
        needed=needed,
        hours=tuple(
            (letter, hours_left(left, rate)) for letter, rate in rates.items() if rate is not None
        ),
    )


def _drives(catalog: Catalog, to: Sequence[str]) -> list[tuple[str, Volume]]:
    here = {
        one.drive.name: one.volume
        for one in drives_here(catalog)
        if one.volume is not None and not one.doubt
    }
    if not to:
        return list(here.items())
    found = []
    for text in to:
        named = next((name for name in here if name.casefold() == text.casefold()), None)
        if named is not None:
            found.append((named, here[named]))
        elif os.path.isdir(text):
            found.append((os.path.basename(os.path.realpath(text)), look_at(text)))
        else:
            raise NotKnown(
                f"No drive {shown(text)} is here, and no folder of that name.",
                do=f"plug it in, or name one of {', '.join(map(shown, here)) or 'the folders'}",
            )
    return found
