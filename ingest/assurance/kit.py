"""What to pack for tomorrow: hours to bytes to cards and drives, and how each card stands. Pure.

A card is *ready* when `ingest reuse` would let it go as far as is known without looking at it
(`ingest.jobs.reuse.last_known`): it is looked at again before anybody formats it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from fractions import Fraction

from ingest.assurance.data_rates import DataRate
from ingest.assurance.reuse_values import Reason

__all__ = [
    "MARGIN",
    "CardKit",
    "CardState",
    "DeviceKit",
    "DriveKit",
    "Hours",
    "Kit",
    "bytes_for",
    "pack_device",
]

MARGIN = Fraction(1, 4)
"""What is added to the hours asked for (common practice, no source)."""


class CardState(StrEnum):
    READY = "ready"
    """Could be reused as last known: look again before it is formatted."""
    HOLD = "hold"
    AWAY = "not seen"
    """Ready, and its device has shot a later day without it: where is it?"""
    NEVER_IN = "never in"
    """Written down, and never offloaded: empty, or never brought back."""


@dataclass(frozen=True, slots=True)
class CardKit:
    label: str
    state: CardState
    why: str
    due: date | None = None
    """When it must be back at the rental house."""
    bytes: int = 0
    """The most that it ever gave in one day: it holds at least that."""
    reasons: tuple[Reason, ...] = ()
    """Why it is on hold, the most telling first."""


@dataclass(frozen=True, slots=True)
class Hours:
    """Hours of footage planned, and what says so."""

    hours: Fraction
    because: str
    said: bool = False
    """A person said so: nothing is packed for no hours. By the shot list alone, one card is."""


@dataclass(frozen=True, slots=True)
class DeviceKit:
    """One device's line."""

    letter: str
    kind: str
    name: str
    rate: DataRate | None
    hours: Hours | None
    bytes: int | None
    """What the hours come to, the margin added; None when rate or hours aren't known."""
    card_bytes: int | None
    """Size of a card: as said, else the most that one of its cards ever gave."""
    needed: int
    """Cards of that size; at least one, unless somebody said that the device isn't used."""
    cards: tuple[CardKit, ...]
    """Those known to be its own."""
    size_said: bool = False
    """Somebody said how large its cards are."""

    @property
    def ready(self) -> tuple[CardKit, ...]:
        return tuple(c for c in self.cards if c.state in (CardState.READY, CardState.NEVER_IN))

    @property
    def short(self) -> int:
        """Cards to find besides those that are ready."""
        return max(0, self.needed - len(self.ready))


@dataclass(frozen=True, slots=True)
class DriveKit:
    name: str
    place: str
    free: int | None
    """Bytes; None: it isn't here, so nobody knows."""
    audit_due: str
    """Why it is due for an audit, or empty."""


@dataclass(frozen=True, slots=True)
class Kit:
    """The bag for tomorrow."""

    day: int
    devices: tuple[DeviceKit, ...]
    drives: tuple[DriveKit, ...]
    copies: int
    other_cards: tuple[CardKit, ...]
    """Cards of no device that is known."""

    @property
    def bytes(self) -> int:
        """What comes to each of the drives, as far as it is known."""
        return sum(one.bytes or 0 for one in self.devices)

    @property
    def unknown(self) -> tuple[str, ...]:
        """Letters of devices whose bytes aren't in the sum."""
        return tuple(one.letter for one in self.devices if one.bytes is None)

    @property
    def with_room(self) -> tuple[DriveKit, ...]:
        return tuple(one for one in self.drives if one.free is not None and one.free >= self.bytes)

    @property
    def well(self) -> bool:
        """Enough cards are ready, and enough drives are known to have the room."""
        return len(self.with_room) >= self.copies and not any(one.short for one in self.devices)


def bytes_for(hours: Fraction, rate: DataRate) -> int:
    """Bytes that these hours of footage take, the margin added; rounded up."""
    exact = hours * 3600 * rate.bytes_per_second * (1 + MARGIN)
    return -(-exact.numerator // exact.denominator)


def pack_device(
    letter: str,
    kind: str,
    name: str,
    rate: DataRate | None,
    hours: Hours | None,
    cards: Sequence[CardKit],
    card_bytes: int | None = None,
) -> DeviceKit:
    """The line of one device. `card_bytes`: the size of its cards, where somebody said it."""
    size = card_bytes or max((card.bytes for card in cards), default=0) or None
    total = bytes_for(hours.hours, rate) if hours is not None and rate is not None else None
    if hours is not None and hours.hours == 0 and hours.said:
        needed = 0
    elif total is None or size is None:
        needed = 1
    else:
        needed = max(1, -(-total // size))
    said = card_bytes is not None
    return DeviceKit(letter, kind, name, rate, hours, total, size, needed, tuple(cards), said)
