"""A corrected roll's folder renamed on a drive, and nothing in it touched.

What that means for the hash lists, by ASC MHL v1.0: the paths in a manifest are relative to its
scope, the roll's folder (5.3), and no directory hash takes in the name of the root itself
(Appendix G), so every recorded path and digest stays true. Manifests keep the names that they were
made with, which hold the folder's name of that day (6.3), and the chain refers to them by their
bare names (7.4.2), so nothing in `ascmhl` is touched; the next generation bears the new name.
`previousPath` is for what is renamed inside a scope (5.6.6), which this is not. But a history in
a folder above would be: then the folder keeps its name.

Order, for one folder: the roll's lock → rename without replacing → flush both folders above → the
copies' paths in the catalog → the lock let go. A crash right after the rename leaves a folder
under its new name and the old paths in the catalog; `settle` looks at every file there by length
and samples before it believes that.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from enum import Enum

from ingest import platforms
from ingest.catalog.catalog import Catalog
from ingest.catalog.custody_records import Move
from ingest.catalog.records import Observer, Roll
from ingest.copying.reading import open_root, sample_in
from ingest.copying.roll_folder import RollFolder
from ingest.copying.tree import Tree, split
from ingest.copying.values import Destination
from ingest.drives import Volume
from ingest.errors import BadDestination, IngestError, Unfinished
from ingest.jobs.known import DriveHere, drives_here
from ingest.manifest.kept import kept_path
from ingest.manifest.model import HISTORY_FOLDER
from ingest.names import shown, typed

__all__ = ["Held", "Kind", "Moved", "Obstacle", "folders_of", "hold", "obstacle", "settle"]


@dataclass(frozen=True, slots=True)
class Moved:
    """What became of one folder."""

    drive: str
    move: Move
    trouble: str = ""
    """Why it keeps its old name, or empty."""
    do: str = ""
    away: bool = False
    """The drive is not here: it is renamed when it is next seen."""


class Held:
    """One folder that is to be renamed, under its lock."""

    def __init__(self, here: DriveHere, move: Move, root: int, folder: RollFolder) -> None:
        self.here, self.move = here, move
        self._root, self._folder = root, folder

    def rename(self) -> None:
        """Rename the folder and flush what holds it. Raises Unfinished when the drive refuses."""
        above, name = split(self.move.origin)
        above_wanted, wanted = split(self.move.wanted)
        try:
            with Tree(self._root) as tree:
                handle, made = tree.make_folder(above_wanted)
                target = os.dup(handle)
                try:
                    source = tree.folder(above)
                    # A folder never takes the place of a file, nor of a folder that holds anything.
                    os.rename(name, wanted, src_dir_fd=source, dst_dir_fd=target)
                    platforms.flush(target)
                    platforms.flush(source)
                finally:
                    os.close(target)
                for folder in made:
                    platforms.flush(tree.folder(folder))
        except OSError as error:
            raise Unfinished(
                f"{shown(self.here.drive.name)}: {shown(self.move.origin)} could not be renamed: "
                f"{error.strerror or error}.",
                do="check the drive; it is renamed when it is next seen",
            ) from error

    def release(self) -> None:
        """Let go of the lock. The journal of an offload that was cut off stays for it."""
        self._folder.release(complete=not self._folder.earlier)


class Kind(Enum):
    """What stands in the way of renaming a folder."""

    AWAY = "away"
    NOW = "now"
    """Something about the drive that passes."""
    TAKEN = "taken"
    """Something else lies at the new place."""
    LISTED = "listed"
    """A hash list above names this folder: it keeps its name for good."""


@dataclass(frozen=True, slots=True)
class Obstacle:
    kind: Kind
    what: str
    do: str


def obstacle(here: DriveHere, move: Move) -> Obstacle | None:
    """Why the folder can't be renamed now and what to do about it, or None."""
    if here.volume is None:
        return Obstacle(
            Kind.AWAY, "it is not mounted", "plug it in; it is renamed when it is next seen"
        )
    if here.doubt:
        return Obstacle(Kind.NOW, here.doubt, "look which drive it is")
    if here.volume.read_only:
        return Obstacle(Kind.NOW, "it is read-only", "open its lock switch, then plug it in again")
    try:
        return _in_the_way(here.volume, here.drive.name, move)
    except OSError as error:
        return Obstacle(Kind.NOW, error.strerror or str(error), "check the drive and its cable")


def _in_the_way(volume: Volume, drive: str, move: Move) -> Obstacle | None:
    root = open_root(volume.root)
    try:
        with Tree(root) as tree:
            there = _stat(tree, move.wanted)
            origin = _stat(tree, move.origin)
            if origin is None:
                what = f"there is no folder {shown(move.origin)}"
                return Obstacle(Kind.NOW, what, f"ingest audit {typed(drive)} says what is missing")
            if there is not None and not os.path.samestat(there, origin):
                what = f"something lies at {shown(move.wanted)} already"
                return Obstacle(
                    Kind.TAKEN, what, "look what it is, and move it away if nobody needs it"
                )
            for above in _above(move.origin):
                if _stat(tree, f"{above}/{HISTORY_FOLDER}" if above else HISTORY_FOLDER):
                    where = shown(above) or "its top folder"
                    what = f"a hash list in {where} knows this folder by its name"
                    return Obstacle(
                        Kind.LISTED, what, "leave it: the catalog is right, and so is that list"
                    )
    finally:
        os.close(root)
    return None


@contextmanager
def hold(here: DriveHere, move: Move, run: str, *, take_over: bool = False) -> Iterator[Held]:
    """The folder under the roll's lock. Raises BadDestination when an offload runs there."""
    assert here.volume is not None
    with ExitStack() as stack:
        root = open_root(here.volume.root)
        stack.callback(os.close, root)
        place = Destination(here.drive.name, here.volume, move.origin, False)
        folder = RollFolder(root, place, run, take_over=take_over)
        held = Held(here, move, root, folder)
        stack.callback(held.release)
        yield held


def folders_of(catalog: Catalog, roll: Roll) -> dict[tuple[int, str], str]:
    """The roll's folders on all drives, by the drive's id and what each is called now: what it is
    to be called, where a correction is still owed on a drive that is away. Copies that stand apart
    from the others' places are left out."""
    owed = {(move.drive_id, move.origin): move.wanted for move in catalog.moves_owed()}
    paths = {file.id: kept_path(file.path) for file in catalog.files([roll])}
    found: dict[tuple[int, str], str] = {}
    for copy in catalog.copies(rolls=[roll]):
        path = paths[copy.file_id]
        if copy.path.endswith("/" + path):
            key = (copy.drive_id, copy.path[: -len(path) - 1])
            found[key] = owed.get(key, key[1])
    return found


def settle(
    catalog: Catalog,
    observer: Observer,
    new_run: Callable[[], str],
    places: Sequence[str] = (),
) -> tuple[Moved, ...]:
    """Rename what is owed on the drives that are here now. `places`: folders to look at besides
    the usual ones. Trouble is told, not raised: the footage is no worse for an old name."""
    owed = catalog.moves_owed()
    if not owed:
        return ()
    heres = {here.drive.id: here for here in drives_here(catalog, places)}
    done = []
    for move in owed:
        here = heres[move.drive_id]
        if here.volume is None:
            continue
        name = here.drive.name
        try:
            if _was_renamed(catalog, here.volume, move):
                catalog.record_moved(move, observer)
                done.append(Moved(name, move))
                continue
            if found := obstacle(here, move):
                done.append(Moved(name, move, found.what, found.do))
                continue
            with hold(here, move, new_run()) as held:
                held.rename()
                catalog.record_moved(move, observer)
            done.append(Moved(name, move))
        except BadDestination as error:
            done.append(Moved(name, move, error.what, error.do))
        except (OSError, Unfinished) as error:
            what = error.what if isinstance(error, IngestError) else error.strerror or str(error)
            done.append(Moved(name, move, what, "check the drive, then plug it in again"))
    return tuple(done)


def _was_renamed(catalog: Catalog, volume: Volume, move: Move) -> bool:
    """Whether a run renamed the folder and was cut off before the catalog knew: the old name is
    gone, and every file that is known there lies under the new one, by length and samples."""
    roll = catalog.roll_by_id(move.roll_id)
    records = {file.id: file for file in catalog.files([roll])}
    copies = [
        copy
        for copy in catalog.copies(rolls=[roll], drive_id=move.drive_id)
        if copy.path.startswith(move.origin + "/")
    ]
    root = open_root(volume.root)
    try:
        with Tree(root) as tree:
            if _stat(tree, move.origin) is not None or _stat(tree, move.wanted) is None:
                return False
            for copy in copies:
                place = move.wanted + copy.path[len(move.origin) :]
                record = records[copy.file_id]
                there = _stat(tree, place)
                if there is None or there.st_size != record.size:
                    return False
                if sample_in(tree, place, volume.fs_type) != record.samples:
                    return False
    finally:
        os.close(root)
    return bool(copies)


def _stat(tree: Tree, path: str) -> os.stat_result | None:
    try:
        return tree.stat(path)
    except (FileNotFoundError, NotADirectoryError):
        return None


def _above(path: str) -> Iterator[str]:
    while path:
        path = split(path)[0]
        yield path
