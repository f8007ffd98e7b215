"""What ingest.toml asks for before a card may be used again. Pure."""

from __future__ import annotations

from datetime import date, datetime
from zoneinfo import ZoneInfo

from ingest.assurance.reuse import Policy
from ingest.settings import Settings

__all__ = ["policy_of", "production_date"]


def policy_of(settings: Settings) -> Policy:
    """`[policy]` of ingest.toml; what it leaves out isn't asked."""
    asked = settings.policy
    return Policy(
        copies=settings.copies_wanted,
        max_age_days=asked.max_age,
        offsite=asked.offsite or 0,
        read_twice=bool(asked.read_twice),
        viewed=bool(asked.viewed),
        hold_until=asked.hold_until,
    )


def production_date(now: datetime, time_zone: str | None) -> date:
    """The date by the production's clock; the machine's where no zone is said."""
    return now.astimezone(ZoneInfo(time_zone) if time_zone else None).date()
