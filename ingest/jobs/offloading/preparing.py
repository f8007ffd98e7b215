"""Working out an offload before a byte is written: what is new, which roll it is, where it goes.

Reads the card (samples, and in full what seems known), the drives' folders and the catalog;
writes nothing. Raises BadCard, BadDestination or UsageError for whatever speaks against it,
Unfinished when the card or a drive goes away meanwhile.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from datetime import datetime

from ingest import drives
from ingest.assurance.state import copy_state
from ingest.card.inventory import CardFile, Inventory, card_inventory
from ingest.catalog.catalog import Catalog
from ingest.catalog.records import FileRecord, Roll
from ingest.checksums import DEFAULT_KINDS, KINDS
from ingest.copying.plan import (
    Stock,
    check_names,
    check_places,
    copies_on,
    take_stock,
)
from ingest.copying.reading import sample_in
from ingest.copying.values import COMPARED, Action
from ingest.drives import CardSeen, Volume
from ingest.errors import BadCard, BadDestination, NotKnown, Unfinished, UsageError
from ingest.evidence import State
from ingest.jobs.fitting import check_room
from ingest.jobs.further.layouts import folder_of
from ingest.jobs.offloading.card_history import CardHistory, card_histories, kinds_needed
from ingest.jobs.offloading.choosing import Choice, choices, next_free_name
from ingest.jobs.offloading.looking import CardLook, looking_at, opened, tree_at
from ingest.jobs.offloading.values import Confirming, Plan, PlannedDrive, Request
from ingest.manifest.kept import kept_path
from ingest.names import shown

__all__ = ["place_of_drive", "prepare"]


def prepare(
    request: Request,
    catalog: Catalog,
    tell: Callable[[Confirming], None] = lambda event: None,
    *,
    taken: Collection[str] = (),
) -> Plan:
    """The plan for one card. See the module for what may be raised. `taken`: roll names that
    other cards of the same command will have."""
    seen = _inventory(request.card)
    production = request.production or request.settings.production
    if not production:
        raise UsageError(
            "Which production is this card from? It is never guessed from a card.",
            do='say --production "NAME", or write production = "NAME" into ingest.toml',
        )
    histories = _histories(seen)
    kinds = _kinds(request)
    kinds = (*kinds, *kinds_needed(histories, kinds))
    files, older = _since(seen, request)
    card_volume = drives.look_at(seen.root)
    volumes = [drives.look_at(place_of_drive(catalog, name)) for name in request.to]
    check_places(
        card_volume,
        volumes,
        same_drive_ok=request.same_drive_ok,
        system_disk_ok=request.system_disk_ok,
    )
    if drives.recognise(card_volume.root) is not None:
        raise BadCard(
            f"{shown(seen.root)} is a known drive, not a card.", do="name the card's folder"
        )
    label = request.label or _label(card_volume)
    look = CardLook(card_volume, catalog, production)
    known = look.known(files, tell)
    fresh = [file for file in files if file.path not in known]
    card = drives.card_at(seen.root, label)
    witness = _witness(catalog, card, known.values()) if look.compared and not fresh else ""
    rolls = catalog.rolls(production=production)
    for choice in choices(request, catalog, rolls, files, fresh, known, label, taken):
        here = {path: record for path, record in known.items() if record.roll_id == choice.id}
        elsewhere = {path: record for path, record in known.items() if path not in here}
        wanted = [file for file in files if file.path not in elsewhere]
        try:
            planned = [
                _plan_drive(request, catalog, volume, choice, wanted, here, look)
                for volume in volumes
            ]
        except _TakenError as taken:
            if request.roll or choice.joins is not None:
                raise BadDestination(
                    f"{shown(taken.place)} is already taken by other content.",
                    do=f"give this card another roll name: --roll {next_free_name(choice, rolls)}",
                ) from None
            continue
        copied = tuple(
            file
            for file in wanted
            if any(drive.actions[file.path] is not Action.NOTHING for drive in planned)
        )
        for volume in volumes:
            check_names(copied, volume)
        _check_room(planned, copied)
        return Plan(
            request=request,
            inventory=seen,
            card=card,
            card_volume=card_volume,
            production=production,
            day=choice.day,
            date=choice.date,
            roll=choice.roll,
            camera=choice.camera,
            because=choice.because,
            joins=choice.joins,
            files=copied,
            known=here | elsewhere,
            elsewhere=elsewhere,
            lacking=_lacking(catalog, planned, rolls, elsewhere),
            older=older,
            kinds=kinds,
            drives=tuple(planned),
            copies=copies_on(volumes),
            samples=look.samples,
            histories=histories,
            witness=witness if choice.joins is not None else "",
        )
    raise BadDestination(
        "No free roll name was found: every one tried is taken on these drives.",
        do="name the roll yourself: --roll NAME",
    )


# The parts --------------------------------------------------------------------------------------


class _TakenError(Exception):
    def __init__(self, place: str) -> None:
        super().__init__(place)
        self.place = place


def _inventory(card: str) -> Inventory:
    seen = card_inventory(card)
    if not seen.files:
        first = seen.unreadable[0]
        raise Unfinished(
            f"Nothing on the card at {shown(card)} can be read: "
            f"{shown(first.path)} ({shown(first.detail)}).",
            do="try another reader or cable, then run the same command again",
            dont="format it",
        )
    return seen


def _histories(seen: Inventory) -> tuple[CardHistory, ...]:
    try:
        return card_histories(seen.root, (file.path for file in seen.files))
    except OSError as error:
        raise BadCard(
            f"The hash lists on the card at {shown(seen.root)} can't be read: "
            f"{error.strerror or error}.",
            do="check that it is plugged in and mounted, then run the same command again",
        ) from error


def _witness(catalog: Catalog, card: CardSeen, known: Iterable[FileRecord]) -> str:
    """How this card is another one than those that the roll came from, or empty: only another
    file system shows it (a reader's serial says nothing of the card in it)."""
    rolls = [catalog.roll_by_id(roll_id) for roll_id in {record.roll_id for record in known}]
    uuids = {
        offload.card.fs_uuid if offload.card is not None else None
        for offload in catalog.offloads(rolls)
    }
    if len(rolls) != 1 or card.fs_uuid is None or None in uuids or card.fs_uuid in uuids:
        return ""
    before = ", ".join(sorted(uuid for uuid in uuids if uuid))
    return f"its file system is {card.fs_uuid}, the roll came from {before}"


def _kinds(request: Request) -> tuple[str, ...]:
    kinds = request.checksums or request.settings.checksums or DEFAULT_KINDS
    for kind in kinds:
        if kind not in KINDS:
            raise UsageError(f"The checksum kind {shown(kind)} is not known.", do=", ".join(KINDS))
    return tuple(dict.fromkeys((COMPARED, *kinds)))


def _since(seen: Inventory, request: Request) -> tuple[list[CardFile], tuple[CardFile, ...]]:
    if request.since is None:
        return list(seen.files), ()
    begin = datetime.combine(request.since, datetime.min.time(), tzinfo=request.now.tzinfo)
    nanoseconds = int(begin.timestamp()) * 1_000_000_000
    files = [file for file in seen.files if file.mtime_ns >= nanoseconds]
    older = tuple(file for file in seen.files if file.mtime_ns < nanoseconds)
    if not files:
        raise BadCard(f"Nothing on the card is from {request.since} or later.")
    return files, older


def place_of_drive(catalog: Catalog, name: str) -> str:
    """The folder that a `--to` means: a folder as it stands, else a known drive's mount."""
    if os.path.isdir(name):
        return name
    drive = catalog.drive(name=name)
    if drive is None:
        if os.path.basename(name) == name and not os.path.lexists(name):
            raise NotKnown(
                f"No drive is known as {shown(name)}, and there is no folder of that name.",
                do="a drive goes by its name once it was used; until then name its folder, "
                "such as /media/DRIVE",
            )
        return name  # looking at it says what is wrong
    mounted = drives.find_mounted([drive.root]).get(drive.marker)
    if mounted is None:
        raise NotKnown(
            f"The drive {shown(name)} is known, but not mounted.", do="plug it in and try again"
        )
    return mounted.root


def _label(volume: Volume) -> str:
    return os.path.basename(volume.root.rstrip("/")) or "card"


def _plan_drive(
    request: Request,
    catalog: Catalog,
    volume: Volume,
    choice: Choice,
    files: Sequence[CardFile],
    known: Mapping[str, FileRecord],
    look: CardLook,
) -> PlannedDrive:
    seen = drives.recognise(volume.root)
    drive = catalog.drive(marker=seen.marker) if seen is not None else None
    known_name = drive.name if drive is not None else seen.name if seen is not None else ""
    folder = _folder(request, choice, look)
    matched: dict[int, str] = {}
    if choice.joins is not None and drive is not None:
        matched, folder = _matched_on(catalog, choice.joins, drive.id, known, folder)
    stock = _stock(volume, folder, [kept_path(file.path) for file in files])
    actions: dict[str, Action] = {}
    aside: list[str] = []
    for file in files:
        place = kept_path(file.path)
        there = stock.sizes.get(place)
        record = known.get(file.path)
        if there is None:
            actions[file.path] = Action.WRITE
        elif record is not None and there == file.size:
            done = record.id in matched
            actions[file.path] = Action.NOTHING if done else Action.CHECK
        elif record is not None and there >= 0:
            aside.append(place)
            actions[file.path] = Action.WRITE
        elif there == file.size and _same_samples(volume, folder, file.path, look):
            actions[file.path] = Action.CHECK
        else:
            raise _TakenError(f"{volume.root}/{folder}/{place}")
    late, why = _read_back_after(request, volume)
    return PlannedDrive(
        name=known_name or _label(volume),
        volume=volume,
        folder=folder,
        stock=stock,
        actions=actions,
        set_aside=tuple(aside),
        read_back_after=late,
        why_after=why,
    )


def _lacking(
    catalog: Catalog,
    planned: Sequence[PlannedDrive],
    rolls: Sequence[Roll],
    elsewhere: Mapping[str, FileRecord],
) -> tuple[tuple[str, str], ...]:
    """Where files that belong to an earlier roll have no matched copy: this offload doesn't
    bring them there, and nobody may think that it did."""
    found = []
    for roll in rolls:
        here = {path: one for path, one in elsewhere.items() if one.roll_id == roll.id}
        for one in planned if here else ():
            seen = drives.recognise(one.volume.root)
            drive = catalog.drive(marker=seen.marker) if seen is not None else None
            matched = _matched_on(catalog, roll, drive.id, here, "")[0] if drive else {}
            if any(record.id not in matched for record in here.values()):
                found.append((one.name, roll.name))
    return tuple(found)


def _matched_on(
    catalog: Catalog, roll: Roll, drive_id: int, known: Mapping[str, FileRecord], folder: str
) -> tuple[dict[int, str], str]:
    """File ids of the roll with a matched copy on this drive, and the folder they lie in."""
    by_id = {record.id: path for path, record in known.items()}
    copies = [copy for copy in catalog.copies(rolls=[roll]) if copy.drive_id == drive_id]
    looks = catalog.looks([copy.id for copy in copies])
    matched: dict[int, str] = {}
    for copy in copies:
        path = by_id.get(copy.file_id)
        if path is None:
            continue
        place = kept_path(path)
        if copy.path.endswith("/" + place):
            folder = copy.path[: -len(place) - 1]
        if copy_state(looks.get(copy.id, ())).state is State.MATCHED:
            matched[copy.file_id] = copy.path
    return matched, folder


def _folder(request: Request, choice: Choice, look: CardLook) -> str:
    return folder_of(
        request.layout or request.settings.layout,
        production=request.production or request.settings.production or "",
        day=choice.day,
        date=choice.date,
        roll=choice.roll,
        camera=choice.camera,
        card=request.label or _label(look.volume),
    )


def _stock(volume: Volume, folder: str, paths: Sequence[str]) -> Stock:
    with looking_at(volume, folder, BadDestination), opened(volume.root) as root:
        return take_stock(root, folder, paths)


def _same_samples(volume: Volume, folder: str, path: str, look: CardLook) -> bool:
    with tree_at(volume.root) as tree:
        try:
            there = sample_in(tree, f"{folder}/{kept_path(path)}", volume.fs_type)
        except OSError:
            return False
    return there == look.sample(path)


def _read_back_after(request: Request, volume: Volume) -> tuple[bool, str]:
    if request.read_back_after is not None:
        return request.read_back_after, "as asked"
    if volume.rotational:
        return True, "it says that it has moving heads"
    if volume.rotational is None:
        return False, "nothing tells of moving heads"
    return False, "it says that it has no moving heads"


def _check_room(planned: Sequence[PlannedDrive], files: Sequence[CardFile]) -> None:
    """Drives on one file system share its room."""
    by_volume: dict[int, list[int]] = {}
    reclaimable: dict[int, int] = {}
    for drive in planned:
        sizes = [file.size for file in files if drive.actions[file.path] is Action.WRITE]
        by_volume.setdefault(drive.volume.st_dev, []).extend(sizes)
        held = reclaimable.get(drive.volume.st_dev, 0) + drive.stock.reclaimable
        reclaimable[drive.volume.st_dev] = held
        check_room(drive.volume, by_volume[drive.volume.st_dev], held)
