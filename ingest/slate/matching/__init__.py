"""Which clip holds which take, how surely, and on what basis: one module an idea, all pure."""

from __future__ import annotations

from ingest.slate.matching.alignment import Alignment, Stretch, align
from ingest.slate.matching.clocks import ClockOffset
from ingest.slate.matching.whole import Conflict, Matching, match

__all__ = [
    "Alignment",
    "ClockOffset",
    "Conflict",
    "Matching",
    "Stretch",
    "align",
    "match",
]
