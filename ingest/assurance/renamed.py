"""A roll whose folder was renamed: found again by the hash lists that lie in it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping

from ingest.assurance.audit import Expected
from ingest.assurance.listed import ListedFolder

__all__ = ["folders_by_lists"]


def folders_by_lists(
    rolls: Mapping[str, Mapping[str, Expected]],
    lists: ListedFolder,
    taken: Collection[str] = (),
) -> dict[str, str]:
    """The folder, relative to the lists' root, that is each of these rolls by another name.

    `rolls`: by roll, its files by their path below its folder. A folder is a roll when its own
    lists name more than half of the roll's files, each with the same length and checksum, and none
    with another. That tells which folder to read, and nothing about what is in it. `taken`: folders
    that are some other roll. Pure.
    """
    named: defaultdict[str, dict[str, Expected]] = defaultdict(dict)
    for item, folder in zip(lists.items, lists.folders, strict=True):
        named[folder][item.path[len(folder) + 1 :] if folder else item.path] = item.expected
    free = {folder: files for folder, files in named.items() if folder not in taken}
    found: dict[str, str] = {}
    for roll, wanted in rolls.items():
        for folder, files in sorted(free.items()):
            agree = [_agree(one, files[path]) for path, one in wanted.items() if path in files]
            if all(agree) and 2 * len(agree) > len(wanted):
                found[roll] = folder
                del free[folder]
                break
    return found


def _agree(one: Expected, other: Expected) -> bool:
    both = one.digests.keys() & other.digests.keys()
    same_length = other.size is None or one.size == other.size
    return (
        same_length
        and bool(both)
        and all(one.digests[kind].lower() == other.digests[kind].lower() for kind in both - {"c4"})
        and ("c4" not in both or one.digests["c4"] == other.digests["c4"])
    )
