"""Which copies an audit reads, and in which order. Pure.

The order of evidence is the catalog's own sequence; its dates only tell whether an audit that was
cut off is recent enough to be gone on with.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta

from ingest.catalog.records import Look
from ingest.evidence import Act, State

__all__ = ["GOES_ON_WITHIN", "fits", "last_read", "read_already", "seconds_for"]

GOES_ON_WITHIN = timedelta(days=3)
"""An audit that was cut off longer ago is not gone on with: everything is read. Over a weekend."""

_ENOUGH = 64 * 1024 * 1024
"""Bytes below which nothing was measured: a few small files tell the time of opening them."""
_READ = frozenset({Act.READ_BACK, Act.AUDITED})


def last_read(looks: Sequence[Look]) -> Look | None:
    """The last time every byte of a copy was read and compared; None: never."""
    return next((look for look in reversed(looks) if look.act in _READ and look.kind), None)


def seconds_for(size: int, done_bytes: int, done_seconds: float) -> float | None:
    """How long `size` bytes take at the speed measured; None when too little was read for one."""
    if done_bytes < _ENOUGH or done_seconds <= 0:
        return None
    return size * done_seconds / done_bytes


def fits(size: int, done_bytes: int, done_seconds: float, left_seconds: float) -> bool:
    """Whether a file of `size` bytes will be through in the time that is left, at the speed
    measured so far (yes, while there is none)."""
    needed = seconds_for(size, done_bytes, done_seconds)
    return left_seconds > 0 and (needed is None or needed <= left_seconds)


def read_already(
    evidence: Mapping[int, Sequence[Look]], now: datetime
) -> tuple[frozenset[int], datetime | None]:
    """Copies (by id) that an audit of these, cut off before it was through, had found good; and
    when it began. Nothing when the last audit read them all, or is too long ago.

    Runs belong to one audit when each went on with what those before it had not read, no more than
    `GOES_ON_WITHIN` apart: a copy that was read twice marks where an earlier audit ended. Copies
    that came to the drive since it began were not in it, and say nothing of whether it was through;
    nor does a copy that it found missing, short or long, which there was no use in reading.
    """
    runs: dict[str, list[Look]] = defaultdict(list)
    found_bad: dict[str, set[int]] = defaultdict(set)
    for looks in evidence.values():
        for look in looks:
            if look.act is Act.AUDITED:
                runs[look.run].append(look)
            elif look.act is Act.LOOKED and look.state.is_bad:
                found_bad[look.run].add(look.copy_id)
    newest_first = sorted(runs.values(), key=lambda some: max(one.id for one in some), reverse=True)
    covered: dict[int, Look] = {}
    without_reading: set[int] = set()
    after = now
    begun: datetime | None = None
    first = 0
    for some in newest_first:
        ended = max(one.at for one in some)
        if not timedelta(0) <= after - ended <= GOES_ON_WITHIN:
            break
        if any(one.copy_id in covered for one in some):
            break
        covered |= {one.copy_id: one for one in sorted(some, key=lambda one: one.id)}
        without_reading |= found_bad[some[0].run]
        begun = after = min(one.at for one in some)
        first = min(one.id for one in some)
    owed = {
        copy_id
        for copy_id, looks in evidence.items()
        if not looks or min(o.id for o in looks) < first
    }
    if not covered or owed <= covered.keys() | without_reading:
        return frozenset(), None
    good = {copy_id for copy_id, look in covered.items() if look.state is State.MATCHED}
    return frozenset(good), begun
