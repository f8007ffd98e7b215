"""Reads a slate log out of a CSV file: all of it, or nothing and every bad row named.

Rows and columns are counted as a spreadsheet shows them: the first row is 1, the first column A.
"""

from __future__ import annotations

import csv
import os
import stat
from collections.abc import Iterator, Sequence
from contextlib import suppress
from io import StringIO
from itertools import islice

from ingest.catalog.records import SlateRow
from ingest.errors import BadLog
from ingest.names import shown
from ingest.platforms import posix_files
from ingest.slate.columns import Columns, column_letter, understand
from ingest.slate.rows import Problem, find_clashes, read_row, shortened

__all__ = ["read_log"]

_MAX_BYTES = 32 * 1024 * 1024
_MAX_COLUMNS = 250
_HEADING_WITHIN = 25
"""Rows above the headings that may hold a title, the date, the production."""
_SHOWN_PROBLEMS = 4
_SAVE_AGAIN = "open it in the spreadsheet and save it as CSV (UTF-8)"


def read_log(path: str) -> tuple[SlateRow, ...]:
    """The rows of the slate log at `path`, in their order, rows that say the same only once.

    Comma, semicolon or tab; UTF-8 with or without mark, UTF-16 with mark, else Windows-1252 or
    Latin-1. A row needs a scene and a take; `12A-3` in the scene's cell is both. Raises BadLog,
    naming rows and columns, for anything that can't be read: nothing is half-loaded.
    """
    name = shown(os.path.basename(path))
    records = _records(_text(_bytes(path), name), name)
    heading_at, columns = _headings(records, name)
    problems: list[Problem] = []
    rows: list[SlateRow] = []
    for index in range(heading_at + 1, len(records)):
        cells = records[index]
        if any(cell.strip() for cell in cells):
            row, bad = read_row(cells, columns, records[heading_at], log=name, number=index + 1)
            problems.extend(bad)
            rows.append(row)
    kept, clashes = find_clashes(rows)
    problems.extend(clashes)
    if problems:
        raise _bad_rows(name, problems)
    if not kept:
        raise BadLog(
            f"{name} has headings and no takes under them; nothing was loaded.",
            do="check that the right sheet was saved",
        )
    return kept


def _bad_rows(name: str, problems: Sequence[Problem]) -> BadLog:
    ordered = sorted(problems, key=lambda problem: problem.row)
    count = len({problem.row for problem in ordered})
    said = "; ".join(problem.words() for problem in ordered[:_SHOWN_PROBLEMS])
    more = len(ordered) - _SHOWN_PROBLEMS
    if more > 0:
        said += f"; and {more:,} more"
    rows = "1 bad row" if count == 1 else f"{count:,} bad rows"
    remedies = dict.fromkeys(problem.do for problem in ordered[:_SHOWN_PROBLEMS])
    return BadLog(
        f"{name} has {rows}, nothing was loaded. {said[0].upper()}{said[1:]}.",
        do="; ".join(remedies) + "; then load it again",
    )


def _bytes(path: str) -> bytes:
    name = shown(path)
    try:
        handle = os.open(path, os.O_RDONLY | posix_files.O_CLOEXEC | posix_files.O_NONBLOCK)
        with open(handle, "rb") as file:
            if not stat.S_ISREG(os.fstat(file.fileno()).st_mode):
                raise BadLog(f"{name} is no file.", do="name the log's CSV file")
            raw = file.read(_MAX_BYTES + 1)
    except IsADirectoryError:
        raise BadLog(f"{name} is a folder.", do="name the log's CSV file") from None
    except FileNotFoundError:
        raise BadLog(f"There is no file at {name}.", do="check the name of the log") from None
    except OSError as error:
        raise BadLog(f"{name} can't be read: {error.strerror}.") from error
    if len(raw) > _MAX_BYTES:
        raise BadLog(f"{name} is larger than {_MAX_BYTES // 2**20} MiB: no slate log is.")
    if not raw.strip():
        raise BadLog(f"{name} is empty; nothing was loaded.", do="check that it was saved")
    return raw


def _text(raw: bytes, name: str) -> str:
    if raw.startswith((b"PK\x03\x04", b"\xd0\xcf\x11\xe0")):
        raise BadLog(f"{name} is a spreadsheet's own file, not CSV.", do=_SAVE_AGAIN)
    try:
        if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
            text = raw.decode("utf-16")
        else:
            text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        try:
            text = raw.decode("cp1252")
        except UnicodeDecodeError:
            text = raw.decode("latin-1")
    if "\0" in text:
        row = text.count("\n", 0, text.index("\0")) + 1
        raise BadLog(
            f"{name} holds a NUL byte in line {row}: it is not plain text.", do=_SAVE_AGAIN
        )
    return text


def _records(text: str, name: str) -> list[list[str]]:
    """The cells of every row, split by whichever of comma, semicolon and tab makes most sense."""
    first, _, rest = text.partition("\n")
    told = first.strip().casefold()
    if len(told) == 5 and told.startswith("sep=") and told[4] in ",;":
        return [[], *_split(rest, told[4], name)]
    return _split(text, max(",;\t", key=lambda mark: _understood(text, mark)), name)


def _understood(text: str, mark: str) -> int:
    """How many headings would be understood if this mark stood between the cells."""
    records: list[list[str]] = []
    with suppress(csv.Error):  # said with its row by the reading that follows
        records.extend(islice(csv.reader(_lines(text), delimiter=mark), _HEADING_WITHIN))
    return max((understand(row).known for row in records), default=0)


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


def _headings(records: Sequence[Sequence[str]], name: str) -> tuple[int, Columns]:
    found: tuple[int, Columns] | None = None
    for index, cells in enumerate(records[:_HEADING_WITHIN]):
        columns = understand(cells)
        if "scene" in columns.of and columns.known > (found[1].known if found else 1):
            found = index, columns
    if found is None:
        raise BadLog(
            f"{name} has no row of headings with a scene and a take; nothing was loaded.",
            do="give the columns headings: scene, take, camera, roll, clip, circled, notes",
        )
    index, columns = found
    if columns.twice:
        one, other = columns.twice[0]
        heading = shortened(records[index][one].strip())
        raise BadLog(
            f"{name}, row {index + 1}: columns {column_letter(one)} and {column_letter(other)} "
            f"are both called {heading}; nothing was loaded.",
            do="give each column a heading of its own",
        )
    if len(columns.extra) + columns.known > _MAX_COLUMNS:
        raise BadLog(
            f"{name} has {len(columns.extra) + columns.known:,} columns with headings; "
            "nothing was loaded.",
            do="keep the columns of the slate log and save it again",
        )
    return index, columns
