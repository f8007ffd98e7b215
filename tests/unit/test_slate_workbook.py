"""Workbooks (XLSX): the same rows as from CSV, and what only a workbook can get wrong."""

import datetime as dt
import zipfile

import pytest
from openpyxl import Workbook, load_workbook

from ingest.errors import BadLog, UsageError
from ingest.slate import workbook
from tests.helpers.paper import rows_of

HEADINGS = ("Scene", "Take", "Clip", "Time", "Date", "Notes")


@pytest.fixture
def book(tmp_path):
    """Writes a workbook with one sheet of these rows, and returns its path."""

    def write(*rows, change=lambda book: None):
        made = Workbook()
        for row in (HEADINGS, *rows):
            made.active.append(row)
        change(made)
        path = tmp_path / "day1.xlsx"
        made.save(path)
        return str(path)

    return write


def refused(path, **more):
    with pytest.raises(BadLog) as caught:
        rows_of(path, **more)
    return " ".join(caught.value.lines())


def test_when_a_workbook_is_loaded_then_cells_read_as_a_person_sees_them(book):
    """Whole numbers bare, dates as 2026-03-14, times as 10:42:05."""
    path = book(("12A", 3, 12, dt.time(10, 42, 5), dt.date(2026, 3, 14), "wind"), (13, 1.0, None))
    one, other = rows_of(path)
    assert (one.scene, one.take, one.clip, one.note) == ("12A", "3", "12", "wind")
    assert (one.start_clock, one.date, one.row, one.log) == (
        "10:42:05",
        "2026-03-14",
        2,
        "day1.xlsx",
    )
    assert (other.scene, other.take, other.clip) == ("13", "1", None)


def test_when_one_of_several_sheets_has_headings_then_it_is_read(book):
    """A cover sheet is no log."""

    def cover(made):
        made.create_sheet("Cover", 0).append(["Saltmarsh", "day 1"])

    assert len(rows_of(book(("12A", 3), change=cover))) == 1


def test_when_two_sheets_have_headings_then_one_must_be_named(book):
    """Nothing is guessed; named, its rows are a log of their own."""

    def second(made):
        other = made.create_sheet("Day 2")
        other.append(("scene", "take"))
        other.append(("14", "1"))

    path = book(("12A", 3), change=second)
    said = refused(path)
    assert "2 sheets with headings: Sheet, Day 2" in said
    assert "--sheet" in said
    (row,) = rows_of(path, sheet="day 2")
    assert (row.scene, row.log) == ("14", "day1.xlsx, Day 2")
    assert "has no sheet Day 3; it has Sheet, Day 2" in refused(path, sheet="Day 3")


def test_when_a_cell_is_a_formula_then_it_is_named_and_nothing_is_loaded(book):
    """What it came to is not what was written; in notes it stays text."""
    assert "Row 2, column A (Scene): =B2+9 is a formula" in refused(book(("=B2+9", 3)))
    (row,) = rows_of(book(("12A", 3, None, None, None, '=HYPERLINK("x")')))
    assert row.note == '=HYPERLINK("x")'


def test_when_cells_are_merged_over_rows_then_each_row_is_named(book):
    """Only the first of them holds the scene: the others would be lost or guessed."""
    path = book(
        ("12A", 1), (None, 2), (None, 3), change=lambda made: made.active.merge_cells("A2:A4")
    )
    said = refused(path)
    assert "3 bad rows" in said
    assert "Row 2, column A (Scene): merged over rows 2 to 4" in said
    assert "unmerge the cells" in said


def test_when_a_title_is_merged_above_the_headings_then_it_does_no_harm(book):
    """It holds no take."""

    def title(made):
        made.active.insert_rows(1)
        made.active["A1"] = "Saltmarsh, day 1"
        made.active.merge_cells("A1:F1")

    (row,) = rows_of(book(("12A", 3), change=title))
    assert row.row == 3


def test_when_a_spreadsheet_made_a_date_of_a_take_then_it_is_named(book):
    """`3-1` typed into a cell that was not text."""
    assert "a date that the spreadsheet made of it" in refused(book(("12A", dt.date(2026, 1, 3))))


def test_when_a_workbook_is_damaged_or_none_then_one_line_says_so(book, tmp_path):
    """Cut off, another archive, too large when unpacked."""
    path = book(("12A", 3))
    whole = (tmp_path / "day1.xlsx").read_bytes()
    (tmp_path / "cut.xlsx").write_bytes(whole[: len(whole) // 2])
    assert "damaged workbook" in refused(str(tmp_path / "cut.xlsx"))
    with zipfile.ZipFile(tmp_path / "other.xlsx", "w") as packed:
        packed.writestr("notes.txt", "x")
    assert "no XLSX workbook" in refused(str(tmp_path / "other.xlsx"))
    with zipfile.ZipFile(path) as packed:
        parts = {name: packed.read(name) for name in packed.namelist()}
    parts["xl/worksheets/sheet1.xml"] = b"<worksheet>"
    with zipfile.ZipFile(tmp_path / "bad.xlsx", "w") as packed:
        for name, content in parts.items():
            packed.writestr(name, content)
    assert "can't be read as a workbook" in refused(str(tmp_path / "bad.xlsx"))


def test_when_a_workbook_is_a_bomb_then_it_is_not_unpacked(book, monkeypatch):
    """Its directory tells the size beforehand."""
    monkeypatch.setattr(workbook, "_MAX_UNPACKED", 1000)
    assert "unpacks to" in refused(book(("12A", 3)))


def test_when_a_sheet_is_enormous_then_it_is_refused(book):
    """One stray cell far away makes a million empty ones."""
    path = book(("12A", 3), change=lambda made: made.active.cell(9000, 900, "x"))
    assert "9,000 rows by 900 columns" in refused(path)


def test_when_openpyxl_is_missing_then_it_is_said_what_to_install(book, monkeypatch):
    """An extra: CSV works without it."""
    path = book(("12A", 3))
    monkeypatch.setitem(__import__("sys").modules, "openpyxl", None)
    with pytest.raises(UsageError) as caught:
        rows_of(path)
    assert 'pip install "ingest[xlsx]"' in caught.value.do
    assert load_workbook  # the test itself has it
