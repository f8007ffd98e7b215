"""What is still owed: a shot list remembered, and compared with what was shot."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from ingest.catalog.catalog import Catalog
from ingest.catalog.records import Observer, PlannedShot
from ingest.errors import NotKnown, UsageError
from ingest.jobs.find import choose_production
from ingest.names import shown
from ingest.slate.coverage import Coverage, coverage
from ingest.slate.days import shoot_days, with_days
from ingest.slate.planned import read_shot_list, standing

__all__ = ["OwedResult", "coverage_of", "planned_shots", "what_is_owed"]


@dataclass(frozen=True, slots=True)
class OwedResult:
    production: str
    lists: tuple[str, ...]
    """Names of the shot lists that count, the one loaded last being the last."""
    coverage: Coverage


def planned_shots(
    catalog: Catalog, production: str, days: Sequence[date] = ()
) -> tuple[PlannedShot, ...]:
    """The shots planned now, with their shoot days. `days`: the production's, in order."""
    numbers = shoot_days(days, catalog.rolls(production=production))
    return with_days(standing(catalog.shot_lists(production)), numbers)


def what_is_owed(
    catalog: Catalog,
    production: str | None,
    path: str | None,
    observer: Observer,
    *,
    day: int | None = None,
    sheet: str | None = None,
    days: Sequence[date] = (),
) -> OwedResult:
    """Remembers the shot list at `path` (None: those known count) and compares it with the log,
    the clips and their takes.

    Raises BadLog (nothing is remembered then), NotKnown, UsageError.
    """
    chosen = choose_production(catalog, production)
    rolls = catalog.rolls(production=chosen)
    numbers = shoot_days(days, rolls)
    if path is not None:
        shots = read_shot_list(path, sheet=sheet, shoot_dates=numbers)
        catalog.load_shot_list(chosen, shots[0].list, shots, observer)
    elif sheet is not None:
        raise UsageError("--sheet names a sheet of a workbook.", do="name the workbook too")
    told = coverage_of(catalog, chosen, days=days, day=day)
    if not told.shots:
        raise NotKnown(
            f"No shot list of {shown(chosen)} is known.", do="ingest slate owed SHOTS.csv"
        )
    return OwedResult(
        production=chosen,
        lists=tuple(dict.fromkeys(shot.planned.list for shot in told.shots)),
        coverage=told,
    )


def coverage_of(
    catalog: Catalog, production: str, *, days: Sequence[date] = (), day: int | None = None
) -> Coverage:
    """What is planned now against what was shot; of no shots where no list is known."""
    rolls = catalog.rolls(production=production)
    planned = planned_shots(catalog, production, days)
    clips = catalog.clips(rolls)
    links = [link for some in catalog.links([clip.id for clip in clips]).values() for link in some]
    rows = with_days(catalog.slate(production), shoot_days(days, rolls))
    return coverage(planned, rows, clips, links, day=day)
