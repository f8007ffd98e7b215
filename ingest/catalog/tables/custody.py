"""What people wrote down, and the folders that are to be renamed for it."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import ForeignKey
from sqlalchemy.orm import Mapped, mapped_column

from ingest.catalog.columns import ExactPath, Id, Json, Word
from ingest.catalog.tables.base import Base

__all__ = ["CustodyRow", "RollMoveRow"]


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
