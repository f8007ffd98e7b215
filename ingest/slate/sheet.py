"""A sheet of paper as a table of texts: out of a CSV or text file, or a workbook (XLSX).

Rows and columns are counted as a spreadsheet shows them: the first row is 1, the first column A.
What the columns mean is no matter of this module.
"""

from __future__ import annotations

import csv
import os
import stat
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from io import StringIO
from itertools import islice

from ingest.errors import BadLog
from ingest.names import shown
from ingest.platforms import posix_files

__all__ = ["HEADING_WITHIN", "Merged", "Sheet", "Weigh", "read_sheet"]

HEADING_WITHIN = 25
"""Rows above the headings that may hold a title, the date, the production."""
_MAX_BYTES = 32 * 1024 * 1024
_SAVE_AGAIN = "open it in the spreadsheet and save it as XLSX or as CSV (UTF-8)"

Weigh = Callable[[Sequence[str]], int]
"""How many cells of a row would be understood as headings: finds the right mark or sheet."""


@dataclass(frozen=True, slots=True)
class Merged:
    """A block of merged cells, rows counted from 1, columns from 0, both ends inside."""

    first_row: int
    last_row: int
    first_column: int
    last_column: int


@dataclass(frozen=True, slots=True)
class Sheet:
    """The cells of a sheet, text as it stands there; `rows[0]` is the spreadsheet's row 1."""

    name: str
    """The file's name, shown safely; with the sheet's where one was asked for."""
    rows: tuple[tuple[str, ...], ...]
    merged: tuple[Merged, ...] = ()
    guessed: str | None = None
    """The encoding that was taken for want of a better, since the text is not Unicode: letters
    with accents may be other ones."""


def read_sheet(path: str, weigh: Weigh, *, sheet: str | None = None) -> Sheet:
    """The table in a file: comma, semicolon or tab; UTF-8 with or without mark, UTF-16 with mark,
    else Windows-1252 or Latin-1; or a workbook's sheet that has headings.

    `sheet` names the sheet of a workbook. Raises BadLog for whatever can't be read.
    """
    name = shown(os.path.basename(path))
    raw = _bytes(path)
    if raw.startswith(b"PK\x03\x04"):
        from ingest.slate.workbook import read_workbook  # openpyxl is slow to import

        return read_workbook(raw, name, weigh, sheet)
    if sheet is not None:
        raise BadLog(f"{name} is no workbook: it has no sheets.", do="leave out --sheet")
    text, guessed = _text(raw, name)
    rows = _records(text, name, weigh)
    return Sheet(name, tuple(tuple(cells) for cells in rows), guessed=guessed)


def _bytes(path: str) -> bytes:
    name = shown(path)
    try:
        handle = os.open(path, os.O_RDONLY | posix_files.O_CLOEXEC | posix_files.O_NONBLOCK)
        with open(handle, "rb") as file:
            if not stat.S_ISREG(os.fstat(file.fileno()).st_mode):
                raise BadLog(f"{name} is no file.", do="name a CSV or XLSX file")
            raw = file.read(_MAX_BYTES + 1)
    except IsADirectoryError:
        raise BadLog(f"{name} is a folder.", do="name a CSV or XLSX file") from None
    except FileNotFoundError:
        raise BadLog(f"There is no file at {name}.", do="check the name") from None
    except ValueError:  # a NUL in the name
        raise BadLog(f"There can be no file at {name}.", do="check the name") from None
    except OSError as error:
        raise BadLog(f"{name} can't be read: {error.strerror}.") from error
    if len(raw) > _MAX_BYTES:
        raise BadLog(f"{name} is larger than {_MAX_BYTES // 2**20} MiB: no sheet of a shoot is.")
    if not raw.strip():
        raise BadLog(f"{name} is empty; nothing was loaded.", do="check that it was saved")
    return raw


def _text(raw: bytes, name: str) -> tuple[str, str | None]:
    """The text, and its encoding where that is a guess."""
    if raw.startswith(b"\xd0\xcf\x11\xe0"):
        raise BadLog(f"{name} is a spreadsheet of the old kind (XLS), not CSV.", do=_SAVE_AGAIN)
    guessed = None
    try:
        if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
            text = raw.decode("utf-16")
        else:
            text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        try:
            text, guessed = raw.decode("cp1252"), "Windows-1252"
        except UnicodeDecodeError:
            text, guessed = raw.decode("latin-1"), "Latin-1"
    if "\0" in text:
        row = text.count("\n", 0, text.index("\0")) + 1
        raise BadLog(
            f"{name} holds a NUL byte in line {row}: it is not plain text.", do=_SAVE_AGAIN
        )
    return text, guessed


def _records(text: str, name: str, weigh: Weigh) -> list[list[str]]:
    """The cells of every row, split by whichever of comma, semicolon and tab makes most sense."""
    first, _, rest = text.partition("\n")
    told = first.strip().casefold()
    if len(told) == 5 and told.startswith("sep=") and told[4] in ",;":
        return [[], *_split(rest, told[4], name)]
    return _split(text, max(",;\t", key=lambda mark: _understood(text, mark, weigh)), name)


def _understood(text: str, mark: str, weigh: Weigh) -> int:
    """How many headings would be understood if this mark stood between the cells."""
    records: list[list[str]] = []
    with suppress(csv.Error):  # said with its row by the reading that follows
        records.extend(islice(csv.reader(_lines(text), delimiter=mark), HEADING_WITHIN))
    return max((weigh(row) for row in records), default=0)


def _split(text: str, mark: str, name: str) -> list[list[str]]:
    records: list[list[str]] = []
    try:
        records.extend(csv.reader(_lines(text), delimiter=mark, strict=True))
    except csv.Error as error:
        raise BadLog(
            f"{name} can't be read from row {len(records) + 1} on: {error}.",
            do="look for a quotation mark too many or too few in that row",
        ) from None
    return records


def _lines(text: str) -> Iterator[str]:
    """Lines for the csv module. Only line ends count: str.splitlines would break at more."""
    return iter(StringIO(text, newline=None))
