"""A small proof for tests: real bytes, and the facts that a catalog would have of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from pathlib import Path

from ingest import checksums
from ingest.catalog.records import FileRecord
from ingest.evidence import Against, Route, State
from ingest.names import to_bytes
from ingest.report.facts import (
    ClipLine,
    CopyLine,
    DriveLine,
    FileLine,
    IntakeFacts,
    OffloadLine,
    RollLine,
    TakeLine,
    Totals,
)

NOW = datetime(2026, 3, 16, 9, 0, tzinfo=UTC)
THEN = NOW - timedelta(hours=34)
FOOTAGE = {
    "CLIP/C0001.MOV": b"one" * 1000,
    "CLIP/C0002.MOV": b"two" * 1000,
    "CLIP/C0001.XML": b"<meta/>",
}
PLACE = "Salt and Lanterns/D01/A001"


def digests_of(data: bytes, kinds: Sequence[str]) -> dict[str, str]:
    found = {}
    for kind in kinds:
        one = checksums.new(kind)
        one.update(data)
        found[kind] = one.hexdigest()
    return found


def copy_line(drive: str, path: str, state: State = State.MATCHED) -> CopyLine:
    return CopyLine(
        drive=drive,
        path=f"{PLACE}/{path}",
        state=state,
        route=Route.MEDIUM,
        against=Against.CARD,
        at=THEN,
        why=f"{state} when read back",
        device_key=f"disk {drive}",
    )


def intake(
    footage: Mapping[str, bytes] = FOOTAGE,
    *,
    kinds: Sequence[str] = ("xxh128", "md5"),
    drives: Sequence[str] = ("HERON", "OTTER"),
    roll: str = "A001",
    note: str | None = "Lena flubs the line",
) -> IntakeFacts:
    """What the report's gathering gives for one roll whose every copy matched."""
    files = tuple(
        FileLine(
            roll,
            path,
            len(data),
            digests_of(data, kinds),
            tuple(copy_line(d, path) for d in drives),
        )
        for path, data in footage.items()
    )
    size = sum(file.size for file in files)
    take = TakeLine("12A", "3", rating="circled", note=note)
    return IntakeFacts(
        production="Salt and Lanterns",
        scope="Salt and Lanterns, day 1",
        as_of=NOW,
        wanted=2,
        verdict="",
        remarks=(),
        problems=(),
        totals=Totals(len(files), size, 0, 0, 0, 1, len(drives), len(drives)),
        drives=tuple(
            DriveLine(
                name=name,
                device=f"disk {name}",
                device_key=f"disk {name}",
                fs_type="ext4",
                root=f"/media/{name}",
                mounted=name == "HERON",
                copies=len(files),
                proven=len(files),
                cached=0,
                own_list=0,
                bad=0,
                waiting=0,
                bytes=size,
                oldest=THEN,
                newest=THEN,
                speed=Fraction(150_000_000),
            )
            for name in drives
        ),
        rolls=(RollLine(roll, 1, "2026-03-14", "A", "A-01", len(files), size, 1, len(files), 1),),
        clips=(
            ClipLine(
                name=f"{roll}/C0001",
                roll=roll,
                day=1,
                camera="A",
                kind="picture",
                takes=(take,),
                start_timecode="10:00:00:00",
                duration_seconds=Fraction(42),
                files=files[:1],
            ),
        ),
        files=files,
        cameras=(),
        days=(),
        offloads=(
            OffloadLine(
                roll,
                "A-01",
                "Ines Marlow",
                "cart-7",
                THEN,
                THEN,
                "matched",
                1,
                3,
                0,
                size,
                9.0,
                0,
                0,
            ),
        ),
    )


def records(
    facts: IntakeFacts, later: frozenset[str] = frozenset()
) -> dict[tuple[str, str], FileRecord]:
    """The same files as the catalog has them."""
    when = 1_773_500_000_000_000_000
    return {
        (file.roll, file.path): FileRecord(
            number, 1, 1, file.path, file.size, when, "", file.digests, later
        )
        for number, file in enumerate(facts.files)
    }


def with_copy(facts: IntakeFacts, path: str, drive: str, state: State) -> IntakeFacts:
    """The same, but one copy is in this state."""
    files = tuple(
        file
        if file.path != path
        else replace(
            file,
            copies=tuple(
                copy_line(drive, path, state) if copy.drive == drive else copy
                for copy in file.copies
            ),
        )
        for file in facts.files
    )
    return replace(facts, files=files)


def write_drive(root: Path, footage: Mapping[str, bytes] = FOOTAGE) -> Path:
    """The footage as it lies on a drive."""
    for path, data in footage.items():
        place = bytes(root) + b"/" + to_bytes(f"{PLACE}/{path}")
        Path(place.decode("utf-8", "surrogateescape")).parent.mkdir(parents=True, exist_ok=True)
        with open(place, "wb") as file:
            file.write(data)
    return root


def write_folder(root: Path, files: Mapping[str, bytes]) -> Path:
    """A proof's files as a folder."""
    for name, data in files.items():
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_bytes(data)
    return root
