"""Any table of cells, as a log or a shot list: never a crash, and never half of it."""

import csv
import io

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ingest.catalog.catalog import Catalog
from ingest.catalog.records import Observer
from ingest.errors import BadLog
from ingest.slate.planned import read_shot_list
from tests.helpers.paper import rows_of

INES = Observer("ines", "cart-1", "5b1c")
HEADINGS = st.sampled_from(
    [
        *("scene", "take", "shot", "camera", "roll", "clip", "start", "end", "time", "stop"),
        *("circled", "ng", "rating", "notes", "day", "date", "mos", "series", "slated", "fps"),
        *("lens", "setup", "size", "cameras", "Scene", "TAKE", "x"),
    ]
)
LIKELY = st.sampled_from(
    [
        *("12", "12A", "12A-3", "A12", "3", "3PU", "WT2", "RT", "1-3", "1,2", "③", "3 FS", "x"),
        *("A", "A+B", "A001", "C0003", "10:02:00:00", "10:02", "2:15 PM", "25:00", "circled"),
        *("NG", "2026-03-14", "14/03/2026", "3/4/2026", "03-Jan", "=A1", "@x", "", " ", "-"),
        *("\x1b[31m", "\u202e12", "\u0660", "9" * 300, "1e999", "false start", "tail", "yes"),
    ]
)
CELLS = st.one_of(LIKELY, LIKELY, st.text(max_size=12))
TABLES = st.tuples(
    st.lists(st.one_of(HEADINGS, HEADINGS, CELLS), min_size=1, max_size=8),
    st.lists(st.lists(CELLS, max_size=9), max_size=6),
).map(lambda table: [table[0], *table[1]])


def written(folder, table, mark):
    text = io.StringIO()
    csv.writer(text, delimiter=mark).writerows(table)
    path = folder / "any.csv"
    path.write_bytes(text.getvalue().encode("utf-8", "surrogatepass"))
    return str(path)


@settings(
    derandomize=True, deadline=None, max_examples=150, suppress_health_check=list(HealthCheck)
)
@given(TABLES, st.sampled_from(",;\t"))
def test_when_a_log_is_any_table_then_all_its_rows_are_read_or_none(tmp_path, table, mark):
    """Each row with a cell in it is in the rows, or the error is ours and names what is wrong."""
    path = written(tmp_path, table, mark)
    try:
        rows = rows_of(path)
    except BadLog as bad:
        assert all("\n" not in line and "\x1b" not in line for line in bad.lines())
        return
    assert all(row.scene and row.take for row in rows)
    told = {row.row for row in rows}
    filled = {n for n, row in enumerate(table, start=1) if any(cell.strip() for cell in row)}
    lost = [n for n in filled if n > min(told) and n not in told]
    if lost:  # only what an earlier row says in the same words: without it nothing changes
        left = [[] if n in lost else row for n, row in enumerate(table, start=1)]
        assert rows_of(written(tmp_path, left, mark)) == rows


@settings(
    derandomize=True, deadline=None, max_examples=100, suppress_health_check=list(HealthCheck)
)
@given(TABLES, st.sampled_from(",;\t"))
def test_when_a_shot_list_is_any_table_then_it_is_read_or_refused(tmp_path, table, mark):
    """Our own error, on lines that a terminal can show."""
    try:
        shots = read_shot_list(written(tmp_path, table, mark))
    except BadLog as bad:
        assert all("\n" not in line and "\x1b" not in line for line in bad.lines())
        return
    assert all(shot.scene for shot in shots)


@settings(derandomize=True, deadline=None, max_examples=25, suppress_health_check=list(HealthCheck))
@given(TABLES)
def test_when_any_table_is_loaded_then_the_catalog_holds_all_of_it_or_what_it_held(
    tmp_path_factory, table
):
    """One transaction, whatever stands in the cells."""
    folder = tmp_path_factory.mktemp("any")
    with Catalog.open(str(folder / "c.sqlite3")) as catalog:
        try:
            rows = rows_of(written(folder, table, ","))
        except BadLog:
            return
        catalog.load_slate("Salt Road", "any.csv", rows, INES)
        assert sorted(catalog.slate("Salt Road"), key=repr) == sorted(rows, key=repr)


@settings(derandomize=True, deadline=None, max_examples=60, suppress_health_check=list(HealthCheck))
@given(st.binary(max_size=400), st.sampled_from([b"", b"PK\x03\x04", b"\xff\xfe", b"scene,take\n"]))
def test_when_a_log_is_any_bytes_then_it_is_read_or_refused(tmp_path, content, head):
    """No file makes a traceback."""
    path = tmp_path / "any.csv"
    path.write_bytes(head + content)
    try:
        rows_of(str(path))
    except BadLog as bad:
        assert bad.do
