"""An offload as the crew would run it, and the truths that must hold after whatever befell it."""

from __future__ import annotations

import contextlib
import json
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import xxhash

from laboratory.loops import MIB, Drive

__all__ = [
    "HANG_S",
    "HOME",
    "OTHERS_FILE",
    "CardContent",
    "Done",
    "Intake",
    "Look",
    "check_true",
    "check_whole",
    "empty",
    "fill_card",
    "final_files",
    "leftovers",
    "looks",
    "seeds",
]

HANG_S = 180.0
"""Seconds after which a run counts as hanging."""

HOME = Path(__file__).resolve().parents[3]
"""Where the program is run from."""

CardContent = Mapping[str, bytes]
"""What the card holds, by path on it."""

OTHERS_FILE = "somebody-elses-film"
"""What other programs put on a drive in these tests."""

SMALL_CARD: Mapping[str, int] = {
    "CLIP/A.BIN": 4 * MIB + 70_001,
    "CLIP/A.XML": 900,
    "CLIP/C.BIN": MIB,
    "B.BIN": 2 * MIB + 4096,
    "S.BIN": 70_000,
    "E.DAT": 0,
}
"""Sizes: over one buffer and not whole blocks, a companion, the largest small file, whole
blocks, a small file, an empty one."""


def fill_card(card: Path, sizes: Mapping[str, int] = SMALL_CARD, seed: int = 1) -> dict[str, bytes]:
    """Make a card of random content; what it holds."""
    draw = random.Random(seed)
    content: dict[str, bytes] = {}
    for path, size in sizes.items():
        content[path] = draw.randbytes(size)
        (card / path).parent.mkdir(parents=True, exist_ok=True)
        (card / path).write_bytes(content[path])
    return content


def seeds(count: int) -> list[int]:
    """So many seeds, or as many as the environment's INGEST_SEEDS asks for."""
    return list(range(int(os.environ.get("INGEST_SEEDS") or count)))


@dataclass(frozen=True, slots=True)
class Done:
    """How a run ended. `code` is negative for a signal that killed it."""

    code: int
    out: str
    err: str

    @property
    def document(self) -> dict[str, Any]:
        document = json.loads(self.out)
        assert isinstance(document, dict)
        return document

    def drive(self, root: Drive | Path) -> dict[str, Any]:
        """What the document says of one drive."""
        wanted = os.path.realpath(root)
        found = next(one for one in self.document["drives"] if one["root"] == wanted)
        assert isinstance(found, dict)
        return found

    def __str__(self) -> str:
        return f"exit {self.code}\n{self.out}\n{self.err}"


@dataclass(slots=True)
class Intake:
    """One card, its drives and a catalog: the same command each time it is run."""

    card: Path
    drives: Sequence[Drive | Path]
    catalog: Path
    extra: tuple[str, ...] = ()
    without: tuple[str, ...] = ()
    environment: Mapping[str, str] = field(default_factory=dict)
    roll: str = "A001"
    program: tuple[str, ...] = (sys.executable, "-m", "ingest")

    @property
    def words(self) -> list[str]:
        to = [word for drive in self.drives for word in ("--to", os.fspath(drive))]
        words = ["offload", str(self.card), *to, "--production", "Salt", "--roll", self.roll]
        words += ["--json", *self.extra]
        return [word for word in words if word not in self.without]

    def start(self) -> subprocess.Popen[str]:
        """Start it, in a process group of its own."""
        return subprocess.Popen(
            [*self.program, *self.words],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            cwd=HOME,
            env={**os.environ, **self.environment, "INGEST_CATALOG": str(self.catalog)},
            start_new_session=True,
        )

    def end(self, process: subprocess.Popen[str], limit_s: float = HANG_S) -> Done:
        """Wait for it to end; one that hangs is killed and fails the test."""
        try:
            out, err = process.communicate(timeout=limit_s)
        except subprocess.TimeoutExpired:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(process.pid, signal.SIGKILL)
            process.communicate()
            raise AssertionError(f"it was still running after {limit_s:.0f} s") from None
        return Done(process.returncode, out, err)

    def run(self) -> Done:
        return self.end(self.start())


# Truths -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Look:
    """One row of evidence, as it stands in the catalog's file."""

    marker: str
    path: str
    file: str
    act: str
    state: str
    route: str
    kind: str
    digest: str
    size: int


_LOOKS = """
    SELECT drive.marker, copy.path, file.path, look.act, look.state, look.route, look.kind,
           look.digest, look.size
    FROM look JOIN copy ON copy.id = look.copy_id JOIN file ON file.id = copy.file_id
    JOIN drive ON drive.id = copy.drive_id ORDER BY look.id
"""


def looks(catalog: Path) -> list[Look]:
    """All evidence in a catalog, which must be a whole SQLite file. Empty when there is none."""
    if not catalog.exists() or catalog.stat().st_size == 0:
        return []
    with contextlib.closing(sqlite3.connect(catalog)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
        tables = connection.execute("SELECT name FROM sqlite_master").fetchall()
        if ("look",) not in tables:
            return []
        rows = connection.execute(_LOOKS).fetchall()
    return [Look(row[0], os.fsdecode(row[1]), os.fsdecode(row[2]), *row[3:]) for row in rows]


def final_files(root: Path) -> dict[str, Path]:
    """Footage under final names on a drive, by path in its roll's folder; hash lists and the
    program's own working files left out. Each drive of a test holds one roll."""
    found: dict[str, Path] = {}
    for folder, folders, files in os.walk(root):
        folders[:] = [
            name
            for name in folders
            if name not in ("lost+found", "ascmhl") and not name.startswith(".ingest-")
        ]
        for name in files:
            if name.startswith(".ingest-") or name == OTHERS_FILE:
                continue
            path = Path(folder, name)
            # Production, day, roll: the layout's three folders.
            parts = path.relative_to(root).parts
            found["/".join(parts[3:]) or str(path)] = path
    return found


def leftovers(root: Path) -> list[str]:
    """Working files of the program that a finished run must not leave behind."""
    return [
        str(path.relative_to(root))
        for path in root.rglob("*")
        if path.name.endswith(".unfinished")
        or path.name.startswith((".ingest-lock", ".unfinished-", ".ingest-journal"))
    ]


def check_true(content: CardContent, roots: Iterable[Drive | Path], catalog: Path) -> int:
    """What must hold at every moment, whatever happened: all under a final name is whole, the
    catalog is whole, and every comparison it tells of is true. How many matches it tells of."""
    by_marker: dict[str, Path] = {}
    for root in map(Path, roots):
        for path, place in final_files(root).items():
            whole, ending, _ = path.partition(".damaged")
            wrong = f"{place} is wrong under its final name"
            if ending:
                assert whole in content and _holes_only(place.read_bytes(), content[whole]), wrong
            else:
                assert path in content and place.read_bytes() == content[path], wrong
        marker = root / ".ingest-drive.json"
        if marker.exists():
            by_marker[json.loads(marker.read_text())["drive"]] = root
    matched = [look for look in looks(catalog) if look.state == "matched"]
    for look in matched:
        assert look.act in ("read back", "audited"), look
        assert look.kind == "xxh128", look
        assert look.size == len(content[look.file]), look
        assert look.digest == xxhash.xxh128_hexdigest(content[look.file]), look
        if look.marker in by_marker:
            place = by_marker[look.marker] / look.path
            assert place.read_bytes() == content[look.file], f"{look} is not true"
    return len(matched)


def _holes_only(kept: bytes, content: bytes) -> bool:
    """Is what was kept of a file its content, or blocks of nothing, throughout?"""
    return len(kept) == len(content) and all(
        not any(kept[at : at + 4096]) or kept[at : at + 4096] == content[at : at + 4096]
        for at in range(0, len(content), 4096)
    )


def check_whole(
    content: CardContent,
    roots: Iterable[Drive | Path],
    catalog: Path,
    *,
    clean: bool = True,
    lost: Collection[str] = (),
) -> None:
    """What must hold after a run that says all is well: every file on every drive, evidence for
    each, and (with `clean`) nothing of our own work left lying about. `lost`: files that the card
    could not give, of which no copy may be claimed."""
    places = [Path(root) for root in roots]
    check_true(content, places, catalog)
    told = {(look.marker, look.file) for look in looks(catalog) if look.state == "matched"}
    for root in places:
        there = {path for path in final_files(root) if ".damaged" not in path}
        assert there == set(content) - set(lost), f"{root} does not hold the whole card"
        assert not clean or leftovers(root) == [], leftovers(root)
        marker = json.loads((root / ".ingest-drive.json").read_text())["drive"]
        known = {path for known_marker, path in told if known_marker == marker}
        assert known == set(content) - set(lost), f"matches are recorded of other files on {root}"


def empty(root: Path) -> None:
    """Take everything off a drive, as if it were new."""
    for name in os.listdir(root):
        if name == "lost+found":
            continue
        path = root / name
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path)
        else:
            path.unlink()
