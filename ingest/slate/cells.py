"""What stands in the cells of a log or shot list: each reader takes a text, or raises BadCell."""

from __future__ import annotations

import re
import unicodedata

from ingest.catalog.records import Rating
from ingest.media.timecode import BadTimecode, parse_label

__all__ = [
    "BadCell",
    "plain_cell",
    "read_cameras",
    "read_clock",
    "read_day",
    "read_flag",
    "read_label",
    "read_name",
    "read_rating",
]

_YES = frozenset({"x", "y", "yes", "true", "1", "ok", "✓", "✔", "☑", "●", "◯", "○", "*", "•", "v"})
_NO = frozenset({"", "n", "no", "false", "0", "-", "–", "—", "none", "n/a", "☐"})
_RATED: dict[str, Rating] = {
    **dict.fromkeys(
        (
            *("circled", "circle", "circletake", "circledtake", "ct", "c", "print", "printed"),
            *("p", "good", "g", "best", "select", "buy"),
        ),
        Rating.CIRCLED,
    ),
    **dict.fromkeys(
        ("keep", "kept", "keeper", "k", "hold", "h", "maybe", "alt", "usable"), Rating.KEEP
    ),
    **dict.fromkeys(("ng", "n.g.", "n.g", "n/g", "nogood", "bad"), Rating.NG),
}

_LOOSE_LABEL = re.compile(r"(\d{1,2})[:;.](\d{2})[:;.](\d{2})(?:([:;.])(\d{2}))?", re.ASCII)
_DAY = re.compile(r"(?:(?:shoot(?:ing)?\s*)?day|d|sd)?\s*#?\s*(\d{1,4})", re.ASCII | re.IGNORECASE)
_TEXT_TRICK = re.compile(r'="([^"]*)"')
_CLOCK = re.compile(
    r"(\d{1,2})(?:[:.h](\d{2}))?(?:[:.m](\d{2})s?)?\s*([ap])?\.?(?:m\.?)?", re.ASCII | re.IGNORECASE
)
_MONTH = r"(?:jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec|mär|mrz|mai|okt|dez)[a-z]*"
# What spreadsheets make of `3-1`, and of `12E3`, unless the column is text.
_MADE_DATE = re.compile(
    rf"\d{{4}}-\d\d-\d\d(?: [\d:]+)?|\d{{1,2}}[-. ]{_MONTH}|{_MONTH}[-. ]\d\d",
    re.IGNORECASE | re.ASCII,
)
_MADE_NUMBER = re.compile(r"\d[.,]?\d*E\+\d+", re.ASCII)
_CAMERA_BREAK = re.compile(r"\s*(?:[,;/+&]|\band\b)\s*|\s+", re.IGNORECASE)
_CAMERA_WORD = re.compile(r"\bcam(?:era)?s?\b\.?", re.IGNORECASE)


class BadCell(ValueError):
    """A cell that can't be read; `do` says what should stand there."""

    def __init__(self, what: str, do: str) -> None:
        super().__init__(what)
        self.what = what
        self.do = do


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


def read_name(text: str) -> str:
    """A scene's, take's or shot's name, on one line.

    Raises BadCell for a formula, and for what a spreadsheet makes of `3-1` (a date) or of `12E3`
    (a number), since the name that was meant is lost.
    """
    bare = " ".join(plain_cell(text).split())
    if _MADE_DATE.fullmatch(bare):
        do = "format the column as text and write the name again"
        raise BadCell("a date that the spreadsheet made of it", do)
    if _MADE_NUMBER.fullmatch(bare):
        do = "format the column as text and write the name again"
        raise BadCell("a number that the spreadsheet made of it", do)
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


def read_clock(text: str) -> str | None:
    """A time of day as HH:MM:SS (24 hours), None for an empty cell.

    `10:42`, `10.42`, `10h42`, `1042`, `10:42:05` and `2:15 PM` are understood. Raises BadCell.
    """
    bare = text.strip()
    if bare in ("", "-", "–", "—"):
        return None
    if len(bare) == 4 and bare.isascii() and bare.isdigit():
        bare = f"{bare[:2]}:{bare[2:]}"
    found = _CLOCK.fullmatch(bare)
    if found is not None and (found[2] or found[4]):
        hour, minute, second = int(found[1]), int(found[2] or 0), int(found[3] or 0)
        half = (found[4] or "").casefold()
        if half and 1 <= hour <= 12:
            hour = hour % 12 + (12 if half == "p" else 0)
        elif half:
            hour = 99
        if hour < 24 and minute < 60 and second < 60:
            return f"{hour:02}:{minute:02}:{second:02}"
    raise BadCell("no time of day", "write it as 10:42 or 10:42:05, or leave the cell empty")


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


def read_cameras(text: str) -> tuple[str, ...]:
    """`A`, `A B`, `A+B`, `A, B and C`, `Cam A / Cam B` as single letters or names, each once.

    `AB` stays one name: it may be the letter of a rig. Raises BadCell for a formula.
    """
    bare = _CAMERA_WORD.sub(" ", plain_cell(text).replace("-cam", " ")).strip()
    parts = [part for part in _CAMERA_BREAK.split(bare) if part]
    if not parts or any(len(part) > 2 for part in parts):
        whole = " ".join(plain_cell(text).split())
        return (whole,) if whole else ()
    return tuple({part.casefold(): part for part in reversed(parts)}.values())[::-1]
