"""Many rows at once come out as they went in."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta, timezone

import pytest
from sqlalchemy import (
    Column,
    Connection,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    create_engine,
    select,
)

from ingest.catalog.columns import Count, ExactPath, Json, Moment, WholeNumber, Words
from ingest.catalog.rows import Same, insert_columns

THINGS = Table(
    "the things",
    MetaData(),
    Column("id", Integer, primary_key=True),
    Column("words", Words()),
    Column("json", Json()),
    Column("at", Moment()),
    Column("number", WholeNumber()),
    Column("path", ExactPath()),
    Column("key", LargeBinary()),
    Column("count", Count),
)
NOON = datetime(2026, 3, 14, 12, tzinfo=UTC)


@pytest.fixture
def connection() -> Iterator[Connection]:
    engine = create_engine("sqlite://")
    with engine.begin() as connection:
        THINGS.metadata.create_all(connection)
        yield connection
    engine.dispose()


@pytest.mark.parametrize("times", [1, 5])
def test_hostile_values_come_out_as_they_went_in(connection: Connection, times: int) -> None:
    """NUL, lone surrogates, placeholders, numbers past 64 bits; alone, and each several times."""
    columns: dict[str, list[object]] = {
        "words": ["a\0b", "\udcff\\", "", "\\u0041", None, "? %s %(x)s :y ');--"],
        "json": [{"a": "\udcff"}, {}, None, {"b": [1, True, 1.5]}, {"c": "\0"}, {"": ""}],
        "at": [NOON, NOON.astimezone(timezone(timedelta(hours=5))), None, NOON, NOON, NOON],
        "number": [2**70, -(2**70), 0, 1, None, -1],
        "path": ["\udcff", "two\nlines", "-rf", "x", " ", None],
        "key": [b"", b"\0", b"\xff", b"1", None, b"2"],
        "count": [2**63 - 1, -(2**63), 0, 1, None, 2],
    }
    repeated = {name: values * times for name, values in columns.items()}
    insert_columns(connection, THINGS, repeated)
    rows = connection.execute(select(THINGS).order_by(THINGS.c.id)).all()
    assert [tuple(row[1:]) for row in rows] == list(zip(*repeated.values(), strict=True))


def test_more_rows_than_one_statement_takes_keep_their_order(connection: Connection) -> None:
    """Three columns at 32,766 parameters a statement."""
    many = 25_000
    columns: dict[str, Sequence[object] | Same] = {
        "count": range(many),
        "words": Same("same"),
        "at": Same(NOON),
    }
    insert_columns(connection, THINGS, columns)
    rows = connection.execute(select(THINGS.c.count, THINGS.c.words, THINGS.c.at, THINGS.c.id))
    assert [tuple(row) for row in rows] == [(n, "same", NOON, n + 1) for n in range(many)]


def test_columns_of_unequal_length_are_refused(connection: Connection) -> None:
    """And nothing of them is written."""
    with pytest.raises(ValueError, match="unequal"):
        insert_columns(connection, THINGS, {"count": [1, 2], "words": ["one"]})
    assert connection.execute(select(THINGS)).all() == []
