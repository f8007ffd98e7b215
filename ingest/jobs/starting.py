"""A production begun: ingest.toml written, drives marked and named, the file's copy on each."""

from __future__ import annotations

import os
import secrets
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from ingest import platforms
from ingest.catalog.catalog import Catalog
from ingest.catalog.records import Observer
from ingest.drives import look_at, recognise
from ingest.errors import BadDestination, UsageError
from ingest.jobs.custody.texts import one_line
from ingest.jobs.marking import mark_drives
from ingest.names import shown
from ingest.platforms import posix_files
from ingest.settings import FILE, DriveSettings, parse_settings, read_settings
from ingest.settings.writing import Start, commented

__all__ = ["DriveWished", "Placed", "Started", "start_production"]


@dataclass(frozen=True, slots=True)
class DriveWished:
    """A drive of the production: where it is mounted, and what it is to be called."""

    root: str
    name: str | None = None
    where: str | None = None


@dataclass(frozen=True, slots=True)
class Placed:
    """One drive, marked, with the file's copy at its root."""

    name: str
    root: str
    new: bool
    """It bore no marker before."""
    older: str = ""
    """What the ingest.toml that lay there is called now, or empty."""


@dataclass(frozen=True, slots=True)
class Started:
    file: str
    written: bool
    """False: it was there already, and only its copies were put on the drives."""
    production: str | None
    drives: tuple[Placed, ...]
    not_in_file: tuple[str, ...] = ()
    """Drives that the file, which was there already, doesn't name."""


def start_production(
    catalog: Catalog,
    folder: Path,
    start: Start | None,
    drives: Sequence[DriveWished],
    observer: Observer,
    now: datetime,
    *,
    system_disk_ok: bool = False,
) -> Started:
    """Mark and name the drives, write ingest.toml into `folder` (made when absent), and put its
    copy at the root of each drive. `start` None: the file is there already, and is left alone.

    Nothing is overwritten: another ingest.toml at a drive's root keeps lying there under a name
    with the date. Raises UsageError or BadDestination before anything is written where it can.
    """
    place = folder / FILE
    if start is not None and os.path.lexists(place):
        raise UsageError(
            f"{shown(str(place))} is there already.", do="edit it; ingest start puts it on drives"
        )
    if start is not None:
        parse_settings(commented(start), str(place))  # refused before a drive is marked
    for wish in drives:
        volume = look_at(wish.root)
        if volume.system and not system_disk_ok:
            raise BadDestination(
                f"{shown(wish.root)} is {volume.own_place}.",
                do="name the folder at which a drive is mounted, or say --system-disk-ok",
            )
        if volume.read_only:
            raise BadDestination(
                f"{shown(wish.root)} is read-only.", do="open its lock switch, and plug it in again"
            )
    placed = _marked(catalog, drives, observer)
    unnamed: tuple[str, ...] = ()
    if start is not None:
        named = {one.name for one in placed}
        told = tuple(
            DriveSettings(one.name, wish.where) for one, wish in zip(placed, drives, strict=True)
        )
        others = tuple(drive for drive in start.drives if drive.name not in named)
        text = commented(replace(start, drives=(*told, *others))).encode("utf-8")
        production = parse_settings(text.decode(), str(place)).production
        _write(folder, text)
    else:
        settings = read_settings(place)
        production = settings.production
        named = {name.casefold() for name in settings.drives}
        unnamed = tuple(one.name for one in placed if one.name.casefold() not in named)
        text = place.read_bytes()
    done = [replace(one, older=_put_copy(one.root, text, now)) for one in placed]
    return Started(str(place), start is not None, production, tuple(done), unnamed)


def _marked(catalog: Catalog, drives: Sequence[DriveWished], observer: Observer) -> list[Placed]:
    placed = []
    for wish in drives:
        before = recognise(wish.root)
        name = os.path.basename(os.path.realpath(wish.root)) or "drive"
        if wish.name is not None:
            name = one_line(wish.name, "A drive's name")
        (seen,) = mark_drives(catalog, [(wish.root, name)])
        drive = catalog.see_drive(seen)
        if wish.name is not None and drive.name != name:
            drive = catalog.rename_drive(drive, name, observer)
        placed.append(Placed(drive.name, seen.root, before is None))
    return placed


def _write(folder: Path, text: bytes) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with open(folder / FILE, "xb") as file:
            file.write(text)
            file.flush()
            platforms.flush(file.fileno())
    except FileExistsError:
        raise UsageError(f"{shown(str(folder / FILE))} is there already.", do="edit it") from None
    except OSError as error:
        raise UsageError(
            f"{shown(str(folder / FILE))} can't be written: {error.strerror}.",
            do="name another folder: ingest start FOLDER",
        ) from error


def _put_copy(root: str, text: bytes, now: datetime) -> str:
    """Put the file at the drive's root, whole or not at all; what another one that lay there is
    called now, or empty."""
    try:
        folder = os.open(root, posix_files.ROOT)
        try:
            return _put(folder, text, now)
        finally:
            os.close(folder)
    except OSError as error:
        raise BadDestination(
            f"{FILE} can't be put on the drive at {shown(root)}: {error.strerror}.",
            do="check the drive, then run ingest start again",
        ) from error


def _put(folder: int, text: bytes, now: datetime) -> str:
    try:
        handle = os.open(FILE, posix_files.FILE, dir_fd=folder)
    except FileNotFoundError:
        older = ""
    else:
        with open(handle, "rb") as file:
            if file.read(len(text) + 1) == text:
                return ""
        older = f"{FILE}.before-{now:%Y-%m-%d_%H%M%S}Z"
    unfinished = f".ingest-{secrets.token_hex(8)}.unfinished"
    handle, _ = platforms.open_direct(unfinished, folder, direct=False)
    try:
        with open(handle, "wb") as file:
            file.write(text)
            file.flush()
            platforms.flush(file.fileno())
        if older:
            platforms.rename_new(FILE, older, folder)
        platforms.rename_new(unfinished, FILE, folder)
    except BaseException:
        os.unlink(unfinished, dir_fd=folder)
        raise
    platforms.flush(folder)
    return older
