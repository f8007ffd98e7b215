"""Column types: what a database can't hold by itself, kept exactly.

SQLite text can't hold lone surrogates, PostgreSQL text can't hold NUL, and neither keeps a time
zone the same way. These types hide that: what goes in comes out equal, on both.
"""

from __future__ import annotations

import hashlib
import json
import re
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import BigInteger, Integer, LargeBinary, Text
from sqlalchemy.engine import Dialect
from sqlalchemy.types import TypeDecorator

from ingest import names

__all__ = ["Count", "ExactPath", "Id", "Json", "Moment", "WholeNumber", "Word", "Words", "path_key"]

Id = BigInteger().with_variant(Integer(), "sqlite")
"""64 bits on both: only INTEGER gets its numbers from SQLite by itself."""

Count = BigInteger()

Word = Text()
"""A word of our own (an act, a state): nothing in it needs care."""

_to_json = json.JSONEncoder(allow_nan=False).encode

_ESCAPED = re.compile(r"[\\\x00\ud800-\udfff]")
_ESCAPES = re.compile(r"\\(?:\\|0|u([0-9a-f]{4}))")


def path_key(path: str) -> bytes:
    """A 16-byte digest of a path for indexes: PostgreSQL refuses to index long values."""
    return hashlib.blake2b(names.to_bytes(path), digest_size=16).digest()


class Words(TypeDecorator[str]):
    """Any text. Lone surrogates and NUL are stored as `\\udcff` and `\\0`, a backslash doubled."""

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: str | None, dialect: Dialect) -> str | None:
        if value is None or _ESCAPED.search(value) is None:
            return value
        return _ESCAPED.sub(_escape, value)

    def process_result_value(self, value: str | None, dialect: Dialect) -> str | None:
        if value is None or "\\" not in value:
            return value
        return _ESCAPES.sub(_unescape, value)


def _escape(found: re.Match[str]) -> str:
    character = found.group()
    if character == "\\":
        return "\\\\"
    return "\\0" if character == "\0" else f"\\u{ord(character):04x}"


def _unescape(found: re.Match[str]) -> str:
    if found.group(1):
        return chr(int(found.group(1), 16))
    return "\0" if found.group() == "\\0" else "\\"


class ExactPath(TypeDecorator[str]):
    """A path as the bytes that stand on the medium (see `ingest.names`)."""

    impl = LargeBinary
    cache_ok = True

    def process_bind_param(self, value: str | None, dialect: Dialect) -> bytes | None:
        return None if value is None else names.to_bytes(value)

    def process_result_value(self, value: bytes | None, dialect: Dialect) -> str | None:
        return None if value is None else names.from_bytes(value)


class Moment(TypeDecorator[datetime]):
    """An aware time, as ISO 8601 in UTC to the microsecond: its text sorts in order of time."""

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> str | None:
        if value is None:
            return None
        if value.utcoffset() is None:
            raise ValueError(f"a time with its zone is needed, not {value!r}")
        return value.astimezone(UTC).isoformat(timespec="microseconds")

    def process_result_value(self, value: str | None, dialect: Dialect) -> datetime | None:
        return None if value is None else datetime.fromisoformat(value)


class Json(TypeDecorator[Any]):
    """Plain JSON in ASCII, so that lone surrogates and NUL survive as escapes.

    One pair doesn't come back as it was: a lone high surrogate right before a lone low one
    becomes the character they spell. Names read from a medium hold only low ones.
    """

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: Any, dialect: Dialect) -> str | None:
        return None if value is None else _to_json(value)

    def process_result_value(self, value: str | None, dialect: Dialect) -> Any:
        return None if value is None else json.loads(value)


class WholeNumber(TypeDecorator[int]):
    """A whole number of any length: some file systems date files past 64 bits of nanoseconds."""

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: int | None, dialect: Dialect) -> str | None:
        return None if value is None else str(value)

    def process_result_value(self, value: str | None, dialect: Dialect) -> int | None:
        return None if value is None else int(value)
