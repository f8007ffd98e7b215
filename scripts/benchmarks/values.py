"""What the parts of the benchmark hand to each other."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

__all__ = ["MB", "BenchError", "Ran", "Row", "Speed"]

MB = 1_000_000
"""Bytes. Device speeds are told in these, as their makers do."""


class BenchError(Exception):
    """Something that was to be measured did not work, so there is no number."""


@dataclass(frozen=True, slots=True)
class Speed:
    """Bytes a second that a disk is held to; None is as fast as the machine goes."""

    read: int | None = None
    write: int | None = None


@dataclass(frozen=True, slots=True)
class Ran:
    """One command, run to its end."""

    seconds: float
    code: int
    stdout: str
    stderr: str
    peak_main: int
    """Largest resident memory of the command's own process, bytes."""
    peak_child: int
    """Largest resident memory of any one process that it started, bytes."""
    cpu_seconds: float
    """Processor time of the command and all it started."""


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table."""

    case: str
    what: str
    """What the ratio is, in words: this / that."""
    ratio: float
    goal: float
    sense: Literal["at most", "at least"]
    seconds: float
    """Of the program itself."""
    floor_seconds: float
    """What the ratio was taken against, seconds."""
    floor: str
    """Where that comes from."""
    peak_main: int = 0
    peak_child: int = 0
    details: Mapping[str, float | str] = field(default_factory=dict)

    @property
    def met(self) -> bool:
        # The goals have two places, so the ratio is judged as it is shown.
        shown = round(self.ratio, 2)
        return shown <= self.goal if self.sense == "at most" else shown >= self.goal
