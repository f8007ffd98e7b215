"""What a log says of how a take was slated: series, false start, tail slate and the like.

The words are common practice, no source. In free text only whole phrases count; short forms
(`FS`, `TS`) only in a column of their own and behind a take's number, since `FS` in a note may be
a full shot.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable

from ingest.catalog.records import Mark
from ingest.slate.names import TakeKind, parse_take

__all__ = [
    "MARK_HEADINGS",
    "SLATED_HEADINGS",
    "in_order",
    "marks_in",
    "marks_of_take",
    "split_marks",
]

MARK_HEADINGS: dict[str, Mark] = {
    **dict.fromkeys(("falsestart", "falsestarts", "fs"), Mark.FALSE_START),
    **dict.fromkeys(
        ("tailslate", "tailsticks", "tailslated", "endslate", "endboard", "endsticks", "ts", "es"),
        Mark.TAIL_SLATE,
    ),
    **dict.fromkeys(("noslate", "unslated", "noboard", "nosticks", "ns"), Mark.NO_SLATE),
    **dict.fromkeys(
        ("secondsticks", "2ndsticks", "secondclap", "2ndclap", "secondslate"), Mark.SECOND_STICKS
    ),
    **dict.fromkeys(("series", "ser"), Mark.SERIES),
    **dict.fromkeys(("pickup", "pickups", "pu"), Mark.PICK_UP),
    **dict.fromkeys(("wildtrack", "wild", "wt", "wildsound"), Mark.WILD_TRACK),
    **dict.fromkeys(("roomtone", "rt", "atmos"), Mark.ROOM_TONE),
}
"""Headings (see `headings.heading_key`) of columns where a tick means this."""

SLATED_HEADINGS = ("slated", "slating", "slatetype", "sticks", "clap", "clapper", "marker", "mark")
"""Headings of a column that says in words how a take was slated."""

_PHRASES: tuple[tuple[re.Pattern[str], Mark], ...] = tuple(
    (re.compile(rf"\b(?:{words})\b"), mark)
    for words, mark in (
        (r"false[\s-]*start(?:s|ed)?", Mark.FALSE_START),
        (
            r"(?:tail|end)[\s-]*(?:slate[ds]?|sticks?|boards?|clap(?:per)?)|endboard",
            Mark.TAIL_SLATE,
        ),
        (r"no[\s-]*(?:slate|sticks|board|clap(?:per)?)|not[\s-]+slated|un-?slated", Mark.NO_SLATE),
        (r"(?:second|2nd|two)[\s-]*(?:sticks|slates?|claps?|boards?)", Mark.SECOND_STICKS),
        (r"series", Mark.SERIES),
        (r"wild[\s-]*(?:track|sound|lines?)s?", Mark.WILD_TRACK),
        (r"room[\s-]*tone", Mark.ROOM_TONE),
    )
)
_SHORT: dict[str, Mark] = {
    **dict.fromkeys(("fs", "false"), Mark.FALSE_START),
    **dict.fromkeys(("ts", "es", "eb", "tail", "end"), Mark.TAIL_SLATE),
    **dict.fromkeys(("ns", "none", "no"), Mark.NO_SLATE),
    **dict.fromkeys(("2s", "ss", "second", "2nd"), Mark.SECOND_STICKS),
    **dict.fromkeys(("ser", "series"), Mark.SERIES),
    **dict.fromkeys(("pu",), Mark.PICK_UP),
}
_BEHIND = frozenset({"fs", "ts", "es", "ns", "2s", "ss", "ser", "series"})
_OF_KIND = {
    TakeKind.PICK_UP: Mark.PICK_UP,
    TakeKind.WILD_TRACK: Mark.WILD_TRACK,
    TakeKind.ROOM_TONE: Mark.ROOM_TONE,
}
_TAKE_AND = re.compile(r"(.*[0-9]\S*?)[\s,/+-]+([A-Za-z0-9]+(?:[\s,/+]+[A-Za-z0-9]+)*)")


def marks_in(text: str, *, short: bool = False) -> frozenset[Mark]:
    """The marks that a text speaks of; with `short`, single short forms too."""
    folded = " ".join(unicodedata.normalize("NFKC", text).casefold().split())
    found = {mark for form, mark in _PHRASES if form.search(folded)}
    if short:
        found |= {_SHORT[word] for word in re.findall(r"\w+", folded) if word in _SHORT}
    return frozenset(found)


def marks_of_take(take: str) -> frozenset[Mark]:
    """What a take's name says by itself: `3PU`, `WT2`, `RT`."""
    mark = _OF_KIND.get(parse_take(take).kind)
    return frozenset({mark} if mark else ())


def split_marks(take: str) -> tuple[str, frozenset[Mark], bool]:
    """A take's name without the short forms behind it: `3 FS`, `4 TS MOS`; whether MOS is one."""
    found = _TAKE_AND.fullmatch(take)
    if found is None:
        return take, frozenset(), False
    words = re.findall(r"\w+", found[2].casefold())
    if not set(words) <= _BEHIND | {"mos"}:
        return take, frozenset(), False
    marks = frozenset(_SHORT[word] for word in words if word != "mos")
    return found[1], marks, "mos" in words


def in_order(marks: Iterable[Mark]) -> tuple[Mark, ...]:
    """Each once, in the order of `Mark`."""
    given = set(marks)
    return tuple(mark for mark in Mark if mark in given)
