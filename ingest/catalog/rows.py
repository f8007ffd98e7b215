"""Many rows into one table at once: evidence comes by the ten thousand.

Values are turned into what the database holds a column at a time, by the columns' own types, and
equal ones once. SQLite then takes a thousand rows in one statement: a statement a row would hand
the interpreter lock to and fro with every row, while drives are waiting for it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain, islice, repeat
from typing import Any

from sqlalchemy import Connection, Table, insert

__all__ = ["Same", "insert_columns"]

_PARAMETERS = 32_766
"""In one statement of SQLite (https://www.sqlite.org/limits.html, 9)."""


@dataclass(frozen=True, slots=True)
class Same:
    """One value for every row."""

    value: object


def insert_columns(
    connection: Connection, table: Table, columns: Mapping[str, Sequence[object] | Same]
) -> None:
    """Insert rows given as columns, by name: equally many values each, or the `Same`.

    At least one column isn't the same throughout. Raises ValueError for columns of unequal length.
    """
    lengths = {len(values) for values in columns.values() if not isinstance(values, Same)}
    if len(lengths) != 1:
        raise ValueError(f"columns of unequal length: {sorted(lengths)}")
    kinds = table.columns
    held = []
    for name, values in columns.items():
        convert = kinds[name].type.dialect_impl(connection.dialect)
        held.append(_held(values, convert.bind_processor(connection.dialect)))
    rows = zip(*held, strict=False)
    if connection.dialect.name == "sqlite":
        _insert_many(connection, table.name, list(columns), rows)
    elif lengths != {0}:
        compiled = insert(table).compile(dialect=connection.dialect, column_keys=list(columns))
        named = [dict(zip(columns, row, strict=True)) for row in rows]
        connection.exec_driver_sql(str(compiled), named)


def _insert_many(
    connection: Connection, table: str, names: Sequence[str], rows: Iterable[tuple[object, ...]]
) -> None:
    rows = iter(rows)
    quoted = ", ".join(f'"{name}"' for name in names)
    row = f"({', '.join('?' * len(names))})"
    while some := list(islice(rows, _PARAMETERS // len(names))):
        statement = f'INSERT INTO "{table}" ({quoted}) VALUES {", ".join([row] * len(some))}'
        connection.exec_driver_sql(statement, tuple(chain.from_iterable(some)))


def _held(
    values: Sequence[object] | Same, convert: Callable[[Any], object] | None
) -> Iterable[object]:
    """As the database holds them."""
    if isinstance(values, Same):
        return repeat(values.value if convert is None else convert(values.value))
    if convert is None:
        return values
    try:
        distinct = set(values)
    except TypeError:  # what is kept as JSON
        return map(convert, values)
    if len(distinct) > len(values) // 2:
        return map(convert, values)
    return map({value: convert(value) for value in distinct}.__getitem__, values)
