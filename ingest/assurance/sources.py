"""Which copy of a file to read when another is made, and what may be mended. Pure.

A source is never believed: whatever is chosen here is compared while it is read. The order only
saves time, and spares drives that are known to be failing.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum

from ingest.assurance.state import STRONG, CopyState
from ingest.catalog.records import Look, Offload
from ingest.evidence import Act, Against, State

__all__ = [
    "FROM_LISTS",
    "Candidate",
    "Claim",
    "Remedy",
    "agreeing_lists",
    "best_first",
    "came_from_lists",
    "claimed_against",
    "has_read_errors",
    "remedy",
    "variants",
]

FROM_LISTS = "from_lists"
"""In an offload's plan: nobody saw the card, its digests were taken from hash lists."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """A copy on a drive that is mounted now."""

    copy_id: int
    drive: str
    state: CopyState
    speed: float
    """Bytes a second that the drive was last seen to do; 0 when that isn't known."""


def best_first(candidates: Iterable[Candidate]) -> tuple[Candidate, ...]:
    """The order in which to try them: most proven first, then the quickest drive.

    What is known to be bad comes last and isn't left out: a file that no other drive can give may
    yet be read there, and it counts only if it is what was copied first.
    """
    return tuple(
        sorted(candidates, key=lambda one: (-_worth(one.state), -one.speed, one.drive, one.copy_id))
    )


def _worth(state: CopyState) -> int:
    if state.proven:
        return 7
    if state.state is State.MATCHED:
        return 6 if state.against in STRONG else 5
    order = (State.MISSING, State.UNREADABLE, State.DOUBTFUL, State.UNVERIFIED, State.CLAIMED)
    return order.index(state.state) if state.state in order else 1


class Remedy(Enum):
    """What is to be done about one copy."""

    NOTHING = "nothing"
    MEND = "mend"
    """It is known to be damaged or gone: put it back."""
    AUDIT = "audit"
    """It was bad once and good since: only a read in another mount can tell."""
    NEW_DRIVE = "new drive"
    """Its drive couldn't read it: nothing should be written there any more."""


def remedy(state: CopyState, looks: Sequence[Look]) -> Remedy:
    """What the evidence of one copy (oldest first) asks for."""
    if has_read_errors(looks):
        return Remedy.NEW_DRIVE
    if state.state is State.DOUBTFUL:
        return Remedy.AUDIT
    return Remedy.MEND if state.state.is_bad else Remedy.NOTHING


def has_read_errors(looks: Sequence[Look]) -> bool:
    """Whether the drive couldn't read it, and hasn't read it whole and good since."""
    failed = False
    for look in looks:
        if look.state is State.UNREADABLE:
            failed = True
        elif look.state is State.MATCHED and look.act in (Act.READ_BACK, Act.AUDITED):
            failed = False
    return failed


# Digests that no card's read gave ------------------------------------------------------------


def came_from_lists(offload: Offload) -> bool:
    """Whether the digests of this offload's files are only what hash lists said."""
    return bool(offload.plan.get(FROM_LISTS))


def claimed_against(looks: Sequence[Look]) -> Against:
    """What a copy is compared with when its file's digest came from lists: the list on its own
    drive where that names it, else another drive's."""
    own = any(look.act is Act.CLAIMED and look.against is Against.OWN_LIST for look in looks)
    return Against.OWN_LIST if own else Against.OTHER_LIST


def agreeing_lists(looks_by_drive: Mapping[int, Sequence[Look]]) -> int:
    """On how many drives the drive's own list claims this file (evidence of its copies by drive).

    Claims of one file agree, or they would be of two files.
    """
    return sum(
        any(look.act is Act.CLAIMED and look.against is Against.OWN_LIST for look in looks)
        for looks in looks_by_drive.values()
    )


@dataclass(frozen=True, slots=True)
class Claim:
    """What one drive's list says of one file."""

    drive: str
    size: int
    digests: Mapping[str, str]


def variants(claims: Sequence[Claim]) -> tuple[tuple[Claim, ...], ...]:
    """The claims in groups that agree: equal sizes, and a checksum kind in common with what the
    others of the group say, with equal digests in all that are. More than one group: the lists
    differ, or can't be compared."""
    groups: list[tuple[list[Claim], dict[str, str]]] = []
    # Those that say most come first, so that the others find what to be compared with.
    for claim in sorted(claims, key=lambda one: -len(one.digests)):
        for group, merged in groups:
            if group[0].size == claim.size and _agree(claim.digests, merged):
                group.append(claim)
                merged.update(claim.digests)
                break
        else:
            groups.append(([claim], dict(claim.digests)))
    return tuple(tuple(group) for group, _ in groups)


def _agree(one: Mapping[str, str], other: Mapping[str, str]) -> bool:
    common = one.keys() & other.keys()
    return bool(common) and all(one[kind] == other[kind] for kind in common)
