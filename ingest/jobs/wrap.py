"""The end of a shoot day: what is known of it judged, and how to pack for the night. Reads only."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from ingest.assurance.day.values import Wrapped
from ingest.assurance.day.verdict import judge_day
from ingest.assurance.whatif import Split, split_over_bags
from ingest.catalog.catalog import Catalog
from ingest.errors import NotKnown
from ingest.jobs.day_facts import gather_day
from ingest.jobs.find import own_production
from ingest.jobs.holdings import gather_holdings
from ingest.names import shown
from ingest.settings import Settings, shoot_date

__all__ = ["DayWrapped", "choose_day", "wrap_day"]


@dataclass(frozen=True, slots=True)
class DayWrapped:
    """The end of the day, and how to pack for the night."""

    production: str
    wrapped: Wrapped
    split: Split
    """Of everything that came in up to that day."""


def wrap_day(
    catalog: Catalog,
    settings: Settings,
    now: datetime,
    *,
    production: str | None = None,
    day: int | None = None,
    bags: int = 2,
    shots: str | None = None,
) -> DayWrapped:
    """What is open at the end of a shoot day, and a split over bags. Reads only.

    `now`: aware. `day`: see `choose_day`. `shots`: path of a shot list that counts instead of
    those loaded. Raises NotKnown, UsageError, BadLog.
    """
    chosen = own_production(catalog, settings, production)
    number = choose_day(catalog, settings, chosen, now, day)
    facts = gather_day(catalog, settings, chosen, number, now, shots)
    rolls = [roll for roll in catalog.rolls(production=chosen) if roll.day <= number]
    held = gather_holdings(catalog, settings, rolls)
    return DayWrapped(chosen, judge_day(facts), split_over_bags(held.holders, held.held, bags))


def choose_day(
    catalog: Catalog, settings: Settings, production: str, now: datetime, asked: int | None
) -> int:
    """The shoot day that is meant: the one asked for, today's by ingest.toml, else the last one
    that a roll is of.

    Raises NotKnown when there is no roll and no shoot day to go by.
    """
    days = sorted({roll.day for roll in catalog.rolls(production=production)})
    if asked is not None:
        if asked not in days and not 1 <= asked <= len(settings.days):
            known = ", ".join(map(str, days)) or "none"
            raise NotKnown(
                f"There is no shoot day {asked} of {shown(production)}; days with rolls: {known}.",
                do="name one of them with --day",
            )
        return asked
    zone = ZoneInfo(settings.time_zone) if settings.time_zone else None
    today = shoot_date(now.astimezone(zone), settings.day_ends)
    if today in settings.days:
        return settings.days.index(today) + 1
    if not days:
        raise NotKnown(f"No roll of {shown(production)} is in yet.", do="ingest offload")
    return days[-1]
