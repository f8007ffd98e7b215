"""How much was shot, and how it was recorded: the words that page and PDF share."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

from ingest import wording as words
from ingest.report.facts import IntakeFacts, Sum

__all__ = ["AS_MEANT", "TOTAL_COLUMNS", "recorded_words", "total_groups", "total_notes"]

TOTAL_COLUMNS = ("Clips", "Files", "Length", "Size", "Data rate")

AS_MEANT = (
    "No clip says that it was recorded otherwise than asked for, or than its device's other clips."
)

Row = tuple[str, ...]
"""What it is of, then a cell a column."""


def total_groups(facts: IntakeFacts) -> list[tuple[str, list[Row]]]:
    """The rows of the totals under their headings, the sum of all last, without one.

    A heading with a single row under it would only say the sum of all again.
    """
    parts = (("Camera", facts.cameras), ("Shoot day", facts.days), ("Roll", facts.roll_sums))
    groups = [(title, [_row(each) for each in sums]) for title, sums in parts if len(sums) > 1]
    if facts.whole is not None:
        groups.append(("", [_row(facts.whole)]))
    return groups


def total_notes(facts: IntakeFacts) -> list[str]:
    """The longest and the shortest clip, and what counts no length, a sentence each."""
    whole = facts.whole
    if whole is None:
        return []
    notes = []
    if whole.longest is not None and whole.shortest is not None and whole.clips > 1:
        notes.append(
            f"The longest clip is {words.shortened(whole.longest.clip, 60)} "
            f"({words.length(whole.longest.seconds)}), the shortest "
            f"{words.shortened(whole.shortest.clip, 60)} ({words.length(whole.shortest.seconds)})."
        )
    if whole.seconds:
        notes.append(
            "Length is that of picture, or of sound where there is no picture; the data rate is "
            "measured over it."
        )
    if whole.untimed:
        said = "states no length and counts" if whole.untimed == 1 else "state no length and count"
        notes.append(f"{words.counted(whole.untimed, 'clip')} {said} none.")
    return notes


def recorded_words(facts: IntakeFacts) -> list[tuple[str, bool, Sequence[str]]]:
    """What was recorded otherwise: a sentence, whether it is wrong or only told, the clips."""
    return [
        (
            f"{'Set wrong' if each.wrong else 'Note'}: {each.words}"
            + (f" ({each.basis})" if each.wrong else ""),
            each.wrong,
            each.clips,
        )
        for each in facts.differences
    ]


def _row(each: Sum) -> Row:
    rate = each.data_rate
    return (
        each.of,
        f"{each.clips:,}",
        f"{each.files:,}",
        words.length(each.seconds) if each.seconds else "none",
        words.size(each.bytes),
        words.speed(Fraction(rate)) if rate is not None else "none",
    )
