"""Which drives an audit is asked for, and whether they are here and surely the ones they say."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass

from ingest import drives as drive_finding
from ingest.assurance.listed import ListedFolder, read_lists
from ingest.catalog.catalog import Catalog
from ingest.errors import BadDestination, NotKnown
from ingest.jobs.known import DriveHere, drives_here
from ingest.names import shown

__all__ = ["Chosen", "Targets", "choose", "lies_in"]


@dataclass(frozen=True, slots=True)
class Chosen:
    here: DriveHere
    below: str
    """Only what lies in this folder of it; empty: all."""


@dataclass(frozen=True, slots=True)
class Targets:
    chosen: tuple[Chosen, ...]
    """To be audited by the catalog."""
    listed: tuple[ListedFolder, ...] = ()
    """To be audited by their own hash lists."""
    away: tuple[str, ...] = ()
    """Known drives that are not mounted, when none was named."""


def choose(catalog: Catalog, targets: Sequence[str], *, by_lists: bool = False) -> Targets:
    """What is to be audited. `by_lists`: by the drives' own hash lists, whatever the catalog
    knows.

    Raises NotKnown and BadDestination, with what to plug in or unmount.
    """
    folders = [target for target in targets if _is_folder(target)]
    heres = drives_here(catalog, [root for root in map(_marked_root, folders) if root])
    if not targets:
        mounted = [Chosen(here, "") for here in heres if here.volume is not None]
        if not mounted:
            raise BadDestination(
                "No drive that the catalog knows is mounted.",
                do="plug one in, or name a folder on it (ingest drives shows them all)",
            )
        away = tuple(here.drive.name for here in heres if here.volume is None)
        trusted = tuple(map(_trusted, mounted))
        if by_lists:
            return Targets((), tuple(read_lists(_place(one)) for one in trusted), away)
        return Targets(trusted, away=away)
    by_id = {here.drive.id: here for here in heres}
    chosen: dict[tuple[int, str], Chosen] = {}
    listed: dict[str, ListedFolder] = {}
    for target in targets:
        named = None if "/" in target else catalog.drive(name=target)
        one = Chosen(by_id[named.id], "") if named is not None else _by_folder(target, heres)
        if one is None:
            lists = read_lists(target)
            if not lists.items and not lists.problems:
                raise NotKnown(
                    f"The catalog knows nothing of {shown(target)}, and no hash list lies there.",
                    do="name a drive that an offload of this catalog wrote (ingest drives)",
                )
            listed[lists.volume.root] = lists
            continue
        chosen[one.here.drive.id, one.below] = _trusted(_mounted(one))
    whole = {drive_id for drive_id, below in chosen if not below}
    kept = [one for (drive_id, below), one in chosen.items() if not below or drive_id not in whole]
    if by_lists:
        return Targets((), (*(read_lists(_place(one)) for one in kept), *listed.values()))
    return Targets(tuple(kept), tuple(listed.values()))


def _place(one: Chosen) -> str:
    assert one.here.volume is not None
    return os.path.join(one.here.volume.root, one.below) if one.below else one.here.volume.root


def _is_folder(target: str) -> bool:
    return os.path.isdir(target)


def _marked_root(folder: str) -> str | None:
    """The folder itself, or the nearest one above it, that carries a drive's marker."""
    place = os.path.realpath(folder)
    while True:
        if os.path.lexists(os.path.join(place, drive_finding.MARKER)):
            return place
        above = os.path.dirname(place)
        if above == place:
            return None
        place = above


def _by_folder(target: str, heres: Sequence[DriveHere]) -> Chosen | None:
    """None: a folder that the catalog knows nothing of."""
    if not _is_folder(target):
        if os.path.lexists(target):
            raise BadDestination(f"{shown(target)} is a file, not a drive or folder.")
        raise NotKnown(
            f"No drive is known as {shown(target)}, and there is no folder of that name.",
            do="ingest drives shows what is known; or plug the drive in and name its folder",
        )
    place = os.path.realpath(target)
    root = _marked_root(target)
    for here in heres:
        if root is not None and here.seen is not None and os.path.samefile(here.seen.root, root):
            below = os.path.relpath(place, root)
            return Chosen(here, "" if below == "." else below)
    seen = drive_finding.recognise(root) if root is not None else None
    if seen is not None and any(here.drive.marker == seen.marker for here in heres):
        raise BadDestination(
            f"{shown(seen.name)} is mounted twice: {shown(target)} is one of two places that "
            "carry its identity.",
            do="unmount the copy, then run the same command again",
        )
    return None


def _mounted(one: Chosen) -> Chosen:
    if one.here.volume is None:
        raise BadDestination(
            f"{shown(one.here.drive.name)} is not mounted (last seen at "
            f"{shown(one.here.drive.root)}).",
            do=f"plug in {shown(one.here.drive.name)} and run the same command again; "
            "when it is mounted in two places, unmount one",
        )
    return one


def _trusted(one: Chosen) -> Chosen:
    if one.here.doubt and one.here.seen is not None:
        raise BadDestination(
            f"{shown(one.here.seen.root)} is marked as {shown(one.here.drive.name)}, but "
            f"{one.here.doubt}.",
            do=f"plug in the real {shown(one.here.drive.name)}, and unmount this one",
            dont="count on what is on it",
        )
    return one


def lies_in(path: str, chosen: Chosen) -> bool:
    """Whether a path on the drive lies in what was chosen of it."""
    return not chosen.below or path == chosen.below or path.startswith(chosen.below + "/")
