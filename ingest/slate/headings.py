"""Which column of a sheet means what, by its heading: any order, case and spelling."""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

__all__ = ["Assigned", "assign", "column_letter", "heading_key"]


@dataclass(frozen=True, slots=True)
class Assigned:
    """Meanings to columns. Numbers count from 0."""

    of: dict[str, int]
    twice: tuple[tuple[int, int], ...]
    """Pairs of columns with one and the same heading, where it is one that counts."""


def assign(headings: Sequence[str], meanings: Mapping[str, Sequence[str]]) -> Assigned:
    """The column of each meaning. Words stand best first: when two columns mean the same, the
    earlier word is taken. Pure; unknown headings are nobody's."""
    places: dict[str, list[int]] = {}
    for at, heading in enumerate(headings):
        places.setdefault(heading_key(heading), []).append(at)
    of: dict[str, int] = {}
    taken: set[int] = set()
    for meaning, words in meanings.items():
        for word in words:
            place = next((at for at in places.get(word, ()) if at not in taken), None)
            if place is not None:
                of[meaning] = place
                taken.add(place)
                break
    twice = tuple(
        (first, at)
        for first in sorted(taken)
        for at in places[heading_key(headings[first])]
        if at not in taken
    )
    return Assigned(of, twice)


def column_letter(number: int) -> str:
    """The letter a spreadsheet gives the column: 0 is A, 25 is Z, 26 is AA."""
    letters = ""
    number += 1
    while number:
        number, rest = divmod(number - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters


def heading_key(heading: str) -> str:
    """A heading without case, blanks and marks; `#` is the word number."""
    folded = unicodedata.normalize("NFKC", heading).casefold().replace("#", "no")
    return "".join(character for character in folded if character.isalnum())
