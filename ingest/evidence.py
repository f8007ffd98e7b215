"""What one look at one copy can say: the words that evidence is written in.

Nothing in the program stores "safe". It stores what was seen, and these are the words for it.
Every verdict is worked out from them when asked.
"""

from __future__ import annotations

from enum import StrEnum

__all__ = ["Act", "Against", "Route", "State"]


class State(StrEnum):
    """The state of one copy (a file on a drive), worked out from its evidence."""

    MATCHED = "matched"
    MISMATCH = "mismatch"
    """Same length, other content."""
    SHORT = "short"
    """Fewer bytes than the card gave."""
    LONG = "long"
    """More bytes than the card gave."""
    MISSING = "missing"
    UNREADABLE = "unreadable"
    UNVERIFIED = "unverified"
    """Written, not yet read back."""
    DOUBTFUL = "doubtful"
    """Bad once, good since: not trusted until seen good twice, in different mounts."""
    CLAIMED = "claimed"
    """A list says so; nobody has looked."""

    @property
    def is_bad(self) -> bool:
        """True for what is known to be damaged or gone."""
        return self in _BAD


_BAD = frozenset({State.MISMATCH, State.SHORT, State.LONG, State.MISSING, State.UNREADABLE})


class Act(StrEnum):
    """What was done to learn something about a copy."""

    WRITTEN = "written"
    READ_BACK = "read back"
    """Read again by the run that wrote it, before the file got its final name."""
    AUDITED = "audited"
    """Every byte read again later."""
    LOOKED = "looked at"
    """Presence, size and time only: proves nothing about content."""
    SAMPLED = "sampled"
    """A few fixed places read: tells files apart, proves nothing about the rest."""
    CLAIMED = "claimed"
    """Taken from a list."""


class Route(StrEnum):
    """Where the bytes of a read-back came from, as far as it could be shown."""

    MEDIUM = "medium"
    """From the device itself: past every cache of the operating system."""
    CACHE_POSSIBLE = "cache possible"
    """The operating system may have answered from memory; weaker, and said so."""


class Against(StrEnum):
    """What a copy was compared with. Only the first two carry a card to reuse."""

    CARD = "the card's read"
    CATALOG = "the catalog's digest"
    OWN_LIST = "this drive's list"
    OTHER_LIST = "another drive's list"
    NOTHING = "nothing"
