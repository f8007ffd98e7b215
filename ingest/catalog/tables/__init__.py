"""The tables, as SQLAlchemy models, by what they are about. What they mean is said in `records`;
the first line of each class says what one row is.

A change here needs a migration in `migrations/versions` and its number in `base.VERSIONS`; a test
holds models and migrations together. Whoever opens a catalog imports all of them from here.
"""

from ingest.catalog.tables.base import APPLICATION_ID, VERSION_TABLE, VERSIONS, Base
from ingest.catalog.tables.clips import (
    ClipFileRow,
    ClipLookRow,
    ClipRow,
    TakeLinkRow,
    WaveformRow,
)
from ingest.catalog.tables.custody import CustodyRow, RollMoveRow
from ingest.catalog.tables.evidence import AddedDigestRow, CopyRow, LookRow
from ingest.catalog.tables.footage import (
    CardNoteRow,
    DriveRow,
    FileRow,
    OffloadDriveRow,
    OffloadEndRow,
    OffloadRow,
    ProductionRow,
    RollRow,
)
from ingest.catalog.tables.paper import ShotListLoadRow, ShotListRowRow, SlateLoadRow, SlateRowRow

__all__ = [
    "APPLICATION_ID",
    "VERSIONS",
    "VERSION_TABLE",
    "AddedDigestRow",
    "Base",
    "CardNoteRow",
    "ClipFileRow",
    "ClipLookRow",
    "ClipRow",
    "CopyRow",
    "CustodyRow",
    "DriveRow",
    "FileRow",
    "LookRow",
    "OffloadDriveRow",
    "OffloadEndRow",
    "OffloadRow",
    "ProductionRow",
    "RollMoveRow",
    "RollRow",
    "ShotListLoadRow",
    "ShotListRowRow",
    "SlateLoadRow",
    "SlateRowRow",
    "TakeLinkRow",
    "WaveformRow",
]
