"""Does a clip play? What is known of that, as values, and how several looks at it come together.

A copy proven bit for bit of a broken clip is still broken. `looking` looks, `judging` decides what
that means. Healthy is only what was decoded here and showed nothing wrong; what can't be decoded
here is unchecked.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from ingest.names import shown

__all__ = [
    "Depth",
    "Finding",
    "Health",
    "HealthState",
    "Severity",
    "joined",
    "lost",
    "standing",
]


class HealthState(StrEnum):
    """What is known of a clip, the worst first."""

    BROKEN = "broken"
    """Part of it is missing or can't be played: view it before its card is used again."""
    LOOK = "look"
    """It plays, and something about it asks for a person's eye or ear."""
    UNCHECKED = "unchecked"
    """It was not decoded: nothing is known of whether it plays."""
    HEALTHY = "healthy"
    """What was decoded of it (see `Health.depth`) showed nothing wrong."""


class Severity(StrEnum):
    BROKEN = "broken"
    LOOK = "look"
    NOTE = "note"
    """Worth a line, and no more."""


class Depth(StrEnum):
    """How much of it was decoded."""

    NONE = "none"
    SAMPLED = "sampled"
    """The first, middle and last frame and some between; pieces of the sound."""
    DEEP = "deep"
    """Every frame and every sample."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing found. `kind` is a word for programs, `words` a sentence for people."""

    kind: str
    severity: Severity
    words: str


@dataclass(frozen=True, slots=True)
class Health:
    depth: Depth = Depth.NONE
    findings: tuple[Finding, ...] = ()
    frames: int | None = None
    """Frames decoded."""
    unchecked: str = ""
    """Why it was not decoded, a sentence, or empty."""

    @property
    def state(self) -> HealthState:
        kinds = {finding.severity for finding in self.findings}
        if Severity.BROKEN in kinds:
            return HealthState.BROKEN
        if Severity.LOOK in kinds:
            return HealthState.LOOK
        return HealthState.UNCHECKED if self.depth is Depth.NONE else HealthState.HEALTHY

    def with_findings(self, more: Sequence[Finding]) -> Health:
        return replace(self, findings=(*self.findings, *more))


_ORDER = {Depth.NONE: 0, Depth.SAMPLED: 1, Depth.DEEP: 2}


def lost(why: str) -> Health:
    """The health of a clip on which the decoder hung or crashed. `why`: a sentence."""
    return Health(findings=(Finding("decoder", Severity.BROKEN, why),), unchecked=why)


def standing(healths: Sequence[Health]) -> Health | None:
    """What looks at one clip, in the order of time, come to. Pure.

    A later look replaces an earlier one that was no deeper; what was found broken since stands
    whatever the depth. So a few good frames never outweigh what decoding all of them has shown.
    """
    found: Health | None = None
    for health in healths:
        deeper = found is None or _ORDER[health.depth] >= _ORDER[found.depth]
        if deeper or health.state is HealthState.BROKEN:
            found = health
    return found


def joined(parts: Sequence[tuple[str, Health]]) -> Health:
    """The health of a recording of several files, by (path, health) in their order. Pure.

    What was found names the file where there are several; it is as deep as its shallowest part.
    """
    if not parts:
        return Health(unchecked="It was not looked at.")
    if len(parts) == 1:
        return parts[0][1]
    counts = [health.frames for _, health in parts if health.frames is not None]
    return Health(
        depth=min((health.depth for _, health in parts), key=_ORDER.__getitem__),
        findings=tuple(
            replace(finding, words=f"{shown(path.rpartition('/')[2])}: {finding.words}")
            for path, health in parts
            for finding in health.findings
        ),
        frames=sum(counts) if counts else None,
        unchecked=next((health.unchecked for _, health in parts if health.unchecked), ""),
    )
