"""Which drives and cards hold good copies of what: gathered for packing, for the end of the day
and for what would be left if something were lost."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

from ingest.assurance.devices import separate_devices
from ingest.assurance.state import copy_state
from ingest.assurance.whatif import NOWHERE, Holder, Holding
from ingest.catalog.catalog import Catalog
from ingest.catalog.custody_records import CardKnown, DrivePlace, Standing
from ingest.catalog.records import Copy, FileRecord, Offload, Roll
from ingest.evidence import State
from ingest.jobs.custody.places import where_is
from ingest.jobs.known import DriveHere, drives_here
from ingest.settings import Settings

__all__ = ["Holdings", "card_offloads", "gather_holdings"]


@dataclass(frozen=True, slots=True)
class Holdings:
    """Files of some rolls, and who holds a good copy of each."""

    holders: tuple[Holder, ...]
    """Drives that count and hold something of these rolls, then cards."""
    held: tuple[Holding, ...]
    files: tuple[tuple[FileRecord, tuple[tuple[Copy, State], ...]], ...]
    """Every file with the state of each of its copies on drives."""
    good: Mapping[int, frozenset[str]]
    """File id to the names of the drives with a good copy of it."""
    rolls: Mapping[int, Roll]
    drives: Mapping[int, str]
    """Drive id to the name it goes by here."""


def gather_holdings(catalog: Catalog, settings: Settings, rolls: Sequence[Roll]) -> Holdings:
    """Who holds good copies of these rolls. A drive that is dead, lost or in doubt holds none; a
    card holds what was offloaded from it since it was last empty, unless it went back."""
    heres = drives_here(catalog)
    places = catalog.drive_places()
    names = _names(heres)
    counts = {one.drive.id for one in heres if not places[one.drive.id].gone and not one.now.doubt}
    files = catalog.files(rolls)
    copies: defaultdict[int, list[Copy]] = defaultdict(list)
    every = catalog.copies(rolls=rolls)
    looks = catalog.looks([copy.id for copy in every])
    states = {copy.id: copy_state(looks[copy.id]) for copy in every}
    good: defaultdict[int, set[str]] = defaultdict(set)
    for copy in every:
        copies[copy.file_id].append(copy)
        state = states[copy.id]
        look_id = state.look.id if state.look is not None else None
        matched = state.state is State.MATCHED and copy.drive_id in counts
        if matched and places[copy.drive_id].counts(look_id):
            good[copy.file_id].add(names[copy.drive_id])
    on_cards, cards = _cards(catalog.cards_known(), files)
    groups: defaultdict[tuple[int, frozenset[str]], list[int]] = defaultdict(list)
    for file in files:
        holders = frozenset(good[file.id] | on_cards.get(file.id, set()))
        groups[file.roll_id, holders].append(file.size)
    by_id = {roll.id: roll for roll in rolls}
    used = {name for _, holders in groups for name in holders}
    drives = _drive_holders([h for h in heres if h.drive.id in counts], names, places, settings)
    return Holdings(
        holders=tuple(one for one in (*drives, *cards) if one.name in used),
        held=tuple(
            Holding(by_id[roll_id].name, len(sizes), sum(sizes), holders)
            for (roll_id, holders), sizes in groups.items()
        ),
        files=tuple(
            (file, tuple((copy, states[copy.id].state) for copy in copies[file.id]))
            for file in files
        ),
        good={file_id: frozenset(some) for file_id, some in good.items()},
        rolls=by_id,
        drives=names,
    )


def card_offloads(card: CardKnown) -> tuple[Offload, ...]:
    """The offloads whose files a card still holds, as far as is known: those since it last came
    in with nothing on it that was known. None of a card that went back."""
    if card.returned is not None:
        return ()
    kept: list[Offload] = []
    for offload in reversed(card.offloads):
        kept.append(offload)
        if offload.end is not None and not offload.end.known:
            break
    return tuple(kept)


def _names(heres: Iterable[DriveHere]) -> dict[int, str]:
    heres = list(heres)
    bearers: defaultdict[str, set[str]] = defaultdict(set)
    for one in heres:
        bearers[one.drive.name].add(one.drive.marker)
    return {
        one.drive.id: one.drive.name
        if len(bearers[one.drive.name]) == 1
        else f"{one.drive.name} ({one.drive.marker[:8]})"
        for one in heres
    }


def _drive_holders(
    heres: Sequence[DriveHere],
    names: Mapping[int, str],
    places: Mapping[int, DrivePlace],
    settings: Settings,
) -> Iterator[Holder]:
    device = {here.drive.id: names[here.drive.id] for here in heres}
    for one, other in combinations(heres, 2):
        if separate_devices(frozenset({one.now, other.now})) < 2:
            old, new = device[other.drive.id], device[one.drive.id]
            device = {key: new if value == old else value for key, value in device.items()}
    for here in sorted(heres, key=lambda here: here.drive.name):
        yield Holder(
            name=names[here.drive.id],
            device=device[here.drive.id],
            place=_place(places[here.drive.id], settings),
            laptop=here.volume is not None and here.volume.system,
        )


def _place(place: DrivePlace, settings: Settings) -> str:
    if place.standing is Standing.SENT:
        return f"on its way to {place.sent_to}" if place.sent_to else "on its way"
    return where_is(place, settings) or NOWHERE


def _cards(
    cards: Iterable[CardKnown], files: Sequence[FileRecord]
) -> tuple[Mapping[int, set[str]], list[Holder]]:
    """File id to the cards that still hold it, and those cards."""
    holders = []
    holding: defaultdict[int, set[str]] = defaultdict(set)
    by_offload: defaultdict[int, list[int]] = defaultdict(list)
    for file in files:
        by_offload[file.offload_id].append(file.id)
    for card in cards:
        name = f"card {card.label}"
        ids = [number for one in card_offloads(card) for number in by_offload[one.id]]
        for number in ids:
            holding[number].add(name)
        if ids:
            holders.append(Holder(name, device=name, card=True))
    return holding, holders
