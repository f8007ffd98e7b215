"""The sheets of a workbook (XLSX, ECMA-376) as texts, read with openpyxl (an extra).

A formula stays the formula that it is: what it came to when the file was last saved may be old,
or missing, so nothing here trusts it.
"""

from __future__ import annotations

import datetime as dt
import warnings
import zipfile
from io import BytesIO
from typing import Any

from ingest.errors import BadLog, UsageError
from ingest.names import shown
from ingest.slate.sheet import HEADING_WITHIN, Merged, Sheet, Weigh

__all__ = ["read_workbook"]

_MAX_UNPACKED = 256 * 1024 * 1024
_MAX_CELLS = 2_000_000
_AS_CSV = "save the sheet as CSV (UTF-8) and load that"


def read_workbook(raw: bytes, name: str, weigh: Weigh, sheet: str | None) -> Sheet:
    """The one visible sheet that has headings, or the one named `sheet` (case doesn't count).

    Raises BadLog when it is no workbook, when none or several have headings; UsageError when
    openpyxl is not installed.
    """
    book = _opened(raw, name)
    try:
        found = {one.title: one for one in book.worksheets if one.sheet_state == "visible"}
        if sheet is not None:
            titles = [title for title in found if title.casefold() == sheet.casefold()]
            if not titles:
                raise BadLog(
                    f"{name} has no sheet {shown(sheet)}; it has {_listed(list(found))}.",
                    do="name one of them with --sheet",
                )
            return _sheet(found[titles[0]], f"{name}, {shown(titles[0])}")
        sheets = {title: _sheet(one, name) for title, one in found.items()}
    finally:
        book.close()
    headed = [title for title, one in sheets.items() if _weight(one, weigh) > 1]
    if len(headed) > 1:
        raise BadLog(
            f"{name} has {len(headed)} sheets with headings: {_listed(headed)}; "
            "nothing was loaded.",
            do="load them one by one, each named with --sheet",
        )
    if headed:
        return sheets[headed[0]]
    return next(iter(sheets.values()), Sheet(name, ()))


def _opened(raw: bytes, name: str) -> Any:
    try:
        with zipfile.ZipFile(BytesIO(raw)) as packed:
            unpacked = sum(entry.file_size for entry in packed.infolist())
            kinds = {entry.filename for entry in packed.infolist()}
    except (zipfile.BadZipFile, ValueError, OSError) as error:
        raise BadLog(f"{name} is a damaged workbook ({error}).", do="save it again") from error
    if "xl/workbook.xml" not in kinds:
        raise BadLog(f"{name} is no XLSX workbook and not CSV.", do=_AS_CSV)
    if unpacked > _MAX_UNPACKED:
        raise BadLog(f"{name} unpacks to {unpacked // 2**20:,} MiB: no sheet of a shoot does.")
    try:
        from openpyxl import load_workbook
    except ModuleNotFoundError:
        raise UsageError(
            f"{name} is a workbook, and openpyxl, which reads those, is not installed.",
            do=f'pip install "ingest[xlsx]", or {_AS_CSV}',
        ) from None
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of styles and extensions, which nobody needs here
            return load_workbook(BytesIO(raw), data_only=False, keep_links=False)
    except Exception as error:
        # openpyxl has no base error: anything from KeyError to a parser's own comes out of it.
        said = " ".join(shown(str(error)).split())[:120] or type(error).__name__
        raise BadLog(f"{name} can't be read as a workbook ({said}).", do=_AS_CSV) from error


def _sheet(one: Any, name: str) -> Sheet:
    if one.max_row * one.max_column > _MAX_CELLS:
        raise BadLog(
            f"{name}: its sheet {shown(one.title)} is {one.max_row:,} rows by "
            f"{one.max_column:,} columns; nothing was loaded.",
            do="delete the empty rows and columns at its end, and save it again",
        )
    rows = [tuple(_text(value) for value in row) for row in one.iter_rows(values_only=True)]
    while rows and not any(rows[-1]):
        rows.pop()
    merged = tuple(
        Merged(block.min_row, block.max_row, block.min_col - 1, block.max_col - 1)
        for block in one.merged_cells.ranges
    )
    return Sheet(name, tuple(rows), merged)


def _text(value: Any) -> str:
    """A cell as a person reads it: dates as 2026-03-14, times as 10:42:05, whole numbers bare."""
    match value:
        case None:
            return ""
        case bool():
            return "TRUE" if value else "FALSE"
        case float() if value.is_integer() and abs(value) < 1e15:
            return str(int(value))
        case dt.datetime():
            text = value.isoformat(" ", "seconds")
            return text.removesuffix(" 00:00:00")
        case dt.time():
            return value.isoformat("seconds")
        case dt.timedelta():
            seconds = round(value.total_seconds())
            return f"{seconds // 3600:02}:{seconds // 60 % 60:02}:{seconds % 60:02}"
        case str() | int() | float() | dt.date():
            return str(value)
    return f"={getattr(value, 'text', '')}"  # a formula over several cells


def _weight(one: Sheet, weigh: Weigh) -> int:
    return max((weigh(row) for row in one.rows[:HEADING_WITHIN]), default=0)


def _listed(titles: list[str]) -> str:
    said = [shown(title) for title in titles[:8]]
    return ", ".join(said) + (f" and {len(titles) - 8} more" if len(titles) > 8 else "")
