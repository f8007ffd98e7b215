"""What all tables share: how columns are made of types, and which catalogs can be opened."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import MetaData
from sqlalchemy.orm import DeclarativeBase

from ingest.catalog.columns import Count, Json, Moment, Words

__all__ = ["APPLICATION_ID", "VERSIONS", "VERSION_TABLE", "Base"]

VERSIONS = ("0001", "0002", "0003", "0004", "0005", "0006", "0007")
"""Every migration in order, the newest last: what this program can open."""

VERSION_TABLE = "catalog_version"

APPLICATION_ID = 0x464F4F54
"""In an SQLite file's header, byte 68 (https://www.sqlite.org/fileformat.html 1.3.15): ours."""


class Base(DeclarativeBase):
    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(table_name)s_%(column_0_N_name)s",
            "uq": "uq_%(table_name)s_%(column_0_N_name)s",
            "fk": "fk_%(table_name)s_%(column_0_name)s",
            "pk": "pk_%(table_name)s",
        }
    )
    type_annotation_map = {str: Words(), int: Count, datetime: Moment(), Any: Json()}  # noqa: RUF012
