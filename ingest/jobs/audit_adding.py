"""Checksums of further kinds that an audit adds in its one read (`ingest audit --checksum`)."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from ingest.assurance.rereading.values import Checked, DriveTask
from ingest.catalog.catalog import Catalog
from ingest.catalog.records import Copy, Roll
from ingest.evidence import State
from ingest.jobs.audit_plan import AuditPlan

__all__ = ["Adding", "Estimate", "estimates"]


@dataclass(frozen=True, slots=True)
class Estimate:
    """Told before a drive is read to add a checksum: what that takes."""

    drive: str
    bytes: int
    speed: float | None
    """Bytes a second, as its last offload went; None: never measured."""


def estimates(catalog: Catalog, rolls: Sequence[Roll], plan: AuditPlan) -> Iterator[Estimate]:
    """One for each drive of the plan."""
    speeds: dict[str, float] = {}
    names = {drive.id: drive.name for drive in catalog.drives()}
    for offload in catalog.offloads(rolls):
        for on in offload.end.drives if offload.end is not None else ():
            if on.seconds > 0 and on.bytes:
                speeds[names[on.drive_id]] = on.bytes / on.seconds
    for shelf in plan.shelves:
        total = sum(item.expected.size or 0 for item in shelf.task.items)
        yield Estimate(shelf.task.name, total, speeds.get(shelf.task.name))


class Adding:
    """What one audit adds. The first digest of a file and kind stands; a copy that gives another
    one is no copy of it, whatever its weaker checksum says."""

    def __init__(self) -> None:
        self._first: dict[tuple[int, str], tuple[str, str]] = {}
        """By file id and kind: the digest, and the drive that it is from."""

    def take(
        self, finding: Checked, copy: Copy, task: DriveTask
    ) -> tuple[Mapping[str, str], Mapping[str, str], list[str]]:
        """The copy's digests of kinds that weren't known; those that this copy is the first to
        give; and what is wrong. Only of a copy that matched."""
        new: dict[str, str] = {}
        fresh: dict[str, str] = {}
        wrong: list[str] = []
        if finding.judged.state is not State.MATCHED:
            return new, fresh, wrong
        for kind in task.also:
            if kind in finding.item.expected.digests or kind not in finding.digests:
                continue
            digest = finding.digests[kind]
            known = self._first.setdefault((copy.file_id, kind), (digest, task.name))
            if known[0] != digest:
                wrong.append(f"its {kind} is another than that of the copy on {known[1]}")
                continue
            new[kind] = digest
            if known[1] == task.name:
                fresh[kind] = digest
        return new, fresh, wrong
