"""Where copies lie, and every look that was taken at them."""

from __future__ import annotations

from sqlalchemy import LargeBinary, UniqueConstraint

from ingest.catalog.columns import Count, ExactPath, Moment, Word, Words
from ingest.catalog.tables.base import ident, optional, refers, required, table

__all__ = ["ADDED_DIGEST", "CARD_LOOK", "COPY", "LOOK"]

COPY = table(
    "copy",
    ident(),
    refers("file_id", "file.id"),
    refers("drive_id", "drive.id", index=True),
    required("path", ExactPath()),
    required("path_key", LargeBinary()),
    UniqueConstraint("file_id", "drive_id", "path_key"),
)
"""A place on a drive where a file was put."""

LOOK = table(
    "look",
    ident(),
    refers("copy_id", "copy.id", index=True),
    required("run", Words()),
    required("who", Words()),
    required("machine", Words()),
    required("boot", Words()),
    required("mount", Words()),
    required("act", Word),
    required("state", Word),
    optional("route", Word),
    required("against", Word),
    optional("size", Count),
    optional("kind", Words()),
    optional("digest", Words()),
    required("at", Moment()),
    required("detail", Words()),
    sqlite_autoincrement=True,  # no number is used twice
)
"""One observation of one copy. The database itself refuses to change or delete one."""

ADDED_DIGEST = table(
    "added_digest",
    ident(),
    refers("file_id", "file.id", index=True),
    refers("copy_id", "copy.id"),
    required("kind", Words()),
    required("digest", Words()),
    required("run", Words()),
    required("who", Words()),
    required("machine", Words()),
    required("boot", Words()),
    required("at", Moment()),
    sqlite_autoincrement=True,  # no number is used twice
)
"""A checksum of a further kind, computed by an audit from a copy that was equal in another
kind in the same read. The database itself refuses to change or delete one."""

CARD_LOOK = table(
    "card_look",
    ident(),
    refers("file_id", "file.id", index=True),
    required("run", Words()),
    required("who", Words()),
    required("machine", Words()),
    required("boot", Words()),
    required("at", Moment()),
    required("route", Word),
    required("kind", Words()),
    required("digest", Words()),
    sqlite_autoincrement=True,  # no number is used twice
)
"""One further read of a file on its card, equal to what its offload read. The database itself
refuses to change or delete one."""
