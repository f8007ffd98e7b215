"""The columns of a slate log: what their headings mean, and what stands in their cells.

Headings come in any order, case and spelling; the synonyms are common practice, no source.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass

from ingest.catalog.records import Rating
from ingest.media.timecode import BadTimecode, parse_label

__all__ = [
    "BadCell",
    "Columns",
    "column_letter",
    "plain_cell",
    "read_day",
    "read_flag",
    "read_label",
    "read_rating",
    "understand",
]

# Best first: when two columns mean the same, the earlier word is taken for it and the other kept
# as an extra. A heading counts without case, blanks and marks.
_MEANINGS: dict[str, tuple[str, ...]] = {
    "scene": (
        "scene",
        "sceneno",
        "scenenumber",
        "scenename",
        "sc",
        "scn",
        "scno",
        "slate",
        "slateno",
        "slatenumber",
    ),
    "take": ("take", "takeno", "takenumber", "tk", "tkno", "t", "takes"),
    "shot": (
        "shot",
        "shotno",
        "shotnumber",
        "board",
        "boardno",
        "frame",
        "frameno",
        "panel",
        "setup",
        "setupno",
        "slate",
        "slateno",
    ),
    "camera": ("camera", "cam", "cameraletter", "camletter", "cameraid", "camid", "camerano"),
    "roll": (
        "roll",
        "cameraroll",
        "camroll",
        "camraroll",
        "rollno",
        "reel",
        "reelname",
        "reelno",
        "card",
        "cardno",
        "mag",
        "magazine",
        "cr",
    ),
    "sound_roll": (
        "soundroll",
        "sndroll",
        "audioroll",
        "soundreel",
        "soundcard",
        "soundrollno",
        "sr",
    ),
    "clip": (
        "clip",
        "clipname",
        "clipno",
        "clipnumber",
        "clipid",
        "file",
        "filename",
        "clipfile",
        "videofile",
        "picturefile",
        "fileno",
        "filenumber",
    ),
    "start": (
        "start",
        "tcin",
        "timecodein",
        "starttc",
        "starttimecode",
        "tcstart",
        "timecodestart",
        "timecode",
        "tc",
        "in",
        "intc",
    ),
    "end": (
        "end",
        "tcout",
        "timecodeout",
        "endtc",
        "endtimecode",
        "tcend",
        "timecodeend",
        "out",
        "outtc",
        "stop",
    ),
    "mos": ("mos", "mute", "silent"),
    "note": ("notes", "note", "comments", "comment", "remarks", "remark", "description"),
    "day": ("day", "shootday", "shootingday", "dayno", "daynumber", "sd"),
}

# Any number of these may stand in one log: one word in a cell, or a tick a column.
_RATING_WORDS = frozenset({"rating", "grade", "status", "result", "quality"})
_TICKS: dict[str, Rating] = {
    **dict.fromkeys(
        ("circled", "circle", "circledtake", "circletake", "print", "printed", "good", "select"),
        Rating.CIRCLED,
    ),
    **dict.fromkeys(("keep", "hold", "kept"), Rating.KEEP),
    **dict.fromkeys(("ng", "nogood", "bad"), Rating.NG),
}

_YES = frozenset({"x", "y", "yes", "true", "1", "ok", "✓", "✔", "☑", "●", "◯", "○", "*", "•", "v"})
_NO = frozenset({"", "n", "no", "false", "0", "-", "–", "—", "none", "n/a", "☐"})
_RATED: dict[str, Rating] = {
    **dict.fromkeys(
        ("circled", "circle", "c", "print", "printed", "p", "good", "g", "best", "select"),
        Rating.CIRCLED,
    ),
    **dict.fromkeys(("keep", "kept", "k", "hold", "h", "maybe"), Rating.KEEP),
    **dict.fromkeys(("ng", "n.g.", "n.g", "n/g", "nogood", "bad"), Rating.NG),
}

_LOOSE_LABEL = re.compile(r"(\d{1,2})[:;.](\d{2})[:;.](\d{2})(?:([:;.])(\d{2}))?", re.ASCII)
_DAY = re.compile(r"(?:(?:shoot(?:ing)?\s*)?day|d|sd)?\s*#?\s*(\d{1,4})", re.ASCII | re.IGNORECASE)
_TEXT_TRICK = re.compile(r'="([^"]*)"')


class BadCell(ValueError):
    """A cell that can't be read; `do` says what should stand there."""

    def __init__(self, what: str, do: str) -> None:
        super().__init__(what)
        self.what = what
        self.do = do


@dataclass(frozen=True, slots=True)
class Columns:
    """Where in a row what stands. Numbers count from 0."""

    of: dict[str, int]
    """scene, take, shot, camera, roll, sound_roll, clip, start, end, mos, note, day."""
    ratings: tuple[int, ...]
    """Columns that hold a rating as a word."""
    ticks: tuple[tuple[int, Rating], ...]
    """Columns where a tick means this rating."""
    extra: tuple[tuple[int, str], ...]
    """All other columns that have a heading, with the heading as written."""
    twice: tuple[tuple[int, int], ...]
    """Pairs of columns with one and the same heading, where it is one that counts."""

    @property
    def known(self) -> int:
        """How many columns were understood."""
        return len(self.of) + len(self.ratings) + len(self.ticks)


def understand(headings: Sequence[str]) -> Columns:
    """What the headings of a log mean. Pure; never fails, unknown headings are extras."""
    keys = [_heading_key(heading) for heading in headings]
    taken: dict[int, str] = {}
    of: dict[str, int] = {}
    for meaning, words in _MEANINGS.items():
        for word in words:
            place = next((i for i, key in enumerate(keys) if key == word and i not in taken), None)
            if place is not None:
                of[meaning] = place
                taken[place] = meaning
                break
    ratings = tuple(i for i, key in enumerate(keys) if key in _RATING_WORDS)
    ticks = tuple((i, _TICKS[key]) for i, key in enumerate(keys) if key in _TICKS)
    known = {*taken, *ratings, *(i for i, _ in ticks)}
    twice = tuple(
        (first, i)
        for first in taken
        for i, key in enumerate(keys)
        if i not in taken and key == keys[first]
    )
    extra = tuple((i, h.strip()) for i, h in enumerate(headings) if i not in known and h.strip())
    return Columns(of, ratings, ticks, extra, twice)


def column_letter(number: int) -> str:
    """The letter a spreadsheet gives the column: 0 is A, 25 is Z, 26 is AA."""
    letters = ""
    number += 1
    while number:
        number, rest = divmod(number - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters


def plain_cell(text: str) -> str:
    """The cell trimmed, and out of `="012"`, which keeps zeros in spreadsheets.

    Raises BadCell for a formula: its result is not in the file.
    """
    bare = text.strip()
    if trick := _TEXT_TRICK.fullmatch(bare):
        return trick[1].strip()
    if bare[:1] in ("=", "@") or (bare[:1] == "+" and len(bare) > 1):
        raise BadCell("a formula, not a value", "paste the column as values, and save again")
    return bare


def read_label(text: str) -> str | None:
    """A timecode as HH:MM:SS:FF (`;` for drop-frame as written), None for an empty cell.

    `9:02:00:00`, `10:02:00` (frame 0) and `10020000` are understood. Raises BadCell.
    """
    bare = text.strip()
    if bare in ("", "-", "–", "—"):
        return None
    if len(bare) == 8 and bare.isascii() and bare.isdigit():
        bare = ":".join(bare[i : i + 2] for i in range(0, 8, 2))
    if found := _LOOSE_LABEL.fullmatch(bare):
        hour, minute, second, mark, frame = found.groups()
        last = "." if mark == "." and ":" in bare else (":" if mark in (None, ".") else mark)
        bare = f"{hour:0>2}:{minute}:{second}{last}{frame or '00'}"
    try:
        parse_label(bare)
    except BadTimecode:
        raise BadCell("no timecode", "write it as 10:02:00:00, or leave the cell empty") from None
    return bare


def read_day(text: str) -> int | None:
    """`2`, `Day 2`, `D2` as a number, None for an empty cell. Raises BadCell."""
    bare = text.strip()
    if not bare:
        return None
    found = _DAY.fullmatch(bare)
    if found is None or not int(found[1]):
        raise BadCell("no shoot day", "write the number of the shoot day: 2")
    return int(found[1])


def read_flag(text: str) -> bool:
    """A tick: x, yes, 1, true and their like, or nothing. Raises BadCell for other words."""
    folded = unicodedata.normalize("NFKC", text).casefold().strip()
    if folded in _YES or folded == "mos":
        return True
    if folded in _NO:
        return False
    raise BadCell("neither a tick nor empty", "write x, or leave the cell empty")


def read_rating(text: str, tick: Rating | None = None) -> Rating | None:
    """A rating as a word, or as a tick in a column whose heading says which.

    Empty and "no" mean not rated: NG only where NG is written. Raises BadCell for other words.
    """
    folded = " ".join(unicodedata.normalize("NFKC", text).casefold().split())
    if folded in _NO:
        return None
    word = _RATED.get(folded.replace(" ", ""))
    if word is not None:
        return word
    if tick is not None and folded in _YES:
        return tick
    raise BadCell("no rating", "write circled, keep or NG, or leave the cell empty")


def _heading_key(heading: str) -> str:
    folded = unicodedata.normalize("NFKC", heading).casefold().replace("#", "no")
    return "".join(character for character in folded if character.isalnum())
