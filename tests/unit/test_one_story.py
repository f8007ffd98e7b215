"""The report, the list of rolls and drives, and the verdict on a card count the same copies."""

from __future__ import annotations

import os
import random
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from ingest.assurance.reuse import CardFound, FileNow, Policy, judge_card
from ingest.catalog.catalog import Catalog
from ingest.catalog.custody_records import About
from ingest.catalog.records import (
    CardNote,
    CardSeen,
    DriveSeen,
    NewFile,
    NewLook,
    NewOffload,
    Observer,
    OffloadEnd,
)
from ingest.evidence import Act, Against, Route, State
from ingest.jobs.known import drive_overviews, drives_here
from ingest.jobs.reuse.copied import Copied, drive_now
from ingest.report.facts import IntakeFacts
from ingest.report.gather import gather
from ingest.report.gather_drives import DrivesNow
from ingest.settings import Settings

SEEDS = range(int(os.environ.get("INGEST_SEEDS") or 3))
FILES = 120
NOW = datetime(2026, 3, 14, 23, 10, tzinfo=UTC)
MIRA = Observer("mira", "cart", "boot-1")
DRIVES = (
    DriveSeen("m1", "HERON", None, "S1", "sdb (Quay, S1)", "ext4", "/media/HERON"),
    DriveSeen("m2", "OTTER", None, "S2", "sdc (Quay, S2)", "exfat", "/media/OTTER"),
    DriveSeen("m3", "SHELF", None, None, "the server shelf", "nfs4", "/mnt/SHELF"),
)


@pytest.fixture
def catalog(tmp_path: Path) -> Iterator[Catalog]:
    with Catalog.open(str(tmp_path / "catalog.sqlite3")) as opened:
        yield opened


def some_look(chance: random.Random, path: str, drive_id: int, act: Act) -> NewLook:
    """Any evidence that can stand in a catalog, sense or not."""
    claimed = act is Act.CLAIMED
    return NewLook(
        file_id=0,
        drive_id=drive_id,
        path=path,
        act=act,
        state=State.CLAIMED
        if claimed
        else State.UNVERIFIED
        if act is Act.WRITTEN
        else chance.choice([State.MATCHED] * 6 + [State.MISMATCH, State.MISSING]),
        route=None if claimed else chance.choice([Route.MEDIUM, Route.CACHE_POSSIBLE]),
        against=Against.OWN_LIST
        if claimed
        else chance.choice([Against.CARD, Against.CATALOG, Against.CATALOG, Against.OTHER_LIST]),
        size=1000,
        kind="xxh128",
        digest="d",
        mount=chance.choice(["mount-1", "mount-2", "mount-3"]),
        at=NOW + timedelta(minutes=chance.choice([-300, -200, -100, -50, -10, 90])),
    )


def evening(catalog: Catalog, chance: random.Random) -> None:
    """A roll of files with one copy each, and up to four pieces of evidence of each copy; of one
    drive it was said that it is lost, perhaps in the middle."""
    known = [catalog.see_drive(drive) for drive in DRIVES]
    begun = catalog.begin_offload(
        NewOffload(
            run="run-0",
            production="Heron Row",
            roll="A001",
            day=1,
            date="2026-03-14",
            camera="A",
            card=CardSeen("A001", None, None, "sdd", "/card"),
            observer=MIRA,
            started=NOW - timedelta(hours=6),
        )
    )
    files = [
        NewFile(f"C{number:04}.MOV", 1000, 0, f"samples {number}", {"xxh128": f"{number:032x}"})
        for number in range(FILES)
    ]
    on = {file.path: chance.choice(known) for file in files}
    acts = {path: [chance.choice([Act.WRITTEN, Act.READ_BACK])] for path in on}
    catalog.record_copied(
        begun,
        files,
        [
            (path, some_look(chance, f"A001/{path}", drive.id, acts[path][0]))
            for path, drive in on.items()
        ],
    )
    catalog.end_offload(begun, OffloadEnd(NOW, "matched", 1, 1.0, 1000 * FILES, FILES, 0, 0, ()))
    ids = {file.path: file.id for file in catalog.files([begun.roll])}
    for turn in range(1, 4):
        if turn == 2:
            catalog.note_change(MIRA, About.DRIVE, "m2", "lost")
            if chance.random() < 0.5:
                catalog.note_change(MIRA, About.DRIVE, "m2", "received")
        looks = [
            replace(
                some_look(
                    chance,
                    f"A001/{path}",
                    drive.id,
                    chance.choice([Act.READ_BACK, Act.AUDITED, Act.AUDITED, Act.CLAIMED]),
                ),
                file_id=ids[path],
            )
            for path, drive in on.items()
            if chance.random() < 0.6
        ]
        boot = chance.choice(["boot-1", "boot-2"])
        catalog.record_looks(f"run-{turn}", replace(MIRA, boot=boot), looks)


def reported(catalog: Catalog) -> IntakeFacts:
    return gather(catalog, catalog.rolls(), now=NOW, here=DrivesNow())


def judged(catalog: Catalog) -> dict[str, bool]:
    """Of each file on the card, whether its copies are enough where one is asked for."""
    files = catalog.files(catalog.rolls())
    found = [FileNow(one.path, one.size, one.mtime_ns, one.samples) for one in files]
    copied = Copied(catalog, ((one.path, one.size) for one in files))
    copied.gather(found)
    places = catalog.drive_places()
    drives = {
        here.drive.id: drive_now(here, places[here.drive.id], Settings())
        for here in drives_here(catalog)
    }
    given = copied.with_candidates(found, drives, copied.looks(), {})
    verdict = judge_card(
        CardFound(label="A001", now=NOW, files=given, as_last_known=True), Policy(copies=1)
    )
    return {file.path: file.good for file in verdict.files}


@pytest.mark.parametrize("seed", SEEDS)
def test_report_reuse_and_drives_count_the_same_copies_whatever_the_evidence(
    catalog: Catalog, seed: int
) -> None:
    """Any order of any evidence: written, read back, audited, claimed; past the cache or not, in
    a later mount, dated in the future, on a share, on a drive that was lost."""
    evening(catalog, random.Random(seed))
    facts = reported(catalog)
    by_report = {file.path: file.good > 0 for file in facts.files}
    assert by_report == judged(catalog)
    assert 0.1 < sum(by_report.values()) / FILES < 0.9, "both answers are often right"
    told = {
        one.here.drive.name: one.tally.proven
        for one in drive_overviews(catalog, NOW)
        if one.place.counts_after == 0  # of what was lost the list of drives tells all evidence
    }
    proven = Counter(copy.drive for file in facts.files for copy in file.copies if copy.proven)
    assert told == {name: proven[name] for name in told}
    for drive in facts.drives:
        parts = drive.proven, drive.cached, drive.own_list, drive.bad, drive.waiting
        assert sum(parts) + drive.discounted == drive.copies


def test_a_read_in_a_later_mount_counts_in_both_on_a_device_and_in_neither_on_a_share(
    catalog: Catalog,
) -> None:
    """Plugged in again and audited, where the file system can't be read past the cache: that
    is enough on a drive, and not on a server that has a cache of its own."""
    evening(catalog, random.Random(0))
    ids = {file.path: file for file in catalog.files(catalog.rolls())}
    shown: dict[str, str] = {}
    for copy in catalog.copies(rolls=catalog.rolls()):
        path = copy.path.removeprefix("A001/")
        name = next(one.drive.name for one in drives_here(catalog) if one.drive.id == copy.drive_id)
        shown[path] = name
        look = replace(
            some_look(random.Random(1), copy.path, copy.drive_id, Act.READ_BACK),
            file_id=ids[path].id,
            state=State.MATCHED,
            route=Route.CACHE_POSSIBLE,
            against=Against.CATALOG,
            at=NOW - timedelta(hours=1),
        )
        written = replace(look, act=Act.WRITTEN, state=State.UNVERIFIED, mount="mount-7")
        back = replace(look, mount="mount-7")
        again = replace(look, act=Act.AUDITED, mount="mount-8")
        for run, one in (("w", written), ("w", back), ("x", again)):
            catalog.record_looks(run, replace(MIRA, boot="boot-9"), [one])
    catalog.note_change(MIRA, About.DRIVE, "m2", "received")
    by_report = {file.path: file.good > 0 for file in reported(catalog).files}
    assert by_report == judged(catalog)
    assert {shown[path] for path, good in by_report.items() if not good} <= {"SHELF", "OTTER"}
    assert all(good for path, good in by_report.items() if shown[path] == "HERON")
    assert not any(good for path, good in by_report.items() if shown[path] == "SHELF")


def test_a_file_in_dispute_holds_the_card_until_somebody_has_viewed_it(catalog: Catalog) -> None:
    """It matched on every drive, and is not what the card's own list says. A later offload of the
    card that read nothing settles nothing."""
    evening(catalog, random.Random(0))
    (roll,) = catalog.rolls()
    (first,) = catalog.offloads([roll])
    catalog.note_card(first, [CardNote("disputed", "C0003.MOV", "another md5")])
    assert catalog.disputes([roll]) == {(first.id, "C0003.MOV")}
    problems = [one for one in reported(catalog).problems if one.kind == "disputed"]
    assert [one.items for one in problems] == [("A001/C0003.MOV",)]
    assert problems[0].serious and "--viewed WHO" in problems[0].do
    catalog.note_change(MIRA, About.ROLL, str(roll.id), "viewed", {"by": "Rui"})
    assert catalog.disputes([roll]) == frozenset()
    assert not [one for one in reported(catalog).problems if one.kind == "disputed"]
