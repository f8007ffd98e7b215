"""Where copies lie, and every look that was taken at them."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import ForeignKey, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from ingest.catalog.columns import ExactPath, Id, Word
from ingest.catalog.tables.base import Base

__all__ = ["AddedDigestRow", "CopyRow", "LookRow"]


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
