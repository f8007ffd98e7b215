"""Papers that were handed out: which names they bear, and which of them are no longer so.

A proof or report names rolls and folders as they were when it was made. A roll corrected since
(`ingest rolls set`) makes it point to a folder that is not there any more; nothing in it is wrong
about the footage, but whoever checks by it finds nothing.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from ingest.catalog.catalog import Catalog
from ingest.catalog.custody_records import About, Change
from ingest.catalog.records import Observer, Roll
from ingest.jobs.custody.moving import folders_of
from ingest.wording import moment, whole

__all__ = [
    "OldName",
    "Outdated",
    "PaperKind",
    "note_handed_out",
    "outdated",
    "outdated_document",
    "outdated_lines",
]


class PaperKind(StrEnum):
    PROOF = "proof"
    REPORT = "report"


@dataclass(frozen=True, slots=True)
class OldName:
    """A roll's name, or a folder of it, and what that is called now."""

    was: str
    now: str


@dataclass(frozen=True, slots=True)
class Outdated:
    """A paper that bears names of before a correction."""

    kind: PaperKind
    place: str
    """The folder that it was written to."""
    at: datetime
    names: tuple[OldName, ...]


def note_handed_out(
    catalog: Catalog, observer: Observer, kind: PaperKind, place: str, rolls: Sequence[Roll]
) -> None:
    """Write down that this paper was written, with the names that these rolls bear in it."""
    named = {
        str(roll.id): {"name": roll.name, "folders": sorted(_folders(catalog, roll))}
        for roll in rolls
    }
    subject = os.path.abspath(place)
    catalog.note_change(observer, About.PAPER, subject, kind.value, {"rolls": named})


def outdated(catalog: Catalog, rolls: Sequence[Roll]) -> tuple[Outdated, ...]:
    """Papers in which one of these rolls bears another name than now, oldest first. Of several
    written to one place the last counts: the others are gone."""
    last = {change.subject: change for change in catalog.changes(About.PAPER)}
    folders = {roll.id: _folders(catalog, roll) for roll in rolls} if last else {}
    found = []
    for change in last.values():
        names = tuple(
            dict.fromkeys(
                name for roll in rolls for name in _old_names(change, roll, folders[roll.id])
            )
        )
        if names:
            found.append(Outdated(PaperKind(change.what), change.subject, change.at, names))
    return tuple(found)


def _folders(catalog: Catalog, roll: Roll) -> frozenset[str]:
    return frozenset(folders_of(catalog, roll).values())


def _old_names(change: Change, roll: Roll, folders: frozenset[str]) -> Sequence[OldName]:
    rolls = change.value.get("rolls")
    told = rolls.get(str(roll.id)) if isinstance(rolls, Mapping) else None
    if not isinstance(told, Mapping):
        return ()
    before = frozenset(map(str, told.get("folders", ())))
    gone, come = sorted(before - folders), sorted(folders - before)
    if gone:
        # Folders that changed in the same way on several drives are one change.
        return [OldName(was, now) for was, now in zip(gone, come, strict=False)]
    name = str(told.get("name", roll.name))
    return [OldName(name, roll.name)] if name != roll.name else ()


def outdated_document(papers: Sequence[Outdated]) -> list[dict[str, object]]:
    return [
        {
            "kind": str(one.kind),
            "folder": one.place,
            "at": one.at.isoformat(),
            "names": [{"was": name.was, "now": name.now} for name in one.names],
        }
        for one in papers
    ]


def outdated_lines(papers: Sequence[Outdated], *, instead: bool = False) -> list[str]:
    """Each paper, the names in it that are no longer so, and what to do. `instead`: what takes
    its place was just made."""
    lines = []
    for one in papers:
        lines.append(f"! The {one.kind} of {moment(one.at)} has old names: {whole(one.place)}")
        lines += [f"    {whole(name.was)} is called {whole(name.now)} now" for name in one.names]
        if instead:
            lines.append(f"  Do: send this {one.kind} in its place")
        elif one.kind is PaperKind.PROOF:
            lines.append("  Do: make another (ingest proof --out NEW) and send it in its place")
        else:
            lines.append(f"  Do: ingest report --out {whole(one.place)} writes it anew")
    return lines
