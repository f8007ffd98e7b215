"""What an audit is to read on each drive, and what catalog and hash lists say of it beforehand."""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from ingest.assurance.audit import Expected
from ingest.assurance.listed import ListedFolder, expected_from, listed_folders
from ingest.assurance.rereading.values import DriveTask, Item
from ingest.assurance.schedule import last_read, read_already
from ingest.assurance.sources import came_from_lists, claimed_against
from ingest.assurance.state import copy_state
from ingest.catalog.catalog import Catalog
from ingest.catalog.records import Copy, Look, Roll
from ingest.copying.journal import read_noted_lists
from ingest.copying.reading import open_root
from ingest.copying.tree import Tree
from ingest.evidence import Act, Against, State
from ingest.jobs.audit_targets import Chosen, lies_in
from ingest.manifest.card_chain import card_chain
from ingest.manifest.history import History, Trouble, read_history
from ingest.manifest.kept import kept_path
from ingest.manifest.model import HISTORY_FOLDER, BadManifest

__all__ = ["AuditPlan", "Disagreement", "Place", "Shelf", "Wish"]


@dataclass(frozen=True, slots=True)
class Wish:
    """How deep, and how much of it."""

    with_catalog: bool = True
    with_lists: bool = True
    stalest_first: bool = False
    again: bool = False
    """Read what an audit that was cut off had read, too."""
    quick: bool = False
    also: tuple[str, ...] = ()
    """Checksum kinds to add in the same read to files that have none of them."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where an item belongs: counted by roll and folder."""

    production: str
    roll: str
    folder: str
    copy: Copy | None
    """None: the catalog doesn't know of it, so there is nothing to record."""

    @property
    def key(self) -> tuple[str, str, str]:
        return self.production, self.roll, self.folder


@dataclass(frozen=True, slots=True)
class Disagreement:
    """Catalog and hash list say different things of one file."""

    item: int
    """Key of the item."""
    path: str
    list_name: str
    what: str
    """A checksum kind, or `size`."""
    said: str
    """What the list says."""


@dataclass(frozen=True, slots=True)
class Shelf:
    """One drive of the audit; a place for each item, by its key."""

    task: DriveTask
    places: tuple[Place, ...]
    problems: tuple[tuple[str, str], ...] = ()
    """What is wrong with the hash lists themselves: path and detail."""
    by_lists: bool = False
    """The hash lists alone are asked: nothing is recorded, and nothing written."""
    notes: tuple[str, ...] = ()
    """What is odd about the lists and needs nobody to act."""
    disagreements: tuple[Disagreement, ...] = ()
    read_before: tuple[Place, ...] = ()
    """Not read again: an audit that was cut off had found these good."""
    since: datetime | None = None
    """When that audit began."""
    stalest: datetime | None = None
    """The oldest evidence among the items; None also when some were never read."""
    ours: frozenset[str] = frozenset()
    """Roll folders into which this catalog has written."""
    unreadable: str = ""
    """A copy on this drive that could not be read when it was last looked at, or empty."""
    copies_known: int = 0


class AuditPlan:
    """The shelves, in the order in which they are read."""

    def __init__(
        self,
        catalog: Catalog,
        rolls: Sequence[Roll],
        chosen: Sequence[Chosen],
        listed: Sequence[ListedFolder],
        wish: Wish,
        now: datetime,
        *,
        narrowed: bool,
    ) -> None:
        """`narrowed`: only `rolls` are meant, not all that lies on the drives. Raises OSError."""
        self.catalog = catalog
        self._wish = wish
        self._now = now
        self._narrowed = narrowed
        self._rolls = {roll.id: roll for roll in rolls}
        self._files = {file.id: file for file in catalog.files(rolls)}
        self._from_lists = {one.id for one in catalog.offloads(rolls) if came_from_lists(one)}
        by_drive: dict[int, list[Chosen]] = defaultdict(list)
        for one in chosen:
            by_drive[one.here.drive.id].append(one)
        shelves = [self._shelf(some) for some in by_drive.values()]
        shelves += map(_listed_shelf, listed)
        if wish.stalest_first:  # drives on one device are read one after the other
            never = datetime.min.replace(tzinfo=now.tzinfo)
            shelves.sort(key=lambda shelf: shelf.stalest or never)
        self.shelves = shelves

    def _folder(self, copy: Copy) -> str:
        """The roll's folder on the drive: what stands before the file's own path."""
        path = kept_path(self._files[copy.file_id].path)
        if copy.path.endswith("/" + path):
            return copy.path[: -len(path) - 1]
        return "" if copy.path == path else os.path.dirname(copy.path)

    def _place(self, copy: Copy) -> Place:
        roll = self._rolls[self._files[copy.file_id].roll_id]
        return Place(roll.production, roll.name, self._folder(copy), copy)

    def _expected(self, copy: Copy, looks: Sequence[Look]) -> Expected:
        """By the catalog's digest, where a card's read gave it. Where it was taken from hash
        lists, by a list, which carries no card to reuse."""
        file = self._files[copy.file_id]
        listed = file.offload_id in self._from_lists
        against = claimed_against(looks) if listed else Against.CATALOG
        return Expected(file.size, file.mtime_ns, file.digests, against)

    def _shelf(self, chosen: Sequence[Chosen]) -> Shelf:
        here = chosen[0].here
        assert here.volume is not None
        everything = self.catalog.copies(drive_id=here.drive.id)
        looks = self.catalog.looks([copy.id for copy in everything])
        copies = [
            copy
            for copy in everything
            if copy.file_id in self._files and any(lies_in(copy.path, one) for one in chosen)
        ]
        copies, before, since = self._owed(copies, looks)
        places = [self._place(copy) for copy in copies]
        items = [
            Item(key, copy.path, self._expected(copy, looks[copy.id]))
            for key, copy in enumerate(copies)
        ]
        left_out = [self._place(copy) for copy in before]
        folders = {place.folder for place in (*places, *left_out)}
        known = {copy.path for copy in everything}
        on = _OnDrive()
        if self._wish.with_lists:
            on = _read_lists(here.volume.root, folders, chosen, whole=not self._narrowed)
            names = {place.folder: (place.production, place.roll) for place in (*places, *left_out)}
            for path in sorted(on.expected.keys() - known):
                folder = on.folder_of[path]
                production, roll = names.get(
                    folder, ("", os.path.basename(folder) or here.drive.name)
                )
                if any(lies_in(path, one) for one in chosen):
                    places.append(Place(production, roll, folder, None))
                    items.append(Item(len(items), path, on.expected[path]))
                    known.add(path)
        reads = [last_read(looks[copy.id]) for copy in copies]
        return Shelf(
            task=DriveTask(
                name=here.drive.name,
                volume=here.volume,
                items=tuple(items),
                folders=tuple(sorted(folders | {place.folder for place in places})),
                known=frozenset(known),
                also=self._wish.also,
            ),
            places=tuple(places),
            problems=tuple(on.problems),
            notes=tuple(on.notes),
            disagreements=tuple(_disagreements(items, places, on)),
            read_before=tuple(left_out),
            since=since,
            stalest=min((one.at for one in reads if one), default=None) if all(reads) else None,
            ours=frozenset(
                self._folder(copy)
                for copy in everything
                if copy.file_id in self._files
                and any(look.act is Act.WRITTEN for look in looks[copy.id])
            ),
            unreadable=next(
                (
                    copy.path
                    for copy in everything
                    if copy_state(looks[copy.id]).state is State.UNREADABLE
                ),
                "",
            ),
            copies_known=len(copies) + len(before),
        )

    def _owed(
        self, copies: Sequence[Copy], looks: Mapping[int, Sequence[Look]]
    ) -> tuple[list[Copy], list[Copy], datetime | None]:
        """What is to be read, in order; what was read already; when that audit began."""
        in_order = sorted(copies, key=lambda copy: os.fsencode(copy.path))
        if self._wish.stalest_first:
            order = {copy.id: last_read(looks[copy.id]) for copy in copies}
            in_order.sort(key=lambda copy: one.id if (one := order[copy.id]) else 0)
            return in_order, [], None
        if self._wish.again or self._wish.quick:
            return in_order, [], None
        evidence = {copy.id: looks[copy.id] for copy in copies}
        already, since = read_already(evidence, self._now)
        if self._wish.also:
            lacking = {copy.id for copy in copies if self._lacks(copy)}
            already = frozenset(already) - lacking
        owed = [copy for copy in in_order if copy.id not in already]
        return owed, [copy for copy in in_order if copy.id in already], since

    def _lacks(self, copy: Copy) -> bool:
        known = self._files[copy.file_id].digests
        return any(kind not in known for kind in self._wish.also)


def _listed_shelf(listed: ListedFolder) -> Shelf:
    task = DriveTask(
        name=listed.name,
        volume=listed.volume,
        items=listed.items,
        folders=tuple(sorted(set(listed.folders))),
        known=frozenset(item.path for item in listed.items),
    )
    top = os.path.basename(listed.volume.root)
    places = tuple(
        Place("", os.path.basename(folder) or top, folder, None) for folder in listed.folders
    )
    return Shelf(task, places, listed.problems, by_lists=True)


# The drive's own lists ----------------------------------------------------------------------------


class _OnDrive:
    """What the hash lists in the roll folders of one drive say."""

    def __init__(self) -> None:
        self.expected: dict[str, Expected] = {}
        """By path relative to the drive's root."""
        self.folder_of: dict[str, str] = {}
        self.histories: dict[str, History] = {}
        self.problems: list[tuple[str, str]] = []
        self.notes: list[str] = []


def _read_lists(root: str, folders: set[str], chosen: Sequence[Chosen], *, whole: bool) -> _OnDrive:
    """`whole`: also of folders that the catalog knows nothing of."""
    on = _OnDrive()
    handle = open_root(root)
    try:
        with Tree(handle) as tree:
            places = set(folders)
            if whole:
                places |= {
                    place
                    for place in listed_folders(handle)
                    if any(lies_in(place, one) or _holds(place, one.below) for one in chosen)
                }
            for place in sorted(places):
                try:
                    folder = tree.folder(place)
                except OSError:
                    continue  # its copies will be found missing
                _take(on, place, folder)
    finally:
        os.close(handle)
    return on


def _holds(place: str, below: str) -> bool:
    return not place or below.startswith(place + "/")


def _take(on: _OnDrive, place: str, folder: int) -> None:
    prefix = f"{place}/" if place else ""
    history = read_history(folder)
    on.histories[place] = history
    for path, expected in expected_from(history).items():
        on.expected[prefix + path] = expected
        on.folder_of[prefix + path] = place
    try:
        foreign = card_chain(folder).names
    except BadManifest:
        foreign = frozenset()  # the drive's own chain is broken, which is told below
    noted = read_noted_lists(folder)
    left = {one.name for one in history.orphans if noted.get(one.name) == one.c4}
    for one in history.problems:
        path = f"{prefix}{HISTORY_FOLDER}/{one.name}"
        if one.name in left:
            on.notes.append(f"{path}: left by a run that was cut off; the next run takes it in")
        elif one.trouble is Trouble.ODD_LIST or one.name in foreign:
            came = " (it came so with the card)" if one.name in foreign else ""
            on.notes.append(f"{path}: {one.detail}{came}")
        else:
            on.problems.append((path, one.detail))


def _disagreements(
    items: Sequence[Item], places: Sequence[Place], on: _OnDrive
) -> Iterator[Disagreement]:
    for item, place in zip(items, places, strict=True):
        said = on.expected.get(item.path)
        if place.copy is None or said is None:
            continue
        told = item.expected
        for kind in sorted(told.digests.keys() & said.digests.keys()):
            if told.digests[kind] != said.digests[kind]:
                digest = said.digests[kind]
                name = _list_with(on, item.path, kind, digest)
                yield Disagreement(item.key, item.path, name, kind, digest)
                break
        else:
            if said.size is not None and told.size is not None and said.size != told.size:
                name = _list_with(on, item.path, None, "")
                yield Disagreement(item.key, item.path, name, "size", str(said.size))


def _list_with(on: _OnDrive, path: str, kind: str | None, digest: str) -> str:
    """The first list that says this of the file."""
    place = on.folder_of[path]
    inside = path[len(place) + 1 :] if place else path
    for generation in on.histories[place].generations:
        if not generation.is_sound or generation.hash_list is None:
            continue
        for entry in generation.hash_list.entries:
            if entry.path == inside and (
                kind is None
                or any((one.kind, one.digest) == (kind, digest) for one in entry.hashes)
            ):
                return generation.name
    return HISTORY_FOLDER
