"""What all tables share: how columns are made of types, and which catalogs can be opened."""

from __future__ import annotations

from typing import TypeVar

from sqlalchemy import Column, ForeignKey, MetaData, Table
from sqlalchemy.schema import SchemaItem
from sqlalchemy.types import TypeEngine

from ingest.catalog.columns import Id

__all__ = [
    "APPLICATION_ID",
    "METADATA",
    "VERSIONS",
    "VERSION_TABLE",
    "ident",
    "optional",
    "refers",
    "required",
    "table",
]

VERSIONS = ("0001", "0002", "0003", "0004", "0005", "0006", "0007", "0008", "0009")
"""Every migration in order, the newest last: what this program can open."""

VERSION_TABLE = "catalog_version"

APPLICATION_ID = 0x464F4F54
"""In an SQLite file's header, byte 68 (https://www.sqlite.org/fileformat.html 1.3.15): ours."""

_T = TypeVar("_T")


METADATA = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s",
        "pk": "pk_%(table_name)s",
    }
)


def table(name: str, *parts: SchemaItem, sqlite_autoincrement: bool = False) -> Table:
    """A table of the catalog."""
    return Table(name, METADATA, *parts, sqlite_autoincrement=sqlite_autoincrement)


def ident() -> Column[int]:
    """The number of a row."""
    return Column("id", Id, primary_key=True)


def required(
    name: str, kind: TypeEngine[_T], *, index: bool = False, unique: bool = False
) -> Column[_T]:
    """A column that always has a value."""
    # SQLAlchemy takes False for an answer, and None for none.
    return Column(name, kind, nullable=False, index=index or None, unique=unique or None)


def optional(name: str, kind: TypeEngine[_T]) -> Column[_T]:
    """A column that may be empty."""
    return Column(name, kind, nullable=True)


def refers(name: str, to: str, *, index: bool = False, primary_key: bool = False) -> Column[int]:
    """The number of a row of another table: `table.column`."""
    return Column(
        name,
        Id,
        ForeignKey(to),
        nullable=False,
        index=index or None,
        primary_key=primary_key,
        autoincrement=False,
    )
