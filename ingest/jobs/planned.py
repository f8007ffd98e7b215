"""The shots that are planned, from wherever a list of them is known."""

from __future__ import annotations

import os

from ingest.catalog.catalog import Catalog
from ingest.catalog.records import PlannedShot
from ingest.jobs.owed import planned_shots
from ingest.settings import Settings
from ingest.slate.days import shoot_days, with_days
from ingest.slate.planned import read_shot_list

__all__ = ["SHOTS", "planned_here"]

SHOTS = "SHOTS.csv"
"""Name of the shot list that lies beside ingest.toml, where none was loaded."""


def planned_here(
    catalog: Catalog, settings: Settings, production: str, shots: str | None = None
) -> tuple[PlannedShot, ...]:
    """The shots of the list that was named, else of those that were loaded, else of the SHOTS.csv
    beside ingest.toml. Raises BadLog."""
    dates = shoot_days(settings.days, catalog.rolls(production=production))
    if shots is None and catalog.shot_lists(production):
        return planned_shots(catalog, production, settings.days)
    beside = os.path.join(os.path.dirname(settings.place), SHOTS) if settings.place else ""
    path = shots or (beside if os.path.isfile(beside) else "")
    return with_days(read_shot_list(path, shoot_dates=dates), dates) if path else ()
