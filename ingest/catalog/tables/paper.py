"""The paper of the shoot: slate logs and shot lists, every loading of them."""

from __future__ import annotations

from sqlalchemy import Boolean

from ingest.catalog.columns import Count, Json, Moment, Words
from ingest.catalog.tables.base import ident, optional, refers, required, table

__all__ = ["SHOT_LIST_LOAD", "SHOT_LIST_ROW", "SLATE_LOAD", "SLATE_ROW"]

SLATE_LOAD = table(
    "slate_load",
    ident(),
    refers("production_id", "production.id", index=True),
    required("log", Words()),
    required("loaded", Moment()),
    optional("who", Words()),
    optional("machine", Words()),
    optional("boot", Words()),
)
"""One loading of a slate log. The latest of a name counts; the others are its history."""

SLATE_ROW = table(
    "slate_row",
    ident(),
    refers("load_id", "slate_load.id", index=True),
    required("row", Count),
    required("scene", Words()),
    required("take", Words()),
    optional("shot", Words()),
    optional("day", Count),
    optional("camera", Words()),
    optional("roll", Words()),
    optional("sound_roll", Words()),
    optional("clip", Words()),
    optional("start_timecode", Words()),
    optional("end_timecode", Words()),
    optional("rating", Words()),
    required("mos", Boolean()),
    optional("note", Words()),
    required("extra", Json()),
    optional("date", Words()),
    optional("start_clock", Words()),
    optional("end_clock", Words()),
    optional("marks", Json()),
    optional("frame_rate", Words()),
    optional("lens", Words()),
    optional("stop", Words()),
    optional("filter", Words()),
    optional("iso", Words()),
    optional("white_balance", Words()),
    optional("shutter", Words()),
)
"""A row of a slate log, as loaded once."""

SHOT_LIST_LOAD = table(
    "shot_list_load",
    ident(),
    refers("production_id", "production.id", index=True),
    required("list", Words()),
    required("loaded", Moment()),
    required("who", Words()),
    required("machine", Words()),
    required("boot", Words()),
)
"""One loading of a shot list. The latest of a name counts; the others are its history."""

SHOT_LIST_ROW = table(
    "shot_list_row",
    ident(),
    refers("load_id", "shot_list_load.id", index=True),
    required("row", Count),
    required("scene", Words()),
    optional("shot", Words()),
    optional("setup", Words()),
    optional("day", Count),
    optional("date", Words()),
    optional("size", Words()),
    optional("location", Words()),
    required("cameras", Json()),
    optional("note", Words()),
    required("extra", Json()),
)
"""A planned shot, as loaded once."""
