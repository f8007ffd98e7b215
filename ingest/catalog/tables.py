"""The tables, as SQLAlchemy models. What they mean is said in `records`; the first line of each
class says what one row is.

A change here needs a migration in `migrations/versions` and its number in `VERSIONS`; a test
holds models and migrations together.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import ForeignKey, Index, MetaData, UniqueConstraint
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

from ingest.catalog.columns import Count, ExactPath, Id, Json, Moment, WholeNumber, Word, Words

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
]

VERSIONS = ("0001", "0002", "0003", "0004", "0005", "0006")
"""Every migration in order, the newest last: what this program can open."""

VERSION_TABLE = "catalog_version"

APPLICATION_ID = 0x464F4F54
"""In an SQLite file's header, byte 68 (https://www.sqlite.org/fileformat.html 1.3.15): ours."""


class Base(DeclarativeBase):
    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(table_name)s_%(column_0_N_name)s",
            "uq": "uq_%(table_name)s_%(column_0_N_name)s",
            "fk": "fk_%(table_name)s_%(column_0_name)s",
            "pk": "pk_%(table_name)s",
        }
    )
    type_annotation_map = {str: Words(), int: Count, datetime: Moment(), Any: Json()}  # noqa: RUF012


class ProductionRow(Base):
    """A production."""

    __tablename__ = "production"
    id: Mapped[int] = mapped_column(Id, primary_key=True)
    name: Mapped[str] = mapped_column(unique=True)


class RollRow(Base):
    """A roll of a production; names are one when they differ in case only."""

    __tablename__ = "roll"
    __table_args__ = (UniqueConstraint("production_id", "name_folded"),)
    id: Mapped[int] = mapped_column(Id, primary_key=True)
    production_id: Mapped[int] = mapped_column(ForeignKey("production.id"))
    name: Mapped[str]
    name_folded: Mapped[str]
    day: Mapped[int]
    date: Mapped[str]
    camera: Mapped[str | None]
    card: Mapped[str]


class DriveRow(Base):
    """A drive. One marker may have several: a copied marker, or a drive formatted anew."""

    __tablename__ = "drive"
    id: Mapped[int] = mapped_column(Id, primary_key=True)
    marker: Mapped[str] = mapped_column(index=True)
    name: Mapped[str]
    fs_uuid: Mapped[str | None]
    serial: Mapped[str | None]
    device: Mapped[str]
    fs_type: Mapped[str]
    root: Mapped[str] = mapped_column(ExactPath)
    first_seen: Mapped[datetime]
    last_seen: Mapped[datetime]


class OffloadRow(Base):
    """The start of an offload, with the card as it stood and what was asked for."""

    __tablename__ = "offload"
    id: Mapped[int] = mapped_column(Id, primary_key=True)
    run: Mapped[str]
    roll_id: Mapped[int] = mapped_column(ForeignKey("roll.id"), index=True)
    day: Mapped[int]
    date: Mapped[str]
    camera: Mapped[str | None]
    card_label: Mapped[str]
    card_fs_uuid: Mapped[str | None]
    card_serial: Mapped[str | None]
    card_device: Mapped[str]
    card_root: Mapped[str] = mapped_column(ExactPath)
    who: Mapped[str]
    machine: Mapped[str]
    boot: Mapped[str]
    started: Mapped[datetime]
    plan: Mapped[Any] = mapped_column(Json, nullable=False)


class OffloadEndRow(Base):
    """The end of an offload. Its absence says that the offload runs, or was cut off."""

    __tablename__ = "offload_end"
    offload_id: Mapped[int] = mapped_column(
        Id, ForeignKey("offload.id"), primary_key=True, autoincrement=False
    )
    finished: Mapped[datetime]
    verdict: Mapped[str]
    card_read: Mapped[int]
    seconds: Mapped[float]
    bytes: Mapped[int]
    files: Mapped[int]
    known: Mapped[int]
    left_out: Mapped[int]


class OffloadDriveRow(Base):
    """What an offload left on one drive."""

    __tablename__ = "offload_drive"
    id: Mapped[int] = mapped_column(Id, primary_key=True)
    offload_id: Mapped[int] = mapped_column(ForeignKey("offload_end.offload_id"), index=True)
    drive_id: Mapped[int] = mapped_column(ForeignKey("drive.id"))
    folder: Mapped[str] = mapped_column(ExactPath)
    files_matched: Mapped[int]
    bytes: Mapped[int]
    seconds: Mapped[float]
    route: Mapped[str]
    problem: Mapped[str]
    pace: Mapped[Any] = mapped_column(Json, nullable=True)


class CardNoteRow(Base):
    """Something seen on a card and not copied whole."""

    __tablename__ = "card_note"
    id: Mapped[int] = mapped_column(Id, primary_key=True)
    offload_id: Mapped[int] = mapped_column(ForeignKey("offload.id"), index=True)
    kind: Mapped[str]
    path: Mapped[str] = mapped_column(ExactPath)
    detail: Mapped[str]


class FileRow(Base):
    """A file of a roll, as the card gave it. One path may have several: other content each."""

    __tablename__ = "file"
    __table_args__ = (Index(None, "path_key", "roll_id"),)
    id: Mapped[int] = mapped_column(Id, primary_key=True)
    roll_id: Mapped[int] = mapped_column(ForeignKey("roll.id"), index=True)
    offload_id: Mapped[int] = mapped_column(ForeignKey("offload.id"))
    path: Mapped[str] = mapped_column(ExactPath)
    path_key: Mapped[bytes]
    size: Mapped[int]
    mtime_ns: Mapped[int] = mapped_column(WholeNumber)
    samples: Mapped[str]
    digests: Mapped[Any] = mapped_column(Json, nullable=False)


class CopyRow(Base):
    """A place on a drive where a file was put."""

    __tablename__ = "copy"
    __table_args__ = (UniqueConstraint("file_id", "drive_id", "path_key"),)
    id: Mapped[int] = mapped_column(Id, primary_key=True)
    file_id: Mapped[int] = mapped_column(ForeignKey("file.id"))
    drive_id: Mapped[int] = mapped_column(ForeignKey("drive.id"), index=True)
    path: Mapped[str] = mapped_column(ExactPath)
    path_key: Mapped[bytes]


class LookRow(Base):
    """One observation of one copy. The database itself refuses to change or delete one."""

    __tablename__ = "look"
    __table_args__ = {"sqlite_autoincrement": True}  # noqa: RUF012  # no number is used twice
    id: Mapped[int] = mapped_column(Id, primary_key=True)
    copy_id: Mapped[int] = mapped_column(ForeignKey("copy.id"), index=True)
    run: Mapped[str]
    who: Mapped[str]
    machine: Mapped[str]
    boot: Mapped[str]
    mount: Mapped[str]
    act: Mapped[str] = mapped_column(Word)
    state: Mapped[str] = mapped_column(Word)
    route: Mapped[str | None] = mapped_column(Word)
    against: Mapped[str] = mapped_column(Word)
    size: Mapped[int | None]
    kind: Mapped[str | None]
    digest: Mapped[str | None]
    at: Mapped[datetime]
    detail: Mapped[str]


class AddedDigestRow(Base):
    """A checksum of a further kind, computed by an audit from a copy that was equal in another
    kind in the same read. The database itself refuses to change or delete one."""

    __tablename__ = "added_digest"
    __table_args__ = {"sqlite_autoincrement": True}  # noqa: RUF012  # no number is used twice
    id: Mapped[int] = mapped_column(Id, primary_key=True)
    file_id: Mapped[int] = mapped_column(ForeignKey("file.id"), index=True)
    copy_id: Mapped[int] = mapped_column(ForeignKey("copy.id"))
    kind: Mapped[str]
    digest: Mapped[str]
    run: Mapped[str]
    who: Mapped[str]
    machine: Mapped[str]
    boot: Mapped[str]
    at: Mapped[datetime]


class ClipRow(Base):
    """A clip of a roll."""

    __tablename__ = "clip"
    __table_args__ = (UniqueConstraint("roll_id", "name"),)
    id: Mapped[int] = mapped_column(Id, primary_key=True)
    roll_id: Mapped[int] = mapped_column(ForeignKey("roll.id"))
    name: Mapped[str]
    facts: Mapped[Any] = mapped_column(Json, nullable=False)
    poster: Mapped[str | None]
    slate_picture: Mapped[str | None]


class ClipFileRow(Base):
    """A file of a clip, in its place among them."""

    __tablename__ = "clip_file"
    id: Mapped[int] = mapped_column(Id, primary_key=True)
    clip_id: Mapped[int] = mapped_column(ForeignKey("clip.id"), index=True)
    path: Mapped[str] = mapped_column(ExactPath)
    role: Mapped[str]


class ClipLookRow(Base):
    """One look at a clip, to see whether it plays. The database itself refuses to change one."""

    __tablename__ = "clip_look"
    __table_args__ = {"sqlite_autoincrement": True}  # noqa: RUF012  # no number is used twice
    id: Mapped[int] = mapped_column(Id, primary_key=True)
    clip_id: Mapped[int] = mapped_column(ForeignKey("clip.id"), index=True)
    run: Mapped[str]
    who: Mapped[str]
    machine: Mapped[str]
    boot: Mapped[str]
    at: Mapped[datetime]
    drive: Mapped[str]
    health: Mapped[Any] = mapped_column(Json, nullable=False)


class SlateLoadRow(Base):
    """One loading of a slate log. The latest of a name counts; the others are its history."""

    __tablename__ = "slate_load"
    id: Mapped[int] = mapped_column(Id, primary_key=True)
    production_id: Mapped[int] = mapped_column(ForeignKey("production.id"), index=True)
    log: Mapped[str]
    loaded: Mapped[datetime]
    who: Mapped[str | None]
    machine: Mapped[str | None]
    boot: Mapped[str | None]


class SlateRowRow(Base):
    """A row of a slate log, as loaded once."""

    __tablename__ = "slate_row"
    id: Mapped[int] = mapped_column(Id, primary_key=True)
    load_id: Mapped[int] = mapped_column(ForeignKey("slate_load.id"), index=True)
    row: Mapped[int]
    scene: Mapped[str]
    take: Mapped[str]
    shot: Mapped[str | None]
    day: Mapped[int | None]
    camera: Mapped[str | None]
    roll: Mapped[str | None]
    sound_roll: Mapped[str | None]
    clip: Mapped[str | None]
    start_timecode: Mapped[str | None]
    end_timecode: Mapped[str | None]
    rating: Mapped[str | None]
    mos: Mapped[bool]
    note: Mapped[str | None]
    extra: Mapped[Any] = mapped_column(Json, nullable=False)
    date: Mapped[str | None]
    start_clock: Mapped[str | None]
    end_clock: Mapped[str | None]
    marks: Mapped[Any] = mapped_column(Json, nullable=True)
    frame_rate: Mapped[str | None]
    lens: Mapped[str | None]
    stop: Mapped[str | None]
    filter: Mapped[str | None]
    iso: Mapped[str | None]
    white_balance: Mapped[str | None]
    shutter: Mapped[str | None]


class ShotListLoadRow(Base):
    """One loading of a shot list. The latest of a name counts; the others are its history."""

    __tablename__ = "shot_list_load"
    id: Mapped[int] = mapped_column(Id, primary_key=True)
    production_id: Mapped[int] = mapped_column(ForeignKey("production.id"), index=True)
    list: Mapped[str]
    loaded: Mapped[datetime]
    who: Mapped[str]
    machine: Mapped[str]
    boot: Mapped[str]


class ShotListRowRow(Base):
    """A planned shot, as loaded once."""

    __tablename__ = "shot_list_row"
    id: Mapped[int] = mapped_column(Id, primary_key=True)
    load_id: Mapped[int] = mapped_column(ForeignKey("shot_list_load.id"), index=True)
    row: Mapped[int]
    scene: Mapped[str]
    shot: Mapped[str | None]
    setup: Mapped[str | None]
    day: Mapped[int | None]
    date: Mapped[str | None]
    size: Mapped[str | None]
    location: Mapped[str | None]
    cameras: Mapped[Any] = mapped_column(Json, nullable=False)
    note: Mapped[str | None]
    extra: Mapped[Any] = mapped_column(Json, nullable=False)


class TakeLinkRow(Base):
    """A link between clip and take. One set by hand is ended when another takes its place."""

    __tablename__ = "take_link"
    id: Mapped[int] = mapped_column(Id, primary_key=True)
    clip_id: Mapped[int] = mapped_column(ForeignKey("clip.id"), index=True)
    scene: Mapped[str]
    take: Mapped[str]
    shot: Mapped[str | None]
    rating: Mapped[str | None]
    sure: Mapped[str]
    basis: Mapped[str]
    note: Mapped[str | None]
    by_hand: Mapped[bool]
    who: Mapped[str | None]
    machine: Mapped[str | None]
    boot: Mapped[str | None]
    set_at: Mapped[datetime]
    ended: Mapped[datetime | None]


class CustodyRow(Base):
    """One thing that a person wrote down about a drive, card or roll. Like a look, the database
    refuses to change or delete one."""

    __tablename__ = "custody"
    __table_args__ = {"sqlite_autoincrement": True}  # noqa: RUF012  # no number is used twice
    id: Mapped[int] = mapped_column(Id, primary_key=True)
    about: Mapped[str] = mapped_column(Word, index=True)
    subject: Mapped[str]
    what: Mapped[str] = mapped_column(Word)
    value: Mapped[Any] = mapped_column(Json, nullable=False)
    who: Mapped[str]
    machine: Mapped[str]
    boot: Mapped[str]
    at: Mapped[datetime]
    looks: Mapped[int]


class RollMoveRow(Base):
    """What a corrected roll's folder on one drive is to be called."""

    __tablename__ = "roll_move"
    id: Mapped[int] = mapped_column(Id, primary_key=True)
    custody_id: Mapped[int] = mapped_column(ForeignKey("custody.id"))
    roll_id: Mapped[int] = mapped_column(ForeignKey("roll.id"), index=True)
    drive_id: Mapped[int] = mapped_column(ForeignKey("drive.id"))
    origin: Mapped[str] = mapped_column(ExactPath)
    wanted: Mapped[str] = mapped_column(ExactPath)
