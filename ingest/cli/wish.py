"""What was typed of an offload, before anything is looked at."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Wish"]


@dataclass(frozen=True, slots=True)
class Wish:
    """What was said of an offload; empty and None are found or proposed."""

    cards: tuple[str, ...]
    to: tuple[str, ...]
    production: str | None
    day: int | None
    rolls: tuple[str | None, ...]
    """One for each card, or none at all; likewise the next two."""
    cameras: tuple[str | None, ...]
    labels: tuple[str | None, ...]
    because: str = "as said"
    """What the production rests on."""
