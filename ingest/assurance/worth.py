"""What speaks against counting a copy: one rule for every answer. Pure.

A report, the list of rolls and the verdict on a card are read by the same tired person on the same
evening; where one counted a copy that another doesn't, one of them would be wrong.
"""

from __future__ import annotations

from datetime import datetime
from enum import Enum

from ingest.assurance.state import STRONG, CopyState
from ingest.catalog.custody_records import DrivePlace
from ingest.drives import Volume
from ingest.evidence import Against, Route, State

__all__ = ["Weakness", "copy_weakness", "is_local", "weakness"]


class Weakness(Enum):
    """Why the evidence of a copy doesn't carry it, the gravest first."""

    BAD = "found bad"
    DOUBTFUL = "found bad once, and good too seldom since"
    UNREAD = "never read back"
    OWN_LIST = "compared with a list alone"
    CACHED = "perhaps read from memory"
    GONE = "on a drive that is, or was, dead or lost"
    FUTURE = "dated in the future, so of unknown age"


def weakness(
    state: State,
    route: Route | None,
    against: Against | None,
    *,
    remounted: bool = False,
    counts: bool = True,
    dated: bool = True,
) -> Weakness | None:
    """What speaks against a copy, or None: equal to what the card gave, and not out of memory.

    `remounted`: its bytes were read in a later mount than they were written in, on a device of
    this machine. `counts`: the drive is neither dead nor lost, or was and it was read since.
    `dated`: the evidence is of known age.
    """
    if state.is_bad:
        return Weakness.BAD
    if state is State.DOUBTFUL:
        return Weakness.DOUBTFUL
    if state is not State.MATCHED:
        return Weakness.UNREAD
    if against not in STRONG:
        return Weakness.OWN_LIST
    if route is not Route.MEDIUM and not remounted:
        return Weakness.CACHED
    if not counts:
        return Weakness.GONE
    return None if dated else Weakness.FUTURE


def copy_weakness(
    state: CopyState, *, local: bool, place: DrivePlace | None, now: datetime
) -> Weakness | None:
    """The same of a copy as its evidence stands at `now`. `local`: see `is_local`; `place`: where
    its drive is, None where nothing was asked."""
    look_id = state.look.id if state.look is not None else None
    return weakness(
        state.state,
        state.route,
        state.against,
        remounted=state.remounted and local,
        counts=place is None or place.counts(look_id),
        dated=state.at is not None and state.at <= now,
    )


def is_local(serial: str | None, volume: Volume | None) -> bool:
    """Whether a drive is a device of this machine and no share, whose server has a cache of its
    own. Of one that isn't here its serial tells: no share has one."""
    return volume.source.startswith("/dev/") if volume is not None else bool(serial)
