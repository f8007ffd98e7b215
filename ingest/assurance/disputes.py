"""What is said of a file that isn't what the card's own hash lists say: the same everywhere."""

from __future__ import annotations

from ingest.names import typed

__all__ = ["DISPUTED", "settle_dispute"]

DISPUTED = "came off the card other than the card's own hash lists say, and nobody has viewed it"


def settle_dispute(roll: str) -> str:
    """What to do about such files of a roll: one read through another reader tells whether this
    one is to blame, and where it isn't only a person can say what the clip is worth."""
    return (
        "keep the card, and read it again in another reader (ingest reuse CARD --reread); if that "
        "finds nothing new, play it in its camera, then: "
        f"ingest rolls set {typed(roll)} --viewed WHO"
    )
