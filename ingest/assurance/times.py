"""Times on files, compared for equality only: no clock of a camera ever decides anything.

FAT file systems keep times in steps of two seconds and without a zone, so that one file's time
reads differently after a change of zone; all files of a card then shift together.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import UTC, datetime

__all__ = ["common_shift", "found_time", "same_time"]

_SECOND = 1_000_000_000
_RESOLUTION = 2 * _SECOND
"""FAT's step (Microsoft, FAT32 File System Specification 1.03: two seconds)."""
_STEP = 15 * 60 * _SECOND
_LARGEST = 26 * 60 * 60 * _SECOND
"""From UTC-12 to UTC+14."""


def same_time(one_ns: int, other_ns: int, shift_ns: int = 0) -> bool:
    """Equal within the coarser resolution, after `other` was moved by `shift_ns`."""
    return abs(one_ns - other_ns - shift_ns) < _RESOLUTION


def common_shift(differences_ns: Sequence[int]) -> int:
    """The one shift, a multiple of 15 minutes, that most of these differences agree on.

    0 where there is none, and when another shift has no more followers than it.
    """
    counts: Counter[int] = Counter()
    for difference in differences_ns:
        shift = round(difference / _STEP) * _STEP
        if abs(shift) <= _LARGEST and same_time(difference, shift):
            counts[shift] += 1
    return max(counts, key=lambda shift: (counts[shift], shift == 0, -abs(shift)), default=0)


def found_time(mtime_ns: int) -> str:
    """A file's time as a remark in evidence, exact, so that it can be recognised later."""
    seconds, rest = divmod(mtime_ns, _SECOND)
    try:
        stamp = datetime.fromtimestamp(seconds, UTC).strftime("%Y-%m-%dT%H:%M:%S")
    except (OverflowError, OSError, ValueError):
        stamp = str(seconds)
    return f"its time on the drive is {stamp}.{rest:09d}Z"
