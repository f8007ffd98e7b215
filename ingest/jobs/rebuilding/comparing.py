"""What the lists of all drives come to, file by file. Pure."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence

from ingest.assurance.sources import Claim, variants
from ingest.catalog.records import FileRecord
from ingest.evidence import Against
from ingest.jobs.further.lists import DriveLists, ListedRoll
from ingest.jobs.rebuilding.values import ClaimHere, Difference, RollFolders

__all__ = ["agree", "claims_of", "compared", "is_absent", "rolls_of", "unlisted_copies"]


def rolls_of(seen: Sequence[DriveLists]) -> Iterator[RollFolders]:
    """The rolls that lie on these drives, each with its folders on all of them."""
    by_name: dict[tuple[str, str], list[tuple[DriveLists, ListedRoll]]] = defaultdict(list)
    for drive in seen:
        for folder in drive.folders:
            assert folder.place.production is not None and folder.place.roll is not None
            key = folder.place.production, folder.place.roll.casefold()
            by_name[key].append((drive, folder))
    for folders in by_name.values():
        yield RollFolders(folders[0][1].place, tuple(folders))


def claims_of(roll: RollFolders) -> dict[str, list[ClaimHere]]:
    """What the lists in the roll's own folders say, by path."""
    by_path: dict[str, list[ClaimHere]] = defaultdict(list)
    for drive, folder in roll.folders:
        for path, listed in folder.files.items():
            by_path[path].append(ClaimHere(drive, folder.folder, listed, Against.OWN_LIST))
    return by_path


def compared(
    roll: RollFolders, path: str, heres: Sequence[ClaimHere], before: Sequence[FileRecord]
) -> tuple[list[list[ClaimHere]], Difference | None]:
    """The claims of one path in groups that agree, and how they differ where they do: from each
    other, or from what the catalog had `before`."""
    claims = [Claim(one.drive.name, one.listed.size, one.listed.digests) for one in heres]
    groups = variants(claims)
    told = [(one.drive, one.size, one.digests) for one in claims]
    told += [
        ("the catalog", one.size, one.digests)
        for one in before
        if not any(agree(one, claim.size, claim.digests) for claim in claims)
    ]
    difference = None
    if len(groups) > 1 or len(told) > len(claims):
        kinds = [set(digests) for _, _, digests in told]
        sizes = {size for _, size, _ in told}
        difference = Difference(
            roll.place.production or "",
            roll.place.roll or "",
            path,
            tuple(told),
            comparable=len(sizes) > 1 or bool(set.intersection(*kinds)),
        )
    left = list(zip(claims, heres, strict=True))
    return [
        [here for claim, here in left if any(claim is one for one in group)] for group in groups
    ], difference


def unlisted_copies(
    roll: RollFolders, path: str, heres: Sequence[ClaimHere], seen: Sequence[DriveLists]
) -> list[ClaimHere]:
    """Copies of the file that lie where its roll lies, on drives whose own lists don't name it."""
    found = []
    listed = heres[0].listed
    places = {folder.folder for _, folder in roll.folders}
    taken = {(one.drive.seen.marker, one.folder) for one in heres}
    for drive in seen:
        for folder in sorted(places):
            place = f"{folder}/{path}" if folder else path
            there = drive.there.get(place)
            if (drive.seen.marker, folder) in taken or there is None:
                continue
            if there.size == listed.size:
                found.append(ClaimHere(drive, folder, listed, Against.OTHER_LIST))
    return found


def is_absent(drive: DriveLists, path: str) -> bool:
    """Whether a file is known not to be there."""
    return path not in drive.there and not any(
        path == folder or path.startswith(f"{folder}/") or not folder for folder in drive.unread
    )


def agree(record: FileRecord, size: int, digests: Mapping[str, str]) -> bool:
    """Whether a file of the catalog is what a list says: the same length, and every digest of a
    kind in common, of which there is one."""
    common = record.digests.keys() & digests.keys()
    same = bool(common) and all(record.digests[kind] == digests[kind] for kind in common)
    return record.size == size and same
