"""How a split over bags is said: shared by `ingest whatif` and `ingest wrap`."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from ingest.names import shown, typed
from ingest.wording import counted, listed

if TYPE_CHECKING:
    from ingest.assurance.whatif import Split

__all__ = ["split_document", "split_lines"]


def split_document(split: Split) -> dict[str, Any]:
    return {
        "bags": [list(bag) for bag in split.bags],
        "needs_cards": split.needs_cards,
        "why": split.why or None,
        "missing": [
            {
                "roll": one.roll,
                "files": one.files,
                "on": list(one.on),
                "to": one.to or None,
                "from_card": one.from_card,
            }
            for one in split.missing
        ],
        "enough": split.enough or None,
    }


def split_lines(split: Split) -> Iterator[str]:
    """`Bag 1: ...`, `Bag 2: ...`, and what that is worth; or why there is none, and what to do."""
    if split.found:
        for number, bag in enumerate(split.bags, start=1):
            names = ", ".join(map(shown, bag)) or "(nothing: leave it out)"
            yield f"Bag {number}: {names}"
        if not any(split.bags):
            return
        if split.needs_cards:
            yield "Then no bag loses a clip, as long as no card is formatted."
        else:
            yield "Then no bag loses a clip."
        return
    yield f"No way to pack saves everything: {split.why}."
    if split.enough:
        yield f"{split.enough} bags would do, as things are."
    for one in split.missing[:6]:
        to = typed(one.to) if one.to else "DRIVE, one more drive"
        how = "ingest offload CARD" if one.from_card else f"ingest copy --roll {typed(one.roll)}"
        again = f" of {shown(one.roll)}" if one.from_card else ""
        yield (
            f"Do: {how} --to {to}"
            f"   ({counted(one.files, 'file')}{again}, now on {listed(one.on, 3)})"
        )
    if len(split.missing) > 6:
        yield f"... and {len(split.missing) - 6} more rolls likewise"
