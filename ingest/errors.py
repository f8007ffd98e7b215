"""Every error a user can meet: its exit code, and the next movement of the hand.

The family:

    IngestError (2)
    |-- UsageError (2)          the command line or a file given is wrong
    |   |-- BadCard             a card that can't be one
    |   |-- BadDestination      a drive that can't take the copies
    |   |-- BadLog              a log or list with a row that can't be read
    |   |-- BadManifest         a hash list that can't be read or made (in `manifest.model`)
    |   |-- BadCatalog          not a catalog, or from a newer version
    |   |-- BadSettings         ingest.toml with a key or value that can't be
    |   |-- NotKnown            a name that the catalog doesn't hold
    |   `-- Ambiguous           a name that means several things
    |-- Unfinished (4)          drive gone or full, unreadable card: run it again
    `-- Stopped (130)           the user stopped it

A footage problem (mismatch, hold) is no error: commands return it as a result, exit 3.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import IntEnum
from typing import ClassVar

__all__ = [
    "Ambiguous",
    "BadCard",
    "BadCatalog",
    "BadDestination",
    "BadLog",
    "BadSettings",
    "ExitCode",
    "IngestError",
    "NotKnown",
    "Stopped",
    "Unfinished",
    "UsageError",
]


class ExitCode(IntEnum):
    """What the shell is told. Only 0 means all well; any code not listed means no."""

    WELL = 0
    BUG = 1
    USAGE = 2
    FOOTAGE = 3
    UNFINISHED = 4
    STOPPED = 130


class IngestError(Exception):
    """Base of all errors shown to a user.

    `what` says what is wrong and where, in one line. `do` is the next movement of the hand,
    `dont` what would make it worse; both may be empty. `figures`: exact numbers behind `what`,
    for `--json`.
    """

    exit_code: ClassVar[ExitCode] = ExitCode.USAGE

    def __init__(
        self, what: str, *, do: str = "", dont: str = "", figures: Mapping[str, int] | None = None
    ) -> None:
        super().__init__(what)
        self.what = what
        self.do = do
        self.dont = dont
        self.figures = dict(figures or {})

    def lines(self) -> list[str]:
        """The error as the user reads it: the fact, then what to do, then what not to do."""
        said = [self.what]
        if self.do:
            said.append(f"Do: {self.do}")
        if self.dont:
            said.append(f"Don't: {self.dont}")
        return said


class UsageError(IngestError):
    """The command line, or a file given, is wrong. Nothing was done."""


class BadCard(UsageError):
    """The card is absent, empty, or not a folder."""


class BadDestination(UsageError):
    """A drive that must not or can't take the copies. Refused before a byte is written."""


class BadLog(UsageError):
    """A slate log or shot list has a row that can't be read. Nothing of it was loaded.

    `rows` holds every bad row in words, where rows are what is wrong; `brief` says then how many
    they are, for whoever shows the rows themselves.
    """

    def __init__(
        self,
        what: str,
        *,
        do: str = "",
        dont: str = "",
        rows: tuple[str, ...] = (),
        brief: str = "",
    ) -> None:
        super().__init__(what, do=do, dont=dont)
        self.rows = rows
        self.brief = brief or what


class BadCatalog(UsageError):
    """The catalog is not one, is damaged, or was written by a newer version."""


class BadSettings(UsageError):
    """ingest.toml has an unknown key or a value of the wrong kind."""


class NotKnown(UsageError):
    """A production, roll, drive, clip or card that the catalog doesn't hold."""


class Ambiguous(UsageError):
    """A name that several things bear; the candidates are in `what`."""


class Unfinished(IngestError):
    """It could not finish: drive gone or full, card unreadable. The same command goes on."""

    exit_code = ExitCode.UNFINISHED


class Stopped(IngestError):
    """The user stopped it. The same command goes on."""

    exit_code = ExitCode.STOPPED
