"""The drive that is filled: which it is, what speaks against it, and holding it."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager

from ingest import drives
from ingest.catalog.catalog import Catalog
from ingest.copying.plan import check_places, inside
from ingest.drives import DriveSeen, Volume
from ingest.errors import BadDestination, Unfinished
from ingest.jobs.further.shelf import here_by_name
from ingest.jobs.further.values import Target
from ingest.jobs.known import DriveHere
from ingest.jobs.marking import mark_drives
from ingest.names import shown
from ingest.platforms import posix_files

__all__ = ["check_target", "find_target", "opened", "register"]


def find_target(catalog: Catalog, name: str, heres: Sequence[DriveHere]) -> Target:
    """The drive that a folder or a known name means. Raises NotKnown or BadDestination."""
    if os.path.isdir(name):
        volume = drives.look_at(name)
        seen = drives.recognise(volume.root)
        if seen is None:
            return Target(os.path.basename(volume.root.rstrip("/")) or "drive", volume, None)
        known = [here for here in heres if here.drive.marker == seen.marker]
        if not known:
            return Target(seen.name, volume, None)
    here = here_by_name(catalog, name, heres)
    assert here.volume is not None
    return Target(here.drive.name, here.volume, here.drive)


def check_target(
    target: Target, holders: Iterable[DriveHere], *, same_drive_ok: bool, system_disk_ok: bool
) -> None:
    """Refuse a drive on which a further copy would be worth nothing or would do harm, before a
    byte is written. Raises BadDestination."""
    for holder in holders:
        assert holder.volume is not None
        source, volume = holder.volume, target.volume
        one, other = shown(volume.root), shown(source.root)
        if inside(volume.root, source.root) or inside(source.root, volume.root):
            raise BadDestination(
                f"{one} and {other} lie inside one another.", do="name another drive"
            )
        if drives.same_device(volume, source) and not same_drive_ok:
            raise BadDestination(
                f"{one} and {other} are on one physical device, as far as can be told "
                f"({shown(volume.device)}): if it dies, both copies are gone.",
                do="name another drive, or say --same-drive-ok (the two then count as one copy)",
            )
        check_places(source, [volume], same_drive_ok=same_drive_ok, system_disk_ok=system_disk_ok)


def register(catalog: Catalog, target: Target) -> DriveSeen:
    """The drive with its marker, written where it has none. Raises BadDestination, also when
    another drive stands there by now."""
    now = drives.look_at(target.volume.root)
    if (now.st_dev, now.mount) != (target.volume.st_dev, target.volume.mount):
        raise BadDestination(
            f"{shown(target.volume.root)} is not the drive any more that it was a moment ago.",
            do="check that it is plugged in and mounted, then run the same command again",
        )
    (seen,) = mark_drives(catalog, [(target.volume.root, target.name)])
    return seen


@contextmanager
def opened(volume: Volume) -> Iterator[int]:
    """A handle of the drive's root. Raises Unfinished."""
    try:
        root = os.open(volume.root, posix_files.ROOT)
    except OSError as error:
        raise Unfinished(
            f"{shown(volume.root)} can't be opened: {error.strerror or error}.",
            do="check that it is plugged in and mounted, then run the same command again",
        ) from error
    try:
        yield root
    finally:
        os.close(root)
