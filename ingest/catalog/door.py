"""One connection, one transaction, one translation of the database's errors: for all of `Catalog`.

Every method of the catalog runs in exactly one transaction, which is rolled back on any exception
(Ctrl-C included). Writers take the one write lock before they read, so that a second one waits,
and what they read is still true when they write.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import Any, TypeVar

from sqlalchemy import Connection, Engine, text
from sqlalchemy.exc import DatabaseError, OperationalError

from ingest import names
from ingest.errors import BadCatalog, IngestError, Unfinished

__all__ = ["Clock", "Door", "chunks", "damaged", "meaning", "utc_now", "wait_for_writers"]

Clock = Callable[[], datetime]

_T = TypeVar("_T")

_CHUNK = 5000  # SQLite takes 32766 parameters a statement, PostgreSQL 65535

_WRITE_LOCK = 0x464F4F54  # PostgreSQL: any number that all of us agree on


def utc_now() -> datetime:
    """The clock of a catalog that was given no other."""
    return datetime.now(UTC)


def chunks(items: Iterable[_T]) -> Iterator[Sequence[_T]]:
    """The distinct items in order, in pieces that a database takes as parameters."""
    distinct = list(dict.fromkeys(items))
    for start in range(0, len(distinct), _CHUNK):
        yield distinct[start : start + _CHUNK]


class Door:
    """Base of the parts of `Catalog`."""

    def __init__(self, engine: Engine, place: str, clock: Clock) -> None:
        self._engine = engine
        self._place = place
        self._clock = clock
        self._closed = False

    @contextmanager
    def _reading(self) -> Iterator[Connection]:
        """A transaction that sees one state of the catalog throughout."""
        options: dict[str, Any] = {}
        if self._engine.dialect.name == "postgresql":
            options["isolation_level"] = "REPEATABLE READ"
        with self._connected(options) as connection:
            yield connection

    @contextmanager
    def _writing(self) -> Iterator[Connection]:
        """The one transaction that may write now; committed at the end of the block."""
        with self._connected({"writing": True}) as connection:
            wait_for_writers(connection)
            yield connection

    @contextmanager
    def _connected(self, options: dict[str, Any]) -> Iterator[Connection]:
        if self._closed:
            raise ValueError("the catalog is closed")
        try:
            with self._engine.connect() as plain:
                connection = plain.execution_options(**options)
                with connection.begin():
                    yield connection
        except DatabaseError as error:
            told = meaning(error, self._place)
            if told is None:
                raise
            raise told from error


def wait_for_writers(connection: Connection) -> None:
    """Hold the write lock to the end of the transaction. SQLite took it with BEGIN IMMEDIATE."""
    if connection.dialect.name == "postgresql":
        connection.execute(text("SELECT pg_advisory_xact_lock(:n)"), {"n": _WRITE_LOCK})


def meaning(error: DatabaseError, place: str) -> IngestError | None:
    """What an error of the database means for the user; None when it is a bug of ours."""
    place = names.shown(place)
    name = str(getattr(error.orig, "sqlite_errorname", ""))
    said = names.shown(" ".join(str(error.orig).split()))  # a server answers in several lines
    if name.startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB")):
        return damaged(place, said)
    if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return Unfinished(
            f"The catalog {place} is held by another program ({said}).",
            do="wait for the other run to end, then give the same command again",
        )
    if name.startswith("SQLITE_FULL"):
        return Unfinished(
            f"The disk of the catalog {place} is full.",
            do="make room there, then give the same command again",
        )
    if isinstance(error, OperationalError) and not name.startswith("SQLITE_ERROR"):
        return Unfinished(
            f"The catalog {place} can't be read or written ({said}).",
            do="see that its disk or server is there and writable, then give the command again",
        )
    return None


def damaged(place: str, said: str) -> BadCatalog:
    """The error for a catalog whose file is broken."""
    return BadCatalog(
        f"The catalog {names.shown(place)} is damaged ({said}).",
        do="put back a copy of it from a backup, or name another with --catalog",
        dont="delete it: the footage is not in it, but what is known of the footage is",
    )
