"""Drives: how the copies of a report stand on each, and which of them are one device."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from fractions import Fraction
from typing import TYPE_CHECKING, TypedDict

from ingest.assurance.worth import Weakness, is_local
from ingest.report.facts import CopyLine, DriveLine, FileLine, RollLine
from ingest.report.pace import Leg, say_pace
from ingest.wording import natural

if TYPE_CHECKING:
    from ingest.catalog.custody_records import DrivePlace
    from ingest.catalog.records import Drive, DriveSeen, Offload

__all__ = ["DrivesNow", "device_keys", "gather_drives", "with_own_names"]


@dataclass(frozen=True, slots=True)
class DrivesNow:
    """What is known of the drives beyond their copies, by marker."""

    mounted: Mapping[str, DriveSeen] = field(default_factory=dict)
    """Those plugged in now."""
    free: Mapping[str, int] = field(default_factory=dict)
    """Bytes that may still be written, of those plugged in."""
    local: Collection[str] = ()
    """Those plugged in that are devices of this machine, and no shares."""
    where: Mapping[str, str] = field(default_factory=dict)
    """In words: the place or bag that each is said to be in, or in transit."""

    def is_local(self, drive: Drive) -> bool:
        """As `ingest.assurance.worth.is_local` says."""
        if drive.marker in self.mounted:
            return drive.marker in self.local
        return is_local(drive.serial, None)


def device_keys(drives: Iterable[Drive]) -> Mapping[int, str]:
    """Drive id to a text that is equal for drives on one physical device, empty when unknown.

    Equal device texts or equal serials are one device; unknown is never shown to be separate.
    """
    keys: dict[int, str] = {}
    by_serial: dict[str, str] = {}
    by_text: dict[str, str] = {}
    for drive in sorted(drives, key=lambda drive: drive.id):
        text = drive.device.strip()
        if not text or text.casefold().startswith("unknown"):
            keys[drive.id] = ""
            continue
        serial = (drive.serial or "").strip()
        key = by_text.get(text) or (by_serial.get(serial) if serial else None) or text
        by_text.setdefault(text, key)
        if serial:
            other = by_serial.setdefault(serial, key)
            if other != key:  # this drive shows that two devices known so far are one
                for held in (keys, by_text, by_serial):
                    _rename(held, key, other)
                key = other
        keys[drive.id] = key
    return keys


def with_own_names(drives: Sequence[Drive]) -> Mapping[int, Drive]:
    """Drives by id; those that share a name get the start of their marker behind it."""
    names = Counter(drive.name for drive in drives)
    return {
        drive.id: drive
        if names[drive.name] == 1
        else replace(drive, name=f"{drive.name} ({drive.marker[:8]})")
        for drive in drives
    }


def _rename(held: dict[int, str] | dict[str, str], old: str, new: str) -> None:
    for name, key in list(held.items()):
        if key == old:
            held[name] = new  # type: ignore[index]


def gather_drives(
    files: Sequence[FileLine],
    drives: Mapping[int, Drive],
    keys: Mapping[int, str],
    offloads: Sequence[Offload],
    rolls: Sequence[RollLine],
    places: Mapping[int, DrivePlace],
    here: DrivesNow,
) -> tuple[DriveLine, ...]:
    """The drives that hold a copy of any of the files, by name."""
    held: defaultdict[str, list[tuple[CopyLine, FileLine]]] = defaultdict(list)
    for file in files:
        for copy in file.copies:
            held[copy.drive].append((copy, file))
    read = {roll.name: roll.card_read for roll in rolls}
    lines = []
    for drive in sorted(drives.values(), key=lambda drive: natural(drive.name)):
        if not (its := held[drive.name]):
            continue
        tally = _tally([copy for copy, _ in its])
        reads = [read.get(name, 0) for name in {file.roll for _, file in its}]
        now = here.mounted.get(drive.marker)
        legs = _legs(drive, offloads)
        seconds = sum((Fraction(leg.seconds) for leg in legs), Fraction(0))
        lines.append(
            DriveLine(
                name=drive.name,
                device=drive.device if keys[drive.id] else "",
                device_key=keys[drive.id],
                fs_type=drive.fs_type,
                root=now.root if now else drive.root,
                mounted=now is not None,
                bytes=sum(file.size for _, file in its),
                speed=Fraction(sum(leg.bytes for leg in legs)) / seconds if seconds > 0 else None,
                pace=say_pace(legs),
                free=here.free.get(drive.marker) if now else None,
                where=here.where.get(drive.marker, ""),
                gone=places[drive.id].gone,
                once=sum(each == 1 for each in reads),
                twice=sum(each > 1 for each in reads),
                **tally,
            )
        )
    return tuple(lines)


class _Tally(TypedDict):
    copies: int
    proven: int
    cached: int
    own_list: int
    bad: int
    waiting: int
    discounted: int
    oldest: datetime | None
    newest: datetime | None


def _tally(copies: Sequence[CopyLine]) -> _Tally:
    times = [copy.at for copy in copies if copy.at is not None]
    weak = Counter(copy.weak for copy in copies)
    return _Tally(
        copies=len(copies),
        proven=weak[None],
        cached=weak[Weakness.CACHED],
        own_list=weak[Weakness.OWN_LIST],
        bad=weak[Weakness.BAD],
        waiting=weak[Weakness.UNREAD] + weak[Weakness.DOUBTFUL] + weak[Weakness.FUTURE],
        discounted=weak[Weakness.GONE],
        oldest=min(times, default=None),
        newest=max(times, default=None),
    )


def _legs(drive: Drive, offloads: Sequence[Offload]) -> list[Leg]:
    return [
        Leg(offload.started, part.seconds, part.bytes, part.pace)
        for offload in offloads
        if offload.end
        for part in offload.end.drives
        if part.drive_id == drive.id
    ]
