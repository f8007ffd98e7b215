"""The tables, by what they are about. What they mean is said in `records`; the sentence below each
says what one row is.

A change here needs a migration in `migrations/versions` and its number in `base.VERSIONS`; a test
holds tables and migrations together. Whoever opens a catalog imports all of them from here.
"""

from ingest.catalog.tables.base import APPLICATION_ID, METADATA, VERSION_TABLE, VERSIONS
from ingest.catalog.tables.clips import (
    CLIP,
    CLIP_FILE,
    CLIP_LOOK,
    TAKE_LINK,
    WAVEFORM,
)
from ingest.catalog.tables.custody import CUSTODY, ROLL_MOVE
from ingest.catalog.tables.evidence import ADDED_DIGEST, CARD_LOOK, COPY, LOOK
from ingest.catalog.tables.footage import (
    CARD_NOTE,
    DRIVE,
    FILE,
    OFFLOAD,
    OFFLOAD_DRIVE,
    OFFLOAD_END,
    PRODUCTION,
    ROLL,
)
from ingest.catalog.tables.paper import SHOT_LIST_LOAD, SHOT_LIST_ROW, SLATE_LOAD, SLATE_ROW

__all__ = [
    "ADDED_DIGEST",
    "APPLICATION_ID",
    "CARD_LOOK",
    "CARD_NOTE",
    "CLIP",
    "CLIP_FILE",
    "CLIP_LOOK",
    "COPY",
    "CUSTODY",
    "DRIVE",
    "FILE",
    "LOOK",
    "METADATA",
    "OFFLOAD",
    "OFFLOAD_DRIVE",
    "OFFLOAD_END",
    "PRODUCTION",
    "ROLL",
    "ROLL_MOVE",
    "SHOT_LIST_LOAD",
    "SHOT_LIST_ROW",
    "SLATE_LOAD",
    "SLATE_ROW",
    "TAKE_LINK",
    "VERSIONS",
    "VERSION_TABLE",
    "WAVEFORM",
]
