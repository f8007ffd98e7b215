"""What came in: productions, rolls, drives, offloads, and the files of the cards."""

from __future__ import annotations

from sqlalchemy import Double, Index, LargeBinary, UniqueConstraint

from ingest.catalog.columns import Count, ExactPath, Json, Moment, WholeNumber, Words
from ingest.catalog.tables.base import ident, optional, refers, required, table

__all__ = [
    "CARD_NOTE",
    "DRIVE",
    "FILE",
    "OFFLOAD",
    "OFFLOAD_DRIVE",
    "OFFLOAD_END",
    "PRODUCTION",
    "ROLL",
]

PRODUCTION = table(
    "production",
    ident(),
    required("name", Words(), unique=True),
)
"""A production."""

ROLL = table(
    "roll",
    ident(),
    refers("production_id", "production.id"),
    required("name", Words()),
    required("name_folded", Words()),
    required("day", Count),
    required("date", Words()),
    optional("camera", Words()),
    required("card", Words()),
    UniqueConstraint("production_id", "name_folded"),
)
"""A roll of a production; names are one when they differ in case only."""

DRIVE = table(
    "drive",
    ident(),
    required("marker", Words(), index=True),
    required("name", Words()),
    optional("fs_uuid", Words()),
    optional("serial", Words()),
    required("device", Words()),
    required("fs_type", Words()),
    required("root", ExactPath()),
    required("first_seen", Moment()),
    required("last_seen", Moment()),
)
"""A drive. One marker may have several: a copied marker, or a drive formatted anew."""

OFFLOAD = table(
    "offload",
    ident(),
    required("run", Words()),
    refers("roll_id", "roll.id", index=True),
    required("day", Count),
    required("date", Words()),
    optional("camera", Words()),
    required("card_label", Words()),
    optional("card_fs_uuid", Words()),
    optional("card_serial", Words()),
    required("card_device", Words()),
    required("card_root", ExactPath()),
    required("who", Words()),
    required("machine", Words()),
    required("boot", Words()),
    required("started", Moment()),
    required("plan", Json()),
)
"""The start of an offload, with the card as it stood and what was asked for."""

OFFLOAD_END = table(
    "offload_end",
    refers("offload_id", "offload.id", primary_key=True),
    required("finished", Moment()),
    required("verdict", Words()),
    required("card_read", Count),
    required("seconds", Double()),
    required("bytes", Count),
    required("files", Count),
    required("known", Count),
    required("left_out", Count),
)
"""The end of an offload. Its absence says that the offload runs, or was cut off."""

OFFLOAD_DRIVE = table(
    "offload_drive",
    ident(),
    refers("offload_id", "offload_end.offload_id", index=True),
    refers("drive_id", "drive.id"),
    required("folder", ExactPath()),
    required("files_matched", Count),
    required("bytes", Count),
    required("seconds", Double()),
    required("route", Words()),
    required("problem", Words()),
    optional("pace", Json()),
)
"""What an offload left on one drive."""

CARD_NOTE = table(
    "card_note",
    ident(),
    refers("offload_id", "offload.id", index=True),
    required("kind", Words()),
    required("path", ExactPath()),
    required("detail", Words()),
)
"""Something seen on a card and not copied whole."""

FILE = table(
    "file",
    ident(),
    refers("roll_id", "roll.id", index=True),
    refers("offload_id", "offload.id"),
    required("path", ExactPath()),
    required("path_key", LargeBinary()),
    required("size", Count),
    required("mtime_ns", WholeNumber()),
    required("samples", Words()),
    required("digests", Json()),
    Index(None, "path_key", "roll_id"),
)
"""A file of a roll, as the card gave it. One path may have several: other content each."""
