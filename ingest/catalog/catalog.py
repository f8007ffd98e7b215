"""The one door to the database. (Signatures first; the body follows.)"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Self

from ingest.catalog.records import (
    CardNote,
    Clip,
    Copy,
    Drive,
    DriveSeen,
    FileRecord,
    Look,
    NewClip,
    NewFile,
    NewLook,
    NewOffload,
    Observer,
    Offload,
    OffloadEnd,
    Roll,
    SlateRow,
    TakeLink,
)


class Catalog:
    @classmethod
    def open(cls, place: str | None = None) -> Self:
        """Open (and make, on first use) the catalog.

        `place`: a file path, a SQLAlchemy URL, or None for the user's data folder
        (platformdirs.user_data_dir("ingest")/catalog.sqlite3). Raises BadCatalog when it is not
        a catalog, is damaged, can't be opened or written, or is from a newer version.
        """
        raise NotImplementedError

    def close(self) -> None: ...
    def __enter__(self) -> Self: ...
    def __exit__(self, *error: object) -> None: ...

    @property
    def place(self) -> str:
        """Where it is, for people (a URL's password left out)."""

    @property
    def posters(self) -> Path:
        """Folder of poster pictures: `posters` beside the SQLite file (made on asking); for other
        databases, in the user's data folder."""

    # Offloads -----------------------------------------------------------------------------
    def begin_offload(self, start: NewOffload) -> Offload: ...
    def see_drive(self, seen: DriveSeen) -> Drive:
        """Register a drive or refresh what is known of it (key: marker)."""

    def record_copied(
        self, offload: Offload, files: Sequence[NewFile], looks: Sequence[tuple[str, NewLook]]
    ) -> Mapping[str, int]:
        """One transaction: new files of the offload, and looks keyed by the file's path (their
        `file_id` is ignored here and filled in). A file that the roll already has under this path
        with the same size, samples and digests is reused, not doubled. Returns path -> file id.
        Core inserts in bulk: 20,000 files with two looks each in about a second."""

    def note_card(self, offload: Offload, notes: Iterable[CardNote]) -> None: ...
    def end_offload(self, offload: Offload, end: OffloadEnd) -> None: ...

    # Evidence -----------------------------------------------------------------------------
    def record_looks(self, run: str, observer: Observer, looks: Sequence[NewLook]) -> None:
        """Append evidence in one transaction, committed when this returns."""

    # Asking -------------------------------------------------------------------------------
    def productions(self) -> tuple[str, ...]: ...
    def rolls(
        self, *, production: str | None = None, day: int | None = None, name: str | None = None
    ) -> tuple[Roll, ...]:
        """By production, day, name order. `name` compares without case."""

    def drives(self) -> tuple[Drive, ...]: ...
    def drive(self, *, marker: str | None = None, name: str | None = None) -> Drive | None: ...
    def offloads(self, rolls: Sequence[Roll]) -> tuple[Offload, ...]: ...
    def card_notes(self, offload_ids: Sequence[int]) -> Mapping[int, tuple[CardNote, ...]]: ...
    def files(self, rolls: Sequence[Roll]) -> tuple[FileRecord, ...]: ...
    def files_like(
        self, keys: Iterable[tuple[str, int]]
    ) -> Mapping[tuple[str, int], tuple[FileRecord, ...]]:
        """Known files of any roll by (path, size): candidates only, since names repeat; compare
        samples before believing."""

    def roll_by_id(self, roll_id: int) -> Roll: ...
    def copies(
        self, *, rolls: Sequence[Roll] | None = None, drive_id: int | None = None
    ) -> tuple[Copy, ...]: ...
    def looks(self, copy_ids: Sequence[int]) -> Mapping[int, tuple[Look, ...]]:
        """Evidence of each copy, oldest first. Any number of ids."""

    # Clips and takes ----------------------------------------------------------------------
    def record_clips(self, roll: Roll, clips: Sequence[NewClip]) -> tuple[Clip, ...]:
        """Add or refresh the roll's clips by name, in one transaction; ids stay, links stay."""

    def clips(self, rolls: Sequence[Roll]) -> tuple[Clip, ...]: ...
    def load_slate(self, production: str, log: str, rows: Sequence[SlateRow]) -> None:
        """Replace what the log of this name said before, in one transaction; the old rows are
        kept as history (superseded), never deleted."""

    def slate(self, production: str) -> tuple[SlateRow, ...]:
        """The rows that count now, in order of log and row."""

    def replace_links(self, clip_ids: Sequence[int], links: Sequence[TakeLink]) -> None:
        """Links of these clips become these, in one transaction; links set by hand stay and win."""

    def set_link(self, link: TakeLink, observer: Observer) -> None:
        """A link set by hand: the clip's earlier links of the same scene and take are replaced;
        computed links of that clip are dropped."""

    def links(self, clip_ids: Sequence[int]) -> Mapping[int, tuple[TakeLink, ...]]: ...
