"""Working out an offload before a byte is written: what is new, which roll it is, where it goes.

Reads the card (samples, and in full what seems known), the drives' folders and the catalog;
writes nothing. Raises BadCard, BadDestination or UsageError for whatever speaks against it,
Unfinished when the card or a drive goes away meanwhile.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import date, datetime
from string import Formatter

from ingest import drives
from ingest.assurance.state import copy_state
from ingest.card.inventory import CardFile, Inventory, inventory
from ingest.card.rolls import next_free, propose
from ingest.catalog.catalog import Catalog
from ingest.catalog.records import FileRecord, Roll
from ingest.checksums import DEFAULT_KINDS, KINDS
from ingest.copying.plan import (
    Stock,
    check_names,
    check_places,
    check_room,
    copies_on,
    take_stock,
)
from ingest.copying.reading import open_root, read_cold, sample_in
from ingest.copying.tree import Tree
from ingest.copying.values import COMPARED, Action
from ingest.drives import CardSeen, Volume
from ingest.errors import BadCard, BadDestination, NotKnown, Unfinished, UsageError
from ingest.evidence import State
from ingest.jobs.offloading.card_history import CardHistory, card_histories, kinds_needed
from ingest.jobs.offloading.values import Confirming, Plan, PlannedDrive, Request
from ingest.manifest.kept import kept_path
from ingest.names import shown
from ingest.settings import shoot_date

__all__ = ["prepare"]

_TRIES = 50


def prepare(
    request: Request,
    catalog: Catalog,
    tell: Callable[[Confirming], None] = lambda event: None,
    *,
    taken: Collection[str] = (),
) -> Plan:
    """The plan for one card. See the module for what may be raised. `taken`: roll names that
    other cards of the same command will have."""
    production = request.production or request.settings.production
    if not production:
        raise UsageError(
            "Which production is this card from? It is never guessed from a card.",
            do='say --production "NAME", or write production = "NAME" into ingest.toml',
        )
    seen = _inventory(request.card)
    histories = _histories(seen)
    kinds = _kinds(request)
    kinds = (*kinds, *kinds_needed(histories, kinds))
    files, older = _since(seen, request)
    card_volume = drives.look_at(seen.root)
    volumes = [drives.look_at(_place(catalog, name)) for name in request.to]
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
    look = _CardLook(card_volume, catalog, production)
    known = look.known(files, tell)
    fresh = [file for file in files if file.path not in known]
    card = drives.card_at(seen.root, label)
    witness = _witness(catalog, card, known.values()) if look.compared and not fresh else ""
    rolls = catalog.rolls(production=production)
    for choice in _choices(request, catalog, rolls, files, fresh, known, label, taken):
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


class _Choice:
    """One roll that the card could be."""

    def __init__(
        self, roll: str, camera: str | None, because: str, day: int, on: date, joins: Roll | None
    ) -> None:
        self.roll, self.camera, self.because = roll, camera, because
        self.day, self.date, self.joins = day, on, joins
        self.id = joins.id if joins is not None else -1


def next_free_name(choice: _Choice, rolls: Sequence[Roll]) -> str:
    """The next roll name after a choice that is taken."""
    letter = choice.roll[:1] if choice.roll[1:].isdigit() else "X"
    return next_free(letter, [roll.name for roll in rolls] + [choice.roll])


def _inventory(card: str) -> Inventory:
    try:
        return inventory(card)
    except OSError as error:
        raise BadCard(
            f"The card at {shown(card)} can't be looked at: {error.strerror or error}.",
            do="check that it is plugged in and mounted, then run the same command again",
        ) from error


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


def _place(catalog: Catalog, name: str) -> str:
    """The folder that a `--to` means: a folder as it stands, else a known drive's mount."""
    if os.path.isdir(name):
        return name
    drive = catalog.drive(name=name)
    if drive is None:
        return name  # looking at it says what is wrong
    mounted = drives.find_mounted([drive.root]).get(drive.marker)
    if mounted is None:
        raise NotKnown(
            f"The drive {shown(name)} is known, but not mounted.", do="plug it in and try again"
        )
    return mounted.root


def _label(volume: Volume) -> str:
    return os.path.basename(volume.root.rstrip("/")) or "card"


class _CardLook:
    """What the card holds, compared with what the catalog knows."""

    def __init__(self, volume: Volume, catalog: Catalog, production: str) -> None:
        self.volume = volume
        self.samples: dict[str, str] = {}
        self.compared = False
        """Every byte of what is known was read now, and compared."""
        self._catalog = catalog
        self._rolls = {roll.id: roll for roll in catalog.rolls(production=production)}

    def sample(self, path: str) -> str:
        """Samples of a file on the card; empty when it can't be read (the run will say so)."""
        if path not in self.samples:
            with _tree(self.volume.root) as tree:
                try:
                    self.samples[path] = sample_in(tree, path, self.volume.fs_type)
                except OSError:
                    return ""
        return self.samples[path]

    def known(
        self, files: Sequence[CardFile], tell: Callable[[Confirming], None]
    ) -> dict[str, FileRecord]:
        """Files of the card that the production has already, by path on the card.

        Name and size only make a candidate; samples must agree. Where no run was left
        unfinished, every byte is read again and compared besides.
        """
        candidates = self._catalog.files_like((file.path, file.size) for file in files)
        found: dict[str, FileRecord] = {}
        for file in files:
            records = [
                record
                for record in candidates.get((file.path, file.size), ())
                if record.roll_id in self._rolls
            ]
            if not records:
                continue
            sample = self.sample(file.path)
            same = [record for record in records if record.samples == sample]
            if same:
                found[file.path] = same[-1]
        found = self._carried_on(found)
        if found and not self._unfinished({record.roll_id for record in found.values()}):
            confirmed = self._confirmed(found, tell)
            self.compared = len(confirmed) == len(found)
            return confirmed
        return found

    def _carried_on(self, found: Mapping[str, FileRecord]) -> dict[str, FileRecord]:
        """Only what belongs to rolls that this card really carries on.

        Cameras leave the same little file (an empty one, a settings file) on every card. A roll
        is carried on when at least half of its bytes are still here; otherwise its files are
        taken as new, which costs a copy and can lose nothing.
        """
        here: dict[int, int] = {}
        for record in found.values():
            here[record.roll_id] = here.get(record.roll_id, 0) + record.size
        whole: dict[int, int] = dict.fromkeys(here, 0)
        for record in self._catalog.files([self._rolls[roll_id] for roll_id in here]):
            whole[record.roll_id] += record.size
        return {
            path: record
            for path, record in found.items()
            if 2 * here[record.roll_id] >= whole[record.roll_id]
        }

    def _unfinished(self, roll_ids: set[int]) -> bool:
        rolls = [self._rolls[roll_id] for roll_id in roll_ids]
        latest = {offload.roll.id: offload for offload in self._catalog.offloads(rolls)}
        return any(
            offload.end is None or offload.end.verdict != "matched" for offload in latest.values()
        )

    def _confirmed(
        self, found: Mapping[str, FileRecord], tell: Callable[[Confirming], None]
    ) -> dict[str, FileRecord]:
        total = sum(record.size for record in found.values())
        done = 0
        confirmed: dict[str, FileRecord] = {}
        root = _opened(self.volume.root)
        try:
            for path, record in found.items():
                tell(Confirming(len(found), done, total))
                try:
                    read = read_cold(root, path, [COMPARED], self.volume)
                except OSError:
                    continue
                if read.digests[COMPARED] == record.digests.get(COMPARED):
                    confirmed[path] = record
                done += record.size
        finally:
            os.close(root)
        tell(Confirming(len(found), total, total))
        return confirmed


def _choices(
    request: Request,
    catalog: Catalog,
    rolls: Sequence[Roll],
    files: Sequence[CardFile],
    fresh: Sequence[CardFile],
    known: Mapping[str, FileRecord],
    label: str,
    taken: Collection[str],
) -> Iterator[_Choice]:
    """The rolls that this card could be, the likeliest first."""
    today = shoot_date(request.now, request.settings.day_ends)
    day, on = _day(request, rolls, today)
    by_id = {roll.id: roll for roll in rolls}
    filled = {record.roll_id for record in catalog.files(rolls)}
    earlier = [by_id[roll_id] for roll_id in sorted({r.roll_id for r in known.values()})]
    if request.roll is not None:
        if request.roll.casefold() in {name.casefold() for name in taken}:
            raise UsageError(f"Two cards can't both be roll {shown(request.roll)}.")
        named = next((r for r in rolls if r.name.casefold() == request.roll.casefold()), None)
        if named is None:
            guess = propose([f.path for f in files], label, camera=request.camera, used=())
            yield _Choice(request.roll, request.camera or guess.camera, "as named", day, on, None)
            return
        if named.id in filled and named not in earlier:
            free = next_free_name(_joined(named, ""), rolls)
            raise BadDestination(
                f"The roll {shown(named.name)} holds other content already "
                f"(day {named.day}, card {shown(named.card)}).",
                do=f"--roll {free}, the next free number, or leave --roll out",
            )
        yield _joined(named, "as named")
        return
    if earlier:
        last = earlier[-1]
        if not fresh:
            yield _joined(last, "everything on this card is known")
            return
        if last.date == on.isoformat() or _open(catalog, last):
            yield _joined(last, "this card is continued")
            return
    used = [*taken, *(roll.name for roll in rolls if roll.id in filled)]
    camera = request.camera or (earlier[-1].camera if earlier else None)
    if earlier and earlier[-1].name[1:].isdigit():
        free = next_free(earlier[-1].name[0], used, width=len(earlier[-1].name) - 1)
        because = f"the card was {earlier[-1].name} before, and went on"
        yield _Choice(free, camera, because, day, on, None)
        used.append(free)
    for _ in range(_TRIES):
        guess = propose([file.path for file in files], label, camera=camera, used=used)
        empty = next((r for r in rolls if r.name == guess.roll and r.id not in filled), None)
        choice = _Choice(guess.roll, guess.camera, guess.because, day, on, None)
        if empty is not None:
            choice = _Choice(
                empty.name, empty.camera, guess.because, empty.day, _date(empty), empty
            )
        yield choice
        used.append(guess.roll)


def _joined(roll: Roll, because: str) -> _Choice:
    return _Choice(roll.name, roll.camera, because, roll.day, _date(roll), roll)


def _date(roll: Roll) -> date:
    return date.fromisoformat(roll.date)


def _open(catalog: Catalog, roll: Roll) -> bool:
    """Its last offload was cut off or stopped: what is left of it still belongs to it."""
    offloads = catalog.offloads([roll])
    if not offloads:
        return False
    end = offloads[-1].end
    return end is None or end.verdict == "stopped"


def _day(request: Request, rolls: Sequence[Roll], today: date) -> tuple[int, date]:
    """The shoot day's number and date: as asked, by ingest.toml, by what is in, else the next."""
    days = request.settings.days
    if request.day is not None:
        if request.day < 1:
            raise UsageError("A shoot day counts from 1.", do="--day 1")
        if request.day <= len(days):
            return request.day, days[request.day - 1]
        same = next((roll for roll in rolls if roll.day == request.day), None)
        return request.day, _date(same) if same is not None else today
    if today in days:
        return days.index(today) + 1, today
    same = next((roll for roll in rolls if _date(roll) == today), None)
    if same is not None:
        return same.day, today
    return max((roll.day for roll in rolls), default=0) + 1, today


def _plan_drive(
    request: Request,
    catalog: Catalog,
    volume: Volume,
    choice: _Choice,
    files: Sequence[CardFile],
    known: Mapping[str, FileRecord],
    look: _CardLook,
) -> PlannedDrive:
    seen = drives.recognise(volume.root)
    drive = catalog.drive(marker=seen.marker) if seen is not None else None
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
        name=seen.name if seen is not None else _label(volume),
        volume=volume,
        folder=folder,
        stock=stock,
        actions=actions,
        set_aside=tuple(aside),
        read_back_after=late,
        why_after=why,
    )


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


def _folder(request: Request, choice: _Choice, look: _CardLook) -> str:
    layout = request.layout or request.settings.layout
    values = {
        "production": _part(request.production or request.settings.production or ""),
        "day": choice.day,
        "date": choice.date.isoformat(),
        "roll": _part(choice.roll),
        "camera": _part(choice.camera or "-"),
        "card": _part(request.label or _label(look.volume)),
    }
    try:
        for _, field, _, _ in Formatter().parse(layout):
            if field is not None and field not in values:
                raise KeyError(field)  # also what reaches into a value: {roll.upper}
        folder = layout.format(**values)
    except (KeyError, IndexError, ValueError) as error:
        raise UsageError(
            f"The layout {shown(layout)} can't be used: {error}.",
            do="use {production}, {day:02}, {date}, {roll}, {camera} and {card}",
        ) from error
    parts = folder.split("/")
    if "\0" in folder or any(part in ("", ".", "..") for part in parts):
        raise UsageError(f"The layout {shown(layout)} leaves the drive or names an empty folder.")
    return folder


def _part(text: str) -> str:
    """A text made fit to be one folder's name on every file system."""
    safe = "".join("_" if c in '"*/:<>?\\|' or ord(c) < 32 or c == "\x7f" else c for c in text)
    return safe.strip(" .") or "_"


def _stock(volume: Volume, folder: str, paths: Sequence[str]) -> Stock:
    root = _opened(volume.root)
    try:
        return take_stock(root, folder, paths)
    except OSError as error:
        raise BadDestination(
            f"{shown(volume.root)}/{shown(folder)} can't be looked at: {error.strerror}."
        ) from error
    finally:
        os.close(root)


def _same_samples(volume: Volume, folder: str, path: str, look: _CardLook) -> bool:
    with _tree(volume.root) as tree:
        try:
            there = sample_in(tree, f"{folder}/{kept_path(path)}", volume.fs_type)
        except OSError:
            return False
    return there == look.sample(path)


@contextmanager
def _tree(root: str) -> Iterator[Tree]:
    handle = _opened(root)
    try:
        with Tree(handle) as tree:
            yield tree
    finally:
        os.close(handle)


def _opened(root: str) -> int:
    try:
        return open_root(root)
    except OSError as error:
        raise Unfinished(
            f"{shown(root)} can't be opened: {error.strerror or error}.",
            do="check that it is plugged in and mounted, then run the same command again",
        ) from error


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
