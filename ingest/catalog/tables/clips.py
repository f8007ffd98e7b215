"""What the files are: clips, looks at them, the takes that they hold, sounds compared."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import ForeignKey, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from ingest.catalog.columns import ExactPath, Id, Json
from ingest.catalog.tables.base import Base

__all__ = ["ClipFileRow", "ClipLookRow", "ClipRow", "TakeLinkRow", "WaveformRow"]


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


class WaveformRow(Base):
    """What the waveforms of two files said. The database itself refuses to change or delete one."""

    __tablename__ = "waveform"
    __table_args__ = {"sqlite_autoincrement": True}  # noqa: RUF012  # no number is used twice
    id: Mapped[int] = mapped_column(Id, primary_key=True)
    picture: Mapped[str] = mapped_column(index=True)
    """Kind and digest of the file, `kind:digest`."""
    sound: Mapped[str]
    method: Mapped[int]
    same: Mapped[bool | None]
    lag_us: Mapped[int | None]
    who: Mapped[str]
    machine: Mapped[str]
    boot: Mapped[str]
    at: Mapped[datetime]
