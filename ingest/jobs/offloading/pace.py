"""How fast a drive took bytes, in the course of a run and against its own past. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from statistics import median

from ingest.catalog.records import Offload
from ingest.wording import size

__all__ = ["Meter", "past_rates", "said_slower", "seconds_needed"]

_WORTH = 1_000_000_000
_SLOW = 0.6
_USUAL = 100_000_000
_POINTS = 200


@dataclass(slots=True)
class Meter:
    """The course of one drive in one run, kept to a bounded number of points."""

    every: float = 0.5
    """Seconds between two points; doubled whenever there get to be too many."""
    points: list[tuple[float, int]] = field(default_factory=list)

    def note(self, seconds: float, count: int) -> None:
        """`count` bytes were done at so many seconds since the start."""
        if self.points and seconds - self.points[-1][0] < self.every:
            return
        self.points.append((round(seconds, 3), count))
        if len(self.points) > _POINTS:
            del self.points[1::2]
            self.every *= 2


def past_rates(offloads: Sequence[Offload]) -> Mapping[int, float]:
    """Bytes a second of each drive (by id): the median of its offloads of 1 GB and more."""
    rates: dict[int, list[float]] = {}
    for offload in offloads:
        for drive in offload.end.drives if offload.end is not None else ():
            if drive.bytes >= _WORTH and drive.seconds > 0:
                rates.setdefault(drive.drive_id, []).append(drive.bytes / drive.seconds)
    return {drive_id: median(known) for drive_id, known in rates.items()}


def said_slower(count: int, seconds: float, past: float | None) -> str:
    """A sentence when a drive was much slower than it used to be, else empty. `count` in bytes,
    `past` in bytes a second."""
    if past is None or count < _WORTH or seconds <= 0 or count / seconds >= _SLOW * past:
        return ""
    return (
        f"took {size(int(count / seconds))}/s, and {size(int(past))}/s before: "
        "the card, the cable, or the drive itself"
    )


def seconds_needed(count: int, pasts: Sequence[float | None]) -> float:
    """About how long `count` bytes take at the slowest drive's past rate (100 MB/s unknown)."""
    known = [past for past in pasts if past is not None]
    return count / min([*known, _USUAL] if len(known) < len(pasts) else known)
