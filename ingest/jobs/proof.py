"""Gather what can be shown to a client, and write it as a folder to send."""

from __future__ import annotations

import contextlib
import os
import secrets
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from ingest.errors import ExitCode, UsageError
from ingest.jobs.handed_out import Outdated, PaperKind, note_handed_out, outdated
from ingest.jobs.papers import flush_folder, local_drives, not_written, paper_exit_code
from ingest.jobs.report import choose_rolls
from ingest.names import shown
from ingest.report.gather import gather
from ingest.report.gather_drives import DrivesNow
from ingest.report.proof.facts import ProofFacts
from ingest.report.proof.folder import ProofFolder, build
from ingest.report.proof.gather import prove
from ingest.report.proof.signature import Key
from ingest.report.typesetting import CannotTypeset, Paper

if TYPE_CHECKING:
    from ingest.catalog.catalog import Catalog
    from ingest.catalog.records import DriveSeen, Observer

__all__ = ["Proof", "ProofRequest", "make_proof", "read_key"]


@dataclass(frozen=True, slots=True)
class ProofRequest:
    """What is to be shown, and how."""

    out: str
    """A folder that is not there yet, or empty."""
    production: str | None = None
    day: int | None = None
    roll: str | None = None
    drives: Sequence[str] = ()
    client: str = ""
    note: str = ""
    redact: bool = False
    paper: Paper = Paper.A4


@dataclass(frozen=True, slots=True)
class Proof:
    facts: ProofFacts
    out: str
    written: tuple[str, ...]
    """Names in the folder, sorted."""
    not_listed: tuple[str, ...]
    """ROLL/PATH of what the ASC MHL lists can't hold."""
    not_set: CannotTypeset | None = None
    """Why there is no PDF in it."""
    replaces: tuple[Outdated, ...] = ()
    """Earlier proofs in which a roll of it bears another name."""

    @property
    def exit_code(self) -> ExitCode:
        return paper_exit_code(well=self.facts.well, not_set=self.not_set)


def make_proof(
    request: ProofRequest,
    catalog: Catalog,
    *,
    now: datetime,
    mounted: Mapping[str, DriveSeen],
    observer: Observer,
    key: Key | None = None,
) -> Proof:
    """Write the proof of a production, or of one day or roll of it, into a new folder, and write
    down in the catalog that it was handed out.

    Raises UsageError (NotKnown) when nothing is known under a name, or the folder is in use or
    can't be written; Unfinished when the disk is full.
    """
    _check_place(request.out)
    rolls, scope = choose_rolls(
        catalog,
        production=request.production,
        day=request.day,
        roll=request.roll,
        command="proof",
    )
    names = {roll.id: roll.name for roll in rolls}
    facts = prove(
        gather(
            catalog,
            rolls,
            now=now,
            here=DrivesNow(mounted, local=local_drives(mounted)),
            scope=scope,
        ),
        {(names[file.roll_id], file.path): file for file in catalog.files(rolls)},
        machine=observer.machine,
        drives=request.drives,
        client=request.client,
        note=request.note,
        redact=request.redact,
    )
    not_set: CannotTypeset | None = None
    try:
        folder = build(facts, key=key, paper=request.paper)
    except CannotTypeset as error:
        not_set = error
        folder = build(facts, key=key, pdf=False)
    _write(folder, request.out)
    earlier = outdated(catalog, rolls)
    note_handed_out(catalog, observer, PaperKind.PROOF, request.out, rolls)
    return Proof(
        facts=folder.facts,
        out=request.out,
        written=tuple(sorted(folder.files)),
        not_listed=folder.not_listed,
        not_set=not_set,
        replaces=tuple(one for one in earlier if one.kind is PaperKind.PROOF),
    )


def read_key(path: str, passphrase: bytes | None = None) -> Key:
    """The OpenSSH private key in that file. Raises UsageError, NeedsPassphrase."""
    try:
        with open(path, "rb") as file:
            data = file.read(1 << 20)
    except OSError as error:
        raise UsageError(
            f"The key {shown(path)} can't be read: {error.strerror or error}.",
            do="name an OpenSSH private key; to make one: ssh-keygen -t ed25519 -f FILE",
        ) from error
    return Key(data, passphrase)


def _check_place(out: str) -> None:
    if not out:
        raise UsageError("No folder named for the proof.", do="ingest proof --out FOLDER")
    try:
        taken = bool(os.listdir(out))
    except FileNotFoundError:
        return
    except OSError as error:
        raise UsageError(
            f"The proof can't be written to {shown(out)}: {error.strerror or error}.",
            do="name a new folder: --out FOLDER",
        ) from error
    if taken:
        raise UsageError(
            f"{shown(out)} holds something already; a proof that may have been sent is never "
            "written over.",
            do="name a new folder: --out FOLDER",
        )


def _write(folder: ProofFolder, out: str) -> None:
    """All of it under an unfinished name and flushed, then renamed: it is never half there."""
    out = os.path.abspath(out)
    above, name = os.path.split(out)
    unfinished = os.path.join(above, f".{name}.{secrets.token_hex(6)}.unfinished")
    try:
        os.makedirs(above, exist_ok=True)
        os.mkdir(unfinished)
        try:
            for inside, data in folder.files.items():
                path = os.path.join(unfinished, *inside.split("/"))
                os.makedirs(os.path.dirname(path), exist_ok=True)
                with open(path, "xb") as file:
                    file.write(data)
                    file.flush()
                    os.fsync(file.fileno())
            for place, _, _ in os.walk(unfinished):
                flush_folder(place)
            with contextlib.suppress(FileNotFoundError):
                os.rmdir(out)
            os.rename(unfinished, out)
        finally:
            shutil.rmtree(unfinished, ignore_errors=True)
        flush_folder(above)
    except OSError as error:
        raise not_written("The proof", out, error) from error
