"""One card on two drives, for what is done with drives when the card is gone: plain helpers."""

from __future__ import annotations

import hashlib
import os
from dataclasses import replace
from pathlib import Path

import pytest

# Before anything is patched: it has `look_at` under its own name, and a module that is first
# imported while a test has put another in its place would keep that one for good.
import ingest.jobs.reuse.judging  # noqa: F401
from ingest import drives
from ingest.catalog.catalog import Catalog
from ingest.catalog.records import Look
from tests.conftest import Runner

__all__ = ["CLIPS", "FOLDER", "TIME", "disks_apart", "looks", "offloaded", "whole"]

FOLDER = "Saltmarsh/D01_2026-03-02/A003"
CLIPS = {
    "CLIP/C0001.BIN": b"first clip " * 150_000,
    "CLIP/C0002.BIN": b"second clip " * 90_000,
    "CLIP/C0003.BIN": b"third clip " * 3000,
    "EMPTY": b"",
    "note.txt": b"small",
}
TIME = 1_772_452_800 * 10**9


def disks_apart(monkeypatch: pytest.MonkeyPatch) -> None:
    """As if each drive's folder were a disk of its own, and the card a folder on the system's."""
    real = drives.look_at

    def look_at(path: str) -> drives.Volume:
        seen = real(path)
        name = os.path.basename(seen.root)
        card = name == "card"
        return replace(seen, disks=(f"disk-{name}",), serial=f"serial-{name}", system=card)

    monkeypatch.setattr(drives, "look_at", look_at)


def offloaded(place: Path, ingest: Runner) -> None:
    """Card A003, offloaded to HERON and OTTER; STOAT is an empty drive."""
    for path, data in CLIPS.items():
        file = place / "card" / path
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(data)
        os.utime(file, ns=(TIME, TIME))
    (place / "card" / "VOID").mkdir()
    for name in ("HERON", "OTTER", "STOAT"):
        (place / name).mkdir()
    (place / "desk" / "ingest.toml").write_text('production = "Saltmarsh"\ndays = ["2026-03-02"]\n')
    words = ("--day", "1", "--roll", "A003", "--to", place / "HERON", "--to", place / "OTTER")
    assert ingest("offload", place / "card", *words).code == 0


def whole(place: Path, drive: str, but: tuple[str, ...] = (), beside: int = 0) -> None:
    """Every file stands on the drive, byte for byte and with its time, by another library's
    digest; `beside` other files too."""
    roll = place / drive / FOLDER
    for path, data in CLIPS.items():
        if path in but:
            assert not (roll / path).exists()
            continue
        digest = hashlib.sha256((roll / path).read_bytes()).hexdigest()
        assert digest == hashlib.sha256(data).hexdigest(), path
        assert (roll / path).stat().st_mtime_ns == TIME
    found = {str(file.relative_to(roll)) for file in roll.rglob("*") if file.is_file()}
    others = {path for path in found if not path.startswith("ascmhl/")} - set(CLIPS)
    assert len(others) == beside, others


def looks(place: Path, drive: str, path: str) -> list[Look]:
    """The evidence of one copy, oldest first."""
    with Catalog.open(str(place / "catalog.sqlite3")) as catalog:
        known = catalog.drive(name=drive)
        assert known is not None
        copies = catalog.copies(drive_id=known.id)
        (copy,) = [one for one in copies if one.path == f"{FOLDER}/{path}"]
        return list(catalog.looks([copy.id])[copy.id])
