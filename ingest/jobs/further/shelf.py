"""What is known of some rolls, and where each file can be read now."""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Collection, Iterator, Sequence

from ingest import drives
from ingest.assurance.reuse import separate_devices
from ingest.assurance.sources import (
    Candidate,
    agreeing_lists,
    best_first,
    came_from_lists,
    claimed_against,
)
from ingest.assurance.state import CopyState, copy_state
from ingest.catalog.catalog import Catalog
from ingest.catalog.records import Copy, FileRecord, Look, Roll
from ingest.errors import BadDestination, NotKnown
from ingest.evidence import Against, State
from ingest.jobs.further.values import SourceCopy
from ingest.jobs.known import DriveHere, drives_here
from ingest.manifest.kept import kept_path
from ingest.names import shown

__all__ = ["Shelf", "folder_of", "here_by_name", "known_drives"]


def folder_of(copy: Copy, file: FileRecord) -> str | None:
    """The roll's folder on the drive: what stands before the file's own path. None when the copy
    doesn't lie in a folder of the roll."""
    path = kept_path(file.path)
    if copy.path == path:
        return ""
    return copy.path[: -len(path) - 1] if copy.path.endswith("/" + path) else None


class Shelf:
    """Files, copies and evidence of some rolls; `heres`: every known drive as it is now."""

    def __init__(self, catalog: Catalog, rolls: Sequence[Roll], heres: Sequence[DriveHere]) -> None:
        self.rolls = {roll.id: roll for roll in rolls}
        self.heres = {here.drive.id: here for here in heres}
        self.files: dict[int, list[FileRecord]] = defaultdict(list)
        self.file: dict[int, FileRecord] = {}
        for file in catalog.files(rolls):
            self.files[file.roll_id].append(file)
            self.file[file.id] = file
        self.copies: dict[int, list[Copy]] = defaultdict(list)
        every = catalog.copies(rolls=rolls)
        for copy in every:
            self.copies[copy.file_id].append(copy)
        self._looks = catalog.looks([copy.id for copy in every])
        self.state: dict[int, CopyState] = {
            copy.id: copy_state(self._looks[copy.id]) for copy in every
        }
        self._listed: set[int] = set()
        self._speed: dict[int, float] = {}
        for offload in catalog.offloads(rolls):
            if came_from_lists(offload):
                self._listed.add(offload.id)
            for on in offload.end.drives if offload.end is not None else ():
                if on.seconds > 0 and on.bytes:
                    self._speed[on.drive_id] = on.bytes / on.seconds

    def looks(self, copy: Copy) -> Sequence[Look]:
        return self._looks[copy.id]

    def from_lists(self, file: FileRecord) -> bool:
        """No card's read of it is known: its digest is what hash lists say."""
        return file.offload_id in self._listed

    def against(self, file: FileRecord, copy: Copy | None) -> Against:
        """What the file's digest is to a copy of it (None: one that is to be made)."""
        if not self.from_lists(file):
            return Against.CATALOG
        return Against.OTHER_LIST if copy is None else claimed_against(self.looks(copy))

    def lists_agreeing(self, file: FileRecord) -> int:
        """On how many drives the own list claims this file."""
        by_drive: dict[int, list[Look]] = defaultdict(list)
        for copy in self.copies[file.id]:
            by_drive[copy.drive_id] += self.looks(copy)
        return agreeing_lists(by_drive)

    def sources(
        self, file: FileRecord, *, besides: int | None, only: int | None
    ) -> tuple[SourceCopy, ...]:
        """Copies that can be read now, the best first. `besides`: a drive that is no source;
        `only`: the one drive that may be."""
        found: dict[int, SourceCopy] = {}
        for copy in self.copies[file.id]:
            here, folder = self.heres[copy.drive_id], folder_of(copy, file)
            if copy.drive_id == besides or only not in (None, copy.drive_id):
                continue
            if here.volume is None or here.doubt or folder is None:
                continue
            against = self.against(file, copy)
            found[copy.id] = SourceCopy(copy, here.drive, here.volume, folder, against)
        ranked = best_first(
            Candidate(
                copy_id,
                one.drive.name,
                self.state[copy_id],
                self._speed.get(one.drive.id, 0.0),
            )
            for copy_id, one in found.items()
        )
        return tuple(found[candidate.copy_id] for candidate in ranked)

    def away(self, file: FileRecord, besides: int | None) -> list[str]:
        """Names of drives that hold it and can't be read now."""
        return sorted(
            {
                here.drive.name
                for copy in self.copies[file.id]
                if copy.drive_id != besides
                and ((here := self.heres[copy.drive_id]).volume is None or here.doubt)
                and self.state[copy.id].state is not State.MISSING
            }
        )

    def holders(self, besides: int | None) -> Iterator[DriveHere]:
        """Mounted drives that hold a copy not known to be bad."""
        ids = {
            copy.drive_id
            for copies in self.copies.values()
            for copy in copies
            if copy.drive_id != besides and not self.state[copy.id].state.is_bad
        }
        for drive_id in sorted(ids):
            if self.heres[drive_id].volume is not None:
                yield self.heres[drive_id]

    def copies_of(self, roll: Roll) -> int:
        """Matched copies on devices not shown to be one, of the file that has the fewest."""
        sets = {
            frozenset(
                copy.drive_id
                for copy in self.copies[file.id]
                if self.state[copy.id].state is State.MATCHED
            )
            for file in self.files[roll.id]
        }
        return min(
            (separate_devices(frozenset(self.heres[one].now for one in ids)) for ids in sets),
            default=0,
        )


def here_by_name(catalog: Catalog, name: str, heres: Collection[DriveHere]) -> DriveHere:
    """The known drive that a name or folder means, mounted and surely itself.

    Raises NotKnown and BadDestination with what to do.
    """
    known = None if "/" in name else catalog.drive(name=name)
    found = None
    if known is not None:
        found = next((here for here in heres if here.drive.id == known.id), None)
    elif os.path.isdir(name):
        found = next((here for here in heres if here.seen and _same(here.seen.root, name)), None)
        if found is None and drives.recognise(os.path.realpath(name)) is not None:
            raise BadDestination(
                f"{shown(name)} carries the marker of a drive, but the catalog doesn't know it, "
                "or it is mounted twice.",
                do="unmount the other one; or ingest rebuild reads its hash lists",
            )
    if found is None:
        raise NotKnown(
            f"The catalog knows no drive {shown(name)}.", do="ingest drives shows what is known"
        )
    if found.seen is None or found.volume is None:
        raise BadDestination(
            f"{shown(found.drive.name)} is not mounted.", do="plug it in and try again"
        )
    if found.doubt:
        raise BadDestination(
            f"{shown(found.seen.root)} is marked as {shown(found.drive.name)}, but {found.doubt}.",
            do=f"plug in the real {shown(found.drive.name)}, and unmount this one",
        )
    return found


def _same(one: str, other: str) -> bool:
    try:
        return os.path.samefile(one, other)
    except OSError:
        return False


def known_drives(catalog: Catalog, names: Sequence[str]) -> tuple[DriveHere, ...]:
    """Every known drive; folders among `names` are looked at besides the usual places."""
    return drives_here(catalog, [name for name in names if os.path.isdir(name)])
