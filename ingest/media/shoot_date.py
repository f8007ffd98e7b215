"""Was a clip recorded on the day it is said to be of? Pure."""

from __future__ import annotations

import re
from datetime import date

from ingest.media.facts import ClipFacts
from ingest.media.health import Finding, Severity

__all__ = ["date_of", "far_from_shoot"]

_FAR_DAYS = 1
"""A camera in another time zone and a day that ends at five explain one day, not two."""

_DATE = re.compile(r"(?<!\d)(\d{4})[-:/.](\d{1,2})[-:/.](\d{1,2})(?!\d)")


def date_of(written: str | None) -> date | None:
    """The calendar date in a recording date as written; None where there is none."""
    found = _DATE.search(written or "")
    if found is None:
        return None
    try:
        return date(*map(int, found.groups()))
    except ValueError:
        return None


def far_from_shoot(facts: ClipFacts, shoot: date) -> tuple[Finding, ...]:
    """Whether its recording date lies far from the shoot day: more than a day. Pure."""
    recorded = date_of(facts.recorded)
    if recorded is None or abs((recorded - shoot).days) <= _FAR_DAYS:
        return ()
    never = recorded.year in (1904, 1970, 1980, 2000)  # where common clocks begin to count
    why = "a clock that was never set?" if never else "the camera's clock, or an older recording?"
    words = f"It says that it was recorded on {recorded}, the shoot day is {shoot}: {why}"
    return (Finding("date", Severity.LOOK, words),)
