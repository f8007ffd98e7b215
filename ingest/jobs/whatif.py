"""What would be left if one drive, place, laptop or card were lost, and how to pack."""

from __future__ import annotations

from dataclasses import dataclass

from ingest.assurance.whatif import (
    Event,
    Holder,
    Loss,
    Split,
    single_events,
    split_over_bags,
)
from ingest.catalog.catalog import Catalog
from ingest.jobs.find import own_production
from ingest.jobs.holdings import gather_holdings
from ingest.settings import Settings

__all__ = ["WhatIf", "what_if"]


@dataclass(frozen=True, slots=True)
class WhatIf:
    production: str
    holders: tuple[Holder, ...]
    events: tuple[Event, ...]
    """The worst first."""
    split: Split
    lost_already: tuple[Loss, ...]
    """By roll: files that have no good copy even now."""
    bags: int

    @property
    def well(self) -> bool:
        """No single event loses a file, and none is lost already."""
        return not self.lost_already and not any(event.files for event in self.events)


def what_if(
    catalog: Catalog, settings: Settings, *, production: str | None = None, bags: int = 2
) -> WhatIf:
    """Every single event, and a split over so many bags. Reads only. Raises NotKnown, UsageError.

    The computer's catalog is in no event: the drives' own hash lists make another one.
    """
    chosen = own_production(catalog, settings, production)
    held = gather_holdings(catalog, settings, catalog.rolls(production=chosen))
    gone = [one for one in held.held if not one.holders]
    return WhatIf(
        production=chosen,
        holders=held.holders,
        events=single_events(held.holders, held.held),
        split=split_over_bags(held.holders, held.held, bags),
        lost_already=tuple(Loss(one.roll, one.files, one.bytes) for one in gone),
        bags=bags,
    )
