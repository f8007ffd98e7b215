"""Numbers and times as a person reads them."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from fractions import Fraction

from ingest.names import shown

__all__ = [
    "alike",
    "brief",
    "columns",
    "counted",
    "folded",
    "hanging",
    "length",
    "listed",
    "moment",
    "natural",
    "rate",
    "shortened",
    "size",
    "speed",
    "unfolded",
    "whole",
]

_DIGITS = re.compile("([0-9]+)")
_WORD = re.compile("( *)([^ ]+)")
_MARK = re.compile(r" *(?:[-!*] |\[.\] |(?:Do|Don't|Because): |[^ ]{1,12} {2,}(?=[^ ]))?")
# A command with its options: `ingest wrap --settle shot-11`, `ingest mend DRIVE`.
_COMMAND = re.compile(
    r"\bingest [a-z]+(?: (?:set|load|match|owed))?"
    r"(?: --[a-z-]+(?: [^ ;,()-][^ ;,()]*)?| [A-Z][^ ;,()]*)*"
)
# `shown` makes it visible in every name, so that it can only be ours.
_KEPT = "\x1f"
_IRREGULAR = {"copy": "copies"}


def counted(number: int, noun: str) -> str:
    """`1 file`, `1,204 files`."""
    plural = _IRREGULAR.get(noun, noun + "s")
    return f"{number:,} {noun if number == 1 else plural}"


def size(number: int) -> str:
    """Bytes in powers of 1000, as drives are sold: `812 bytes`, `1.2 TB`."""
    if number < 1000:
        return counted(number, "byte")
    value = Fraction(number)
    for unit in ("kB", "MB", "GB", "TB", "PB", "EB"):
        value /= 1000
        # 999.5 would be rounded up to 1000 of the smaller unit.
        if value < Fraction(1999, 2) or unit == "EB":
            break
    digits = 0 if value >= 100 else 1
    return f"{float(value):.{digits}f}".removesuffix(".0") + f" {unit}"


def moment(at: datetime) -> str:
    """`2026-03-14 23:10 UTC`."""
    return at.astimezone(UTC).strftime("%Y-%m-%d %H:%M UTC")


def length(seconds: Fraction) -> str:
    """`4.2 s` under a minute, then `1:02`, `1:02:03`; always rounded down."""
    if seconds < 60:
        tenths = int(seconds * 10)
        return f"{tenths // 10}.{tenths % 10} s"
    whole = int(seconds)
    hours, rest = divmod(whole, 3600)
    minutes, rest = divmod(rest, 60)
    return f"{hours}:{minutes:02}:{rest:02}" if hours else f"{minutes}:{rest:02}"


def rate(value: Fraction) -> str:
    """`25`, `23.976`: for reading; the exact fraction goes with it where it matters."""
    if value.denominator == 1:
        return str(value.numerator)
    return f"{float(value):.3f}".rstrip("0").rstrip(".")


def speed(value: Fraction) -> str:
    """Bytes a second: `190 MB/s`."""
    return size(int(value)).replace(" bytes", " B").replace(" byte", " B") + "/s"


def brief(path: str) -> str:
    """ROLL/FOLDER/FOLDER/NAME with its folders left out: `A002/…/C0002.MOV`."""
    parts = path.split("/")
    return path if len(parts) < 3 else f"{parts[0]}/…/{parts[-1]}"


def shortened(name: str, limit: int = 60) -> str:
    """The name shown safely, its middle left out when it is longer than `limit` characters."""
    safe = shown(name)
    if len(safe) <= limit:
        return safe
    tail = limit // 2
    return f"{safe[: limit - tail - 1]}…{safe[-tail:]}"


def whole(name: str) -> str:
    """A path or another name to copy, shown safely, in a line that `hanging` or `unfolded` will
    make: its blanks are no place to fold at."""
    return shown(name).replace(" ", _KEPT)


def unfolded(line: str) -> str:
    """The line as it is written where nothing is folded: one line an item."""
    return line.replace(_KEPT, " ")


def hanging(line: str, width: int, indent: int | None = None) -> list[str]:
    """The line in lines of at most `width` columns, which hang under its first word after a mark
    (`- `, `! `, `[ ] `, `Do: `, a label with two blanks behind it), else two columns further in
    than it begins, or `indent`. A command of ours stays on one line where it fits one."""
    line = line.rstrip(" ")
    mark = _MARK.match(line)
    assert mark is not None
    first = mark[0]
    blanks = len(first) - len(first.lstrip(" "))
    further = columns(first) if first.strip(" ") else blanks + 2
    rest = " " * (further if indent is None else indent)

    def kept(command: re.Match[str]) -> str:
        fits = columns(rest) + columns(command[0]) <= width
        return command[0].replace(" ", _KEPT) if fits else command[0]

    text = _COMMAND.sub(kept, line[len(first) :])
    return [unfolded(one) for one in folded(text, width, first, rest)]


def alike(found: Iterable[tuple[str, str, str, str]], most: int) -> list[str]:
    """Lines for what is wrong with files: drive (or empty), path, state and detail (or empty) of
    each. What is the same of several is said once, above their paths; at most `most` paths."""
    same: dict[tuple[str, str, str], list[str]] = {}
    for drive, path, state, detail in found:
        same.setdefault((drive, state, detail), []).append(path)
    lines: list[str] = []
    left = most
    for (drive, state, detail), paths in same.items():
        where = f"{shown(drive)}: " if drive else ""
        what = state + (f" ({shown(detail)})" if detail else "")
        if len(paths) == 1 or not detail:
            lines += (f"! {where}{whole(path)}: {what}" for path in paths[:left])
        elif left > 0:
            lines.append(f"! {where}{counted(len(paths), 'file')}: {what}")
            lines += (f"    {whole(path)}" for path in paths[:left])
        left = max(0, left - len(paths))
    more = sum(map(len, same.values())) - most
    if more > 0:
        lines.append(f"  ... and {more:,} more (--json tells all)")
    return lines


def folded(text: str, width: int, first: str = "", rest: str = "") -> list[str]:
    """The text in lines of at most `width` columns, words whole; `first` and `rest` stand before
    the first line and before the others. A word too long for that stands on a line of its own,
    with nothing before it, so that it can be copied."""
    lines: list[str] = []
    line, free = first, True
    for gap, word in _WORD.findall(text):
        if columns(line) + columns(word) + (0 if free and lines else len(gap)) <= width:
            line += word if free and lines else gap + word
            free = False
            continue
        if not free or line.strip(" "):
            lines.append(line.rstrip(" "))
        line, free = rest + word, False
        if columns(line) > width:
            lines.append(word)
            line, free = rest, True
    if not free or not lines:
        lines.append(line)
    return lines


def columns(text: str) -> int:
    """How many columns of a terminal the text takes: two for a wide character (Unicode Standard
    Annex #11), none for one that is drawn over the one before it."""
    if text.isascii():
        return len(text)
    return sum(
        2 if unicodedata.east_asian_width(one) in "WF" else not unicodedata.combining(one)
        for one in text
    )


def listed(names: Sequence[str], limit: int = 3) -> str:
    """`a, b and c`, or `a, b, c and 12 more`; names shown safely and shortened."""
    said = [shortened(name) for name in names[:limit]]
    if len(names) > limit:
        return ", ".join(said) + f" and {len(names) - limit:,} more"
    if len(said) > 1:
        return ", ".join(said[:-1]) + " and " + said[-1]
    return "".join(said)


def natural(text: str) -> tuple[tuple[int, int, str], ...]:
    """A sort key by which 9 comes before 10, and 12 before 12A."""
    parts: list[tuple[int, int, str]] = []
    for piece in _DIGITS.split(text.casefold()):
        if piece and piece[0] in "0123456789":
            # By length, then as text: int() refuses numbers of some thousand digits.
            digits = piece.lstrip("0")
            parts.append((0, len(digits), digits))
        else:
            parts.extend((1, 0, character) for character in piece)
    return tuple(parts)
