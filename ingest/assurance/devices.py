"""How many of some drives are different pieces of hardware. Pure; what can't be shown to be
different counts as the same."""

from __future__ import annotations

from functools import lru_cache
from itertools import combinations

from ingest.assurance.reuse_values import DriveNow
from ingest.drives import same_device

__all__ = ["separate_devices"]


def _different(one: DriveNow, other: DriveNow) -> bool:
    if one.volume is not None and other.volume is not None:
        return not same_device(one.volume, other.volume)
    serials = [
        drive.volume.serial if drive.volume is not None else drive.serial for drive in (one, other)
    ]
    return None not in serials and serials[0] != serials[1]


@lru_cache(maxsize=256)
def separate_devices(drives: frozenset[DriveNow]) -> int:
    """The most drives that can be picked with all physical devices different."""
    for count in range(len(drives), 1, -1):
        for chosen in combinations(drives, count):
            if all(_different(one, other) for one, other in combinations(chosen, 2)):
                return count
    return min(len(drives), 1)
