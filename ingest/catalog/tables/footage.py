"""What came in: productions, rolls, drives, offloads, and the files of the cards."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import ForeignKey, Index, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from ingest.catalog.columns import ExactPath, Id, Json, WholeNumber
from ingest.catalog.tables.base import Base

__all__ = [
    "CardNoteRow",
    "DriveRow",
    "FileRow",
    "OffloadDriveRow",
    "OffloadEndRow",
    "OffloadRow",
    "ProductionRow",
    "RollRow",
]


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
