"""What the files are: clips, looks at them, the takes that they hold, sounds compared."""

from __future__ import annotations

from sqlalchemy import Boolean, UniqueConstraint

from ingest.catalog.columns import Count, ExactPath, Json, Moment, Words
from ingest.catalog.tables.base import ident, optional, refers, required, table

__all__ = ["CLIP", "CLIP_FILE", "CLIP_LOOK", "TAKE_LINK", "WAVEFORM"]

CLIP = table(
    "clip",
    ident(),
    refers("roll_id", "roll.id"),
    required("name", Words()),
    required("facts", Json()),
    optional("poster", Words()),
    optional("slate_picture", Words()),
    UniqueConstraint("roll_id", "name"),
)
"""A clip of a roll."""

CLIP_FILE = table(
    "clip_file",
    ident(),
    refers("clip_id", "clip.id", index=True),
    required("path", ExactPath()),
    required("role", Words()),
)
"""A file of a clip, in its place among them."""

CLIP_LOOK = table(
    "clip_look",
    ident(),
    refers("clip_id", "clip.id", index=True),
    required("run", Words()),
    required("who", Words()),
    required("machine", Words()),
    required("boot", Words()),
    required("at", Moment()),
    required("drive", Words()),
    required("health", Json()),
    sqlite_autoincrement=True,  # no number is used twice
)
"""One look at a clip, to see whether it plays. The database itself refuses to change one."""

TAKE_LINK = table(
    "take_link",
    ident(),
    refers("clip_id", "clip.id", index=True),
    required("scene", Words()),
    required("take", Words()),
    optional("shot", Words()),
    optional("rating", Words()),
    required("sure", Words()),
    required("basis", Words()),
    optional("note", Words()),
    required("by_hand", Boolean()),
    optional("who", Words()),
    optional("machine", Words()),
    optional("boot", Words()),
    required("set_at", Moment()),
    optional("ended", Moment()),
)
"""A link between clip and take. One set by hand is ended when another takes its place."""

WAVEFORM = table(
    "waveform",
    ident(),
    required("picture", Words(), index=True),
    required("sound", Words()),
    required("method", Count),
    optional("same", Boolean()),
    optional("lag_us", Count),
    required("who", Words()),
    required("machine", Words()),
    required("boot", Words()),
    required("at", Moment()),
    sqlite_autoincrement=True,  # no number is used twice
)
"""What the waveforms of two files said. The database itself refuses to change or delete one."""
