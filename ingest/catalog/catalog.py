"""The one door to the database: `Catalog`.

    with Catalog.open() as catalog:
        for roll in catalog.rolls(day=1): ...

Its parts: `intake` (offloads and evidence in), `asking` (all of it out), `takes` (clips and
links), `waveforms` (sounds compared), `paper` (logs and shot lists), `custody` (where things are,
what people decided), on `door` (transactions) and `opening` (what may be opened). Every method is
one transaction: whole when it returns, and undone when it doesn't. A second process that writes
waits for the first one. Values in and out are `records`; the tables stay inside this folder.

Besides the errors that a method names, any of them raises Unfinished when the catalog's disk or
server fails, BadCatalog when its file turns out to be damaged, and ValueError once it is closed.
"""

from __future__ import annotations

from pathlib import Path
from typing import Self

import platformdirs
from sqlalchemy import Engine

from ingest.catalog.asking import Asking
from ingest.catalog.custody import Custody
from ingest.catalog.door import Clock, utc_now
from ingest.catalog.intake import Intake
from ingest.catalog.opening import open_file, open_url, prepare, stands
from ingest.catalog.paper import Paper
from ingest.catalog.takes import Takes
from ingest.catalog.waveforms import Waveforms
from ingest.errors import BadCatalog

__all__ = ["Catalog"]


class Catalog(Intake, Takes, Waveforms, Paper, Custody, Asking):
    """What is known of the footage. See the module for the promises that hold everywhere."""

    def __init__(self, engine: Engine, place: str, posters: Path, clock: Clock) -> None:
        super().__init__(engine, place, clock)
        self._posters = posters

    @classmethod
    def open(cls, place: str | None = None, *, clock: Clock = utc_now) -> Self:
        """Open (and make, on first use) the catalog.

        `place`: a file path, a SQLAlchemy URL, or None for the user's data folder
        (platformdirs.user_data_dir("ingest")/catalog.sqlite3). `clock` gives aware UTC, for what
        comes without a time of its own. Raises BadCatalog when it is not a catalog, is damaged,
        can't be opened or written, or is from a newer version.
        """
        data = Path(platformdirs.user_data_dir("ingest"))
        file = _file_of(place, data)
        if file is None:
            assert place is not None
            engine, shown = open_url(place)
            posters = data / "posters"
        else:
            engine, shown = open_file(file, make_folder=place is None), str(file)
            posters = file.parent / "posters"
        try:
            prepare(engine, shown, file)
        except BaseException:
            engine.dispose()
            raise
        return cls(engine, shown, posters, clock)

    @classmethod
    def open_existing(cls, place: str | None = None, *, clock: Clock = utc_now) -> Self | None:
        """Open the catalog as it is: None when there is none, and nothing is made or changed.

        `place` and what is raised as in `open`; also BadCatalog for one of an earlier version,
        which any other command brings up to this one.
        """
        data = Path(platformdirs.user_data_dir("ingest"))
        file = _file_of(place, data)
        if file is not None and (not file.exists() or not file.stat().st_size):
            return None
        if file is None:
            assert place is not None
            engine, shown = open_url(place)
        else:
            engine, shown = open_file(file), str(file)
        try:
            if not stands(engine, shown, file):
                engine.dispose()
                return None
        except BaseException:
            engine.dispose()
            raise
        return cls(engine, shown, (data if file is None else file.parent) / "posters", clock)

    def close(self) -> None:
        """Let go of the database. Closing twice does nothing."""
        self._closed = True
        self._engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        self.close()

    @property
    def place(self) -> str:
        """Where it is, for people (a URL's password left out)."""
        return self._place

    @property
    def posters(self) -> Path:
        """Folder of poster pictures: `posters` beside the SQLite file (made on asking); for other
        databases, in the user's data folder."""
        self._posters.mkdir(parents=True, exist_ok=True)
        return self._posters


def _file_of(place: str | None, data: Path) -> Path | None:
    """The SQLite file that `place` means, absolute; None for the URL of a server."""
    if place is None:
        return data / "catalog.sqlite3"
    if not place or "\0" in place:
        raise BadCatalog(
            "The catalog's place is empty or holds a NUL.",
            do="name a file or a URL with --catalog",
        )
    scheme, found, rest = place.partition("://")
    if not found:
        return Path(place).absolute()
    if scheme.partition("+")[0] != "sqlite":
        return None
    named = rest.partition("/")[2]
    if not named or named == ":memory:" or "?" in named:
        raise BadCatalog(
            "An SQLite catalog must be a plain file.", do="name its path with --catalog"
        )
    return Path(named).absolute()
