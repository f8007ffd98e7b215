"""A card's sticker, when it is due back, that it went back, or that it is built in."""

from __future__ import annotations

from dataclasses import dataclass

from ingest.catalog.catalog import Catalog
from ingest.catalog.custody_records import About, CardKnown, Change
from ingest.catalog.records import Observer
from ingest.errors import Ambiguous, NotKnown, UsageError
from ingest.jobs.custody.texts import a_date, one_line
from ingest.names import shown

__all__ = ["CardChange", "card_labelled", "set_card"]


@dataclass(frozen=True, slots=True)
class CardChange:
    """What is to be written down; None and False: nothing."""

    label: str | None = None
    due: str | None = None
    """A date; empty: not due any more."""
    returned: bool = False
    built_in: bool | None = None
    new: bool = False
    """The card never came in, and is written down now."""


def card_labelled(catalog: Catalog, label: str) -> CardKnown:
    """The card of this label, case apart. Raises NotKnown or Ambiguous."""
    folded = label.casefold()
    cards = catalog.cards_known()
    found = [card for card in cards if card.label.casefold() == folded]
    found = found or [card for card in cards if card.subject == folded]
    if len(found) > 1:
        rolls = "; ".join(
            ", ".join(shown(roll.name) for roll in card.rolls) or "never in" for card in found
        )
        raise Ambiguous(
            f"Several cards bear the label {shown(label)}: {rolls}.",
            do="name it by the label it came in with",
        )
    if not found:
        known = ", ".join(shown(card.label) for card in cards[:12])
        raise NotKnown(
            f"No card {shown(label)} ever came in.",
            do=f"name one of {known}; or --new, to write down one that never did"
            if known
            else "--new writes down a card that never came in",
        )
    return found[0]


def set_card(
    catalog: Catalog, label: str, wish: CardChange, observer: Observer
) -> tuple[CardKnown, tuple[Change, ...]]:
    """Write down what is wished; the card as it stands then, and its history.

    Raises NotKnown, Ambiguous or UsageError.
    """
    changes: list[tuple[str, dict[str, object]]] = []
    if wish.new:
        name = one_line(label, "A card's label")
        if any(name.casefold() in (c.label.casefold(), c.subject) for c in catalog.cards_known()):
            raise UsageError(f"The card {shown(name)} is known already.", do="leave out --new")
        subject = name.casefold()
        changes.append(("known", {"label": name}))
        last = 0
    else:
        card = card_labelled(catalog, label)
        subject = card.subject
        last = card.offloads[-1].id if card.offloads else 0
    if wish.label is not None:
        name = one_line(wish.label, "A card's label")
        for other in catalog.cards_known():
            if other.subject != subject and name.casefold() in (
                other.label.casefold(),
                other.subject,
            ):
                raise UsageError(
                    f"Another card bears the label {shown(name)} already.",
                    do="give this one another label: two stickers alike can't be told apart",
                )
        changes.append(("label", {"label": name}))
    if wish.due is not None:
        due = a_date(wish.due, "--due").isoformat() if wish.due else None
        changes.append(("due", {"due": due}))
    if wish.built_in is not None:
        changes.append(("built in", {"built_in": wish.built_in}))
    if wish.returned:
        changes.append(("returned", {"offload": last}))
    for what, value in changes:
        catalog.note_change(observer, About.CARD, subject, what, value)
    after = next(card for card in catalog.cards_known() if card.subject == subject)
    return after, catalog.changes(About.CARD, subject)
