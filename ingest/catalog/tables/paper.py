"""The paper of the shoot: slate logs and shot lists, every loading of them."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import ForeignKey
from sqlalchemy.orm import Mapped, mapped_column

from ingest.catalog.columns import Id, Json
from ingest.catalog.tables.base import Base

__all__ = ["ShotListLoadRow", "ShotListRowRow", "SlateLoadRow", "SlateRowRow"]


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
