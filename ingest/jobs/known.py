"""What is known: the drives and the rolls, with how their copies stand."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from ingest import drives as drive_finding
from ingest.assurance.reuse import DriveNow, separate_devices
from ingest.assurance.state import CopyState, copy_state
from ingest.assurance.worth import copy_weakness, is_local
from ingest.catalog.catalog import Catalog
from ingest.catalog.custody_records import DrivePlace
from ingest.catalog.records import Copy, Drive, Roll
from ingest.drives import DriveSeen, Volume
from ingest.errors import BadDestination
from ingest.evidence import State

__all__ = [
    "DriveHere",
    "DriveOverview",
    "RollOnDrive",
    "RollOverview",
    "Tally",
    "drive_overviews",
    "drives_here",
    "identity_doubt",
    "roll_overviews",
]


_FORMATTED = "its hardware came in as another drive since (formatted, or another part of it)"
_SAME_MOMENT = timedelta(minutes=1)


@dataclass(frozen=True, slots=True)
class DriveHere:
    """A drive of the catalog, and where it is mounted now (None, None: it is not)."""

    drive: Drive
    seen: DriveSeen | None
    volume: Volume | None
    doubt: str
    """Why what is mounted can't be taken for the drive of that name, or empty."""
    formatted_since: bool = False
    """It isn't here, and its hardware came in as another drive since it was last seen."""

    @property
    def is_local(self) -> bool:
        """A device of this machine, as far as can be told."""
        return is_local(self.drive.serial, self.volume)

    @property
    def now(self) -> DriveNow:
        doubt = self.doubt or (_FORMATTED if self.formatted_since else "")
        return DriveNow(self.drive.name, self.drive.serial, self.volume, doubt)


def drives_here(catalog: Catalog, places: Iterable[str] = ()) -> tuple[DriveHere, ...]:
    """Every drive of the catalog; `places` are folders to look at besides the usual ones."""
    known = catalog.drives()
    mounted = drive_finding.find_mounted([*places, *(drive.root for drive in known)])
    found = []
    for drive in known:
        seen = mounted.get(drive.marker)
        volume = None
        if seen is not None:
            try:
                volume = drive_finding.look_at(seen.root)
            except BadDestination:
                seen = None  # it left between the two looks
        doubt = identity_doubt(drive, seen) if seen is not None else ""
        found.append(DriveHere(drive, seen, volume, doubt))
    certain = {here.drive.marker for here in found if here.seen is not None and not here.doubt}
    settled = (
        # Another drive of the same marker is the one that is here; this one isn't.
        DriveHere(here.drive, None, None, "")
        if here.doubt and here.drive.marker in certain
        else here
        for here in found
    )
    return tuple(
        replace(here, formatted_since=here.seen is None and _formatted_since(here.drive, known))
        for here in settled
    )


def _formatted_since(drive: Drive, known: Iterable[Drive]) -> bool:
    """Whether hardware of this serial was first seen as another drive after this one was last
    seen. Drives that one command sees for the first time come in at the same moment."""
    return drive.serial is not None and any(
        other.id != drive.id
        and other.serial == drive.serial
        and other.first_seen - drive.last_seen > _SAME_MOMENT
        for other in known
    )


def identity_doubt(drive: Drive, seen: DriveSeen) -> str:
    """Marker, file-system UUID and serial belong together: what disagrees, or empty.

    What one side doesn't know is no disagreement.
    """
    if drive.fs_uuid and seen.fs_uuid and drive.fs_uuid != seen.fs_uuid:
        return "its file system is not the one it was known by (a clone, or formatted since)"
    if drive.serial and seen.serial and drive.serial != seen.serial:
        return "its hardware is not the one it was known by (a clone)"
    return ""


@dataclass(frozen=True, slots=True)
class Tally:
    """How a number of copies stand."""

    states: Mapping[State, int]
    proven: int
    """Equal to what the card gave, read from the device itself."""
    oldest: datetime | None
    """Deciding evidence: the oldest and the newest of it."""
    newest: datetime | None
    future: bool
    """Some evidence is dated in the future, so its age is not known."""

    @property
    def copies(self) -> int:
        return sum(self.states.values())

    @property
    def matched(self) -> int:
        return self.states.get(State.MATCHED, 0)

    @property
    def bad(self) -> int:
        return sum(count for state, count in self.states.items() if state.is_bad)

    @property
    def doubtful(self) -> int:
        return self.states.get(State.DOUBTFUL, 0)


@dataclass(frozen=True, slots=True)
class DriveOverview:
    here: DriveHere
    place: DrivePlace
    tally: Tally
    rolls: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class RollOnDrive:
    here: DriveHere
    place: DrivePlace
    tally: Tally


@dataclass(frozen=True, slots=True)
class RollOverview:
    roll: Roll
    files: int
    bytes: int
    drives: tuple[RollOnDrive, ...]
    copies: int
    """Proven copies on devices shown to be separate, of the file that has the fewest; none of
    them on a drive that is dead or lost, or was and has not been read since, or whose hardware
    came in as another drive since."""
    finished: bool
    """No offload of it was cut off without a later one that ended."""

    @property
    def state(self) -> str:
        """problem, unfinished, unverified, one copy, or matched: the most urgent of them.

        What is on a drive that is dead or lost is no problem that anybody could mend.
        """
        if any(on.tally.bad or on.tally.doubtful for on in self.drives if not on.place.gone):
            return "problem"
        if not self.finished:
            return "unfinished"
        if self.files == 0 or self.copies == 0:
            return "unverified"
        return "one copy" if self.copies == 1 else "matched"


def drive_overviews(catalog: Catalog, now: datetime) -> tuple[DriveOverview, ...]:
    """Every known drive, by name."""
    states = _States(catalog, None)
    places = catalog.drive_places()
    overviews = []
    for here in drives_here(catalog):
        copies = states.by_drive.get(here.drive.id, [])
        rolls = {states.roll_of[copy.file_id] for copy in copies}
        overviews.append(
            DriveOverview(
                here,
                places[here.drive.id],
                states.tally(copies, now, here),
                tuple(sorted({f"{roll.production}/{roll.name}" for roll in rolls})),
            )
        )
    return tuple(sorted(overviews, key=lambda one: one.here.drive.name))


def roll_overviews(
    catalog: Catalog, rolls: Sequence[Roll], now: datetime
) -> tuple[RollOverview, ...]:
    """These rolls, in their order."""
    heres = {here.drive.id: here for here in drives_here(catalog)}
    places = catalog.drive_places()
    states = _States(catalog, rolls)
    finished: dict[int, bool] = {}
    for offload in sorted(catalog.offloads(rolls), key=lambda one: one.id):
        finished[offload.roll.id] = offload.end is not None
    overviews = []
    for roll in rolls:
        copies = states.by_roll.get(roll.id, [])
        files = states.files_of.get(roll.id, [])
        on: dict[int, list[Copy]] = defaultdict(list)
        good: dict[int, set[int]] = {file_id: set() for file_id, _ in files}
        for copy in copies:
            on[copy.drive_id].append(copy)
            here = heres[copy.drive_id]
            weak = copy_weakness(
                states.state[copy.id],
                local=here.is_local,
                place=places[copy.drive_id],
                now=now,
            )
            if weak is None and not here.formatted_since:
                good[copy.file_id].add(copy.drive_id)
        sets = {frozenset(drive_ids) for drive_ids in good.values()}
        fewest = min(
            (
                separate_devices(frozenset(heres[one].now for one in drive_ids))
                for drive_ids in sets
            ),
            default=0,
        )
        overviews.append(
            RollOverview(
                roll=roll,
                files=len(files),
                bytes=sum(size for _, size in files),
                drives=tuple(
                    RollOnDrive(
                        heres[drive_id], places[drive_id], states.tally(some, now, heres[drive_id])
                    )
                    for drive_id, some in sorted(on.items())
                ),
                copies=fewest,
                finished=finished.get(roll.id, True),
            )
        )
    return tuple(overviews)


class _States:
    """All copies of some rolls (or of all), with the state of each."""

    def __init__(self, catalog: Catalog, rolls: Sequence[Roll] | None) -> None:
        chosen = catalog.rolls() if rolls is None else tuple(rolls)
        by_id = {roll.id: roll for roll in chosen}
        files = catalog.files(chosen)
        copies = catalog.copies(rolls=chosen)
        looks = catalog.looks([copy.id for copy in copies])
        self.roll_of = {file.id: by_id[file.roll_id] for file in files}
        self.files_of: dict[int, list[tuple[int, int]]] = defaultdict(list)
        for file in files:
            self.files_of[file.roll_id].append((file.id, file.size))
        self.by_drive: dict[int, list[Copy]] = defaultdict(list)
        self.by_roll: dict[int, list[Copy]] = defaultdict(list)
        self.state: dict[int, CopyState] = {}
        for copy in copies:
            self.by_drive[copy.drive_id].append(copy)
            self.by_roll[self.roll_of[copy.file_id].id].append(copy)
            self.state[copy.id] = copy_state(looks.get(copy.id, ()))

    def tally(self, copies: Sequence[Copy], now: datetime, here: DriveHere) -> Tally:
        """How these copies stand, all on that drive, wherever it is."""
        states = [self.state[copy.id] for copy in copies]
        dates = [state.at for state in states if state.at is not None]
        return Tally(
            states=dict(Counter(state.state for state in states)),
            proven=sum(
                copy_weakness(state, local=here.is_local, place=None, now=now) is None
                for state in states
            ),
            oldest=min(dates, default=None),
            newest=max(dates, default=None),
            future=any(date > now for date in dates),
        )
