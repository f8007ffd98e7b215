"""What would be left if one thing went wrong, and how to pack so that nothing is lost. Pure.

A *holder* is whatever holds good copies: a drive, or a card that nobody has formatted. Holders on
one physical device die together; what isn't known to be another device counts as the same one.
Holders in one place are lost together, and so are those of which nobody said where they are.

A *split* puts the holders into bags so that no single bag holds every copy of any file. It is
searched exactly; where there is none, the copies that would make one are named.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from ingest.wording import counted, listed, natural

__all__ = [
    "NOWHERE",
    "Event",
    "EventKind",
    "Holder",
    "Holding",
    "Loss",
    "Missing",
    "Split",
    "single_events",
    "split_over_bags",
]

NOWHERE = ""
"""The place of what nobody said the place of."""


@dataclass(frozen=True, slots=True)
class Holder:
    """A drive, or a card that still holds what was offloaded from it."""

    name: str
    """Unique among all holders."""
    device: str = ""
    """Equal for holders on one physical device; empty where it isn't known."""
    place: str = NOWHERE
    """The place or bag it is kept in, as recorded."""
    card: bool = False
    laptop: bool = False
    """It lies on the computer's own disk."""


@dataclass(frozen=True, slots=True)
class Holding:
    """Files of one roll that lie on the same holders."""

    roll: str
    files: int
    bytes: int
    holders: frozenset[str]
    """Names of the holders that have a good copy of each of them."""


class EventKind(StrEnum):
    DRIVE = "drive"
    """A device dies, with all that is on it."""
    PLACE = "place"
    """A place burns or a bag is stolen, with all that is in it."""
    LAPTOP = "laptop"
    CARD = "card"
    """A card is formatted now."""


@dataclass(frozen=True, slots=True)
class Loss:
    roll: str
    files: int
    bytes: int


@dataclass(frozen=True, slots=True)
class Event:
    """One thing that goes wrong, and what would be left."""

    kind: EventKind
    gone: tuple[str, ...]
    """Names of the holders that are gone."""
    place: str
    """Of a place: its name, `NOWHERE` for all that have none on record. Else empty."""
    lost: tuple[Loss, ...]
    """By roll: files that would have no good copy left."""
    only_on_cards: tuple[Loss, ...]
    """By roll: files that would be left on cards alone, one formatting from being lost."""

    @property
    def files(self) -> int:
        return sum(loss.files for loss in self.lost)

    @property
    def bytes(self) -> int:
        return sum(loss.bytes for loss in self.lost)


@dataclass(frozen=True, slots=True)
class Missing:
    """A copy that would have to be made for a split to exist."""

    roll: str
    files: int
    on: tuple[str, ...]
    """Where the files are now."""
    to: str
    """A drive known that would do, or empty: one more drive is needed."""
    from_card: bool = False
    """No drive has a good copy: it must come from the card."""


@dataclass(frozen=True, slots=True)
class Split:
    """How to pack. `bags` is empty when no split saves everything."""

    bags: tuple[tuple[str, ...], ...]
    needs_cards: bool = False
    """It holds only as long as no card is formatted."""
    why: str = ""
    """Why there is none."""
    missing: tuple[Missing, ...] = ()
    """Copies that would make one, of which a larger number of bags may need fewer."""
    enough: int = 0
    """With so many bags there is a split as things are; 0: with no number of bags."""

    @property
    def found(self) -> bool:
        return bool(self.bags)


# Events -------------------------------------------------------------------------------------------


def single_events(holders: Sequence[Holder], held: Sequence[Holding]) -> tuple[Event, ...]:
    """Every single thing that can go wrong, with the files that it would leave without a copy.

    Files that have no good copy even now are no part of it. The worst comes first.
    """
    events = [_event(kind, place, gone, holders, held) for kind, place, gone in _gone(holders)]
    return tuple(
        sorted(
            events,
            key=lambda event: (
                -event.files,
                -event.bytes,
                list(EventKind).index(event.kind),
                [natural(name) for name in event.gone],
            ),
        )
    )


def _gone(holders: Sequence[Holder]) -> Iterator[tuple[EventKind, str, tuple[str, ...]]]:
    """What each event takes away: its kind, its place, the holders."""
    for group in _devices(one for one in holders if not one.card):
        yield EventKind.DRIVE, "", group
    places: defaultdict[str, list[str]] = defaultdict(list)
    for one in holders:
        # A card of which nobody said where it is may be anywhere: it isn't counted as saved, nor
        # taken to lie beside the drives; drives without a place are taken to lie together.
        if one.place or not one.card:
            places[one.place].append(one.name)
    for place, names in sorted(places.items()):
        yield EventKind.PLACE, place, _sorted(names)
    if laptop := [one.name for one in holders if one.laptop]:
        yield EventKind.LAPTOP, "", _sorted(laptop)
    for one in holders:
        if one.card:
            yield EventKind.CARD, "", (one.name,)


def _event(
    kind: EventKind,
    place: str,
    gone: tuple[str, ...],
    holders: Sequence[Holder],
    held: Sequence[Holding],
) -> Event:
    cards = {one.name for one in holders if one.card}
    away = set(gone)
    lost: list[Loss] = []
    on_cards: list[Loss] = []
    for one in held:
        if not one.holders or not one.holders & away:
            continue
        left = one.holders - away
        loss = Loss(one.roll, one.files, one.bytes)
        if not left:
            lost.append(loss)
        elif left <= cards:
            on_cards.append(loss)
    return Event(kind, gone, place, _by_roll(lost), _by_roll(on_cards))


def _by_roll(losses: Iterable[Loss]) -> tuple[Loss, ...]:
    sums: defaultdict[str, list[int]] = defaultdict(lambda: [0, 0])
    for loss in losses:
        sums[loss.roll][0] += loss.files
        sums[loss.roll][1] += loss.bytes
    return tuple(Loss(roll, *sums[roll]) for roll in sorted(sums, key=natural))


def _devices(holders: Iterable[Holder]) -> tuple[tuple[str, ...], ...]:
    """Names of the holders on each device; those of unknown devices are one group."""
    groups: defaultdict[str, list[str]] = defaultdict(list)
    for one in holders:
        groups[one.device].append(one.name)
    return tuple(sorted(map(_sorted, groups.values()), key=lambda names: natural(names[0])))


def _sorted(names: Iterable[str]) -> tuple[str, ...]:
    return tuple(sorted(names, key=natural))


# Bags ---------------------------------------------------------------------------------------------

_Group = tuple[str, ...]


def split_over_bags(holders: Sequence[Holder], held: Sequence[Holding], bags: int = 2) -> Split:
    """Put every holder into one of `bags` bags so that no bag holds all copies of any file.

    Drives alone are tried first: cards are formatted some day. Holders of one device stay
    together; those that share a place now do where they can. Files with no good copy at all are
    left out: no packing saves them. Raises ValueError for fewer than one bag.
    """
    if bags < 1:
        raise ValueError("at least one bag")
    held = [one for one in held if one.holders]
    drives = {one.name for one in holders if not one.card}
    groups = _Groups(holders)
    for needs_cards in (False, True):
        sets = [one.holders if needs_cards else one.holders & drives for one in held]
        edges = groups.edges(sets)
        packed = groups.packed(edges, bags) if all(sets) else None
        if packed is not None:
            return Split(groups.filled(packed, bags), needs_cards)
    edges = groups.edges([one.holders for one in held])
    alone = [one for one in held if len(groups.of(one.holders)) == 1]
    if alone:
        rolls = _sorted({one.roll for one in alone})
        files = sum(one.files for one in alone)
        places = listed(_sorted({name for one in alone for name in one.holders}))
        lie = "lies" if files == 1 else "lie"
        why = f"{counted(files, 'file')} of {listed(rolls)} {lie} on one device alone ({places})"
        enough = 0
    else:
        why = f"the copies lie so that no {bags} bags hold them apart"
        enough = next(
            n for n in range(bags + 1, len(groups.all) + 1) if groups.packed(edges, n) is not None
        )
    return Split((), why=why, missing=groups.missing(held, drives, bags), enough=enough)


class _Groups:
    """The holders, as groups that can't be parted: those on one device."""

    def __init__(self, holders: Sequence[Holder]) -> None:
        cards = [one for one in holders if one.card]
        drives = [one for one in holders if not one.card]
        # A card is a device of its own, whatever reader it was last seen in.
        self.all: tuple[_Group, ...] = (*_devices(drives), *((one.name,) for one in cards))
        self._group = {name: group for group in self.all for name in group}
        place = {one.name: one.place for one in holders}
        self._place = {group: place[group[0]] for group in self.all}

    def of(self, names: Iterable[str]) -> frozenset[_Group]:
        return frozenset(self._group[name] for name in names)

    def edges(self, sets: Iterable[frozenset[str]]) -> tuple[frozenset[_Group], ...]:
        """The sets of groups that must not end in one bag; what follows from a smaller set is
        left out."""
        every = sorted({self.of(names) for names in sets if names}, key=len)
        kept: list[frozenset[_Group]] = []
        for edge in every:
            if not any(smaller <= edge for smaller in kept):
                kept.append(edge)
        return tuple(kept)

    def packed(self, edges: Sequence[frozenset[_Group]], bags: int) -> dict[_Group, int] | None:
        """A bag for each group of the edges, or None: searched to the end."""
        if any(len(edge) < 2 for edge in edges) or (edges and bags < 2):
            return None
        order = _connected(edges)
        of_group: defaultdict[_Group, list[frozenset[_Group]]] = defaultdict(list)
        for edge in edges:
            for group in edge:
                of_group[group].append(edge)
        bag: dict[_Group, int] = {}

        def fits(group: _Group) -> bool:
            return not any(
                all(other in bag for other in edge) and len({bag[other] for other in edge}) == 1
                for edge in of_group[group]
            )

        def place(at: int) -> bool:
            if at == len(order):
                return True
            group = order[at]
            used = max(bag.values(), default=-1)
            for number in self._choices(group, bag, min(used + 2, bags)):
                bag[group] = number
                if fits(group) and place(at + 1):
                    return True
                del bag[group]
            return False

        return bag if place(0) else None

    def _choices(self, group: _Group, bag: Mapping[_Group, int], count: int) -> list[int]:
        """Bags to try: where what shares its place is, then the emptiest."""
        load = [0] * count
        together = [0] * count
        for other, number in bag.items():
            load[number] += 1
            together[number] += bool(self._place[group]) and (
                self._place[other] == self._place[group]
            )
        return sorted(range(count), key=lambda number: (-together[number], load[number], number))

    def filled(self, bag: dict[_Group, int], bags: int) -> tuple[tuple[str, ...], ...]:
        """The bags, with every group in one: what may lie anywhere too."""
        for group in self.all:
            if group not in bag:
                bag[group] = self._choices(group, bag, bags)[0]
        return tuple(
            tuple(name for group in self.all if bag[group] == number for name in group)
            for number in range(bags)
        )

    def missing(self, held: Sequence[Holding], drives: set[str], bags: int) -> tuple[Missing, ...]:
        """Copies whose making lets a split exist: those that a good packing leaves in one bag."""
        bag: dict[_Group, int] = {}
        weight: defaultdict[frozenset[_Group], int] = defaultdict(int)
        for one in held:
            weight[self.of(one.holders)] += one.bytes + 1
        order = sorted(
            self.all,
            key=lambda group: (
                group[0] not in drives,
                -sum(w for e, w in weight.items() if group in e),
            ),
        )
        for group in order:
            cost = [0] * bags
            for edge, heavy in weight.items():
                if group in edge and all(other in bag or other == group for other in edge):
                    rest = {bag[other] for other in edge if other != group}
                    if len(rest) <= 1:
                        for number in rest or range(bags):
                            cost[number] += heavy
            choices = self._choices(group, bag, bags)
            bag[group] = min(choices, key=lambda number: cost[number])
        found: dict[tuple[str, tuple[str, ...], str], int] = {}
        for one in held:
            inside = {bag[group] for group in self.of(one.holders)}
            if len(inside) > 1:
                continue
            elsewhere = (name for name in _sorted(drives) if bag[self._group[name]] not in inside)
            key = (one.roll, _sorted(one.holders), next(elsewhere, ""))
            found[key] = found.get(key, 0) + one.files
        return tuple(
            Missing(roll, files, on, to, from_card=drives.isdisjoint(on))
            for (roll, on, to), files in sorted(
                found.items(), key=lambda item: (natural(item[0][0]), item[0][1:])
            )
        )


def _connected(edges: Sequence[frozenset[_Group]]) -> list[_Group]:
    """The groups of the edges, each as near as can be to those before it, so that a choice that
    can't be right shows at once."""
    left = {group for edge in edges for group in edge}
    order: list[_Group] = []
    placed: set[_Group] = set()
    while left:
        nearest = min(
            left,
            key=lambda group: (
                -sum(1 for edge in edges if group in edge and edge & placed),
                -sum(1 for edge in edges if group in edge),
                natural(group[0]),
            ),
        )
        order.append(nearest)
        placed.add(nearest)
        left.remove(nearest)
    return order
