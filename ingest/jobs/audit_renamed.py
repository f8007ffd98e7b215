"""Rolls whose folder somebody renamed: every file is missing, and they lie beside it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping

from ingest.assurance.audit import Expected
from ingest.assurance.listed import read_lists
from ingest.assurance.renamed import folders_by_lists
from ingest.errors import IngestError
from ingest.jobs.audit_plan import Shelf

__all__ = ["renamed_folders"]


def renamed_folders(shelf: Shelf, gone: Collection[str]) -> Mapping[str, str]:
    """Of the roll folders `gone` from a drive, what each is called there now, by the hash lists in
    it. One that no list tells is left out, and so are all where the drive can't be read any more.
    """
    lost: defaultdict[str, dict[str, Expected]] = defaultdict(dict)
    for item in shelf.task.items:
        folder = shelf.places[item.key].folder
        if folder and folder in gone:
            lost[folder][item.path[len(folder) + 1 :]] = item.expected
    if not lost:
        return {}
    try:
        lists = read_lists(shelf.task.volume.root)
    except (OSError, IngestError):
        return {}
    known = {one.folder for one in (*shelf.places, *shelf.read_before) if one.copy is not None}
    return folders_by_lists(lost, lists, known)
