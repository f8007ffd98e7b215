"""What people wrote down, and the folders that are to be renamed for it."""

from __future__ import annotations

from ingest.catalog.columns import Count, ExactPath, Json, Moment, Word, Words
from ingest.catalog.tables.base import ident, refers, required, table

__all__ = ["CUSTODY", "ROLL_MOVE"]

CUSTODY = table(
    "custody",
    ident(),
    required("about", Word, index=True),
    required("subject", Words()),
    required("what", Word),
    required("value", Json()),
    required("who", Words()),
    required("machine", Words()),
    required("boot", Words()),
    required("at", Moment()),
    required("looks", Count),
    sqlite_autoincrement=True,  # no number is used twice
)
"""One thing that a person wrote down about a drive, card or roll. Like a look, the database
refuses to change or delete one."""

ROLL_MOVE = table(
    "roll_move",
    ident(),
    refers("custody_id", "custody.id"),
    refers("roll_id", "roll.id", index=True),
    refers("drive_id", "drive.id"),
    required("origin", ExactPath()),
    required("wanted", ExactPath()),
)
"""What a corrected roll's folder on one drive is to be called."""
