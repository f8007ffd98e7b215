"""From a real catalog to the facts: nothing lost, nothing counted twice."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from pathlib import Path

import pytest

from ingest.catalog.catalog import Catalog
from ingest.catalog.custody_records import About
from ingest.catalog.records import (
    CardNote,
    CardSeen,
    ClipFile,
    ClipRole,
    DriveSeen,
    NewClip,
    NewClipLook,
    NewFile,
    NewLook,
    NewOffload,
    Observer,
    Offload,
    OffloadDrive,
    OffloadEnd,
    PlannedShot,
    Rating,
    Sure,
    TakeLink,
)
from ingest.cli.main import run
from ingest.errors import ExitCode, NotKnown, UsageError
from ingest.evidence import Act, Against, Route, State
from ingest.jobs.report import NAMES, PDF, choose_rolls, make_report
from ingest.media.facts import AudioTrack, ClipFacts, ClipKind, SoundNotes
from ingest.media.health import Depth, Finding, Health, Severity
from ingest.report.facts import IntakeFacts
from ingest.report.gather import gather
from ingest.report.gather_drives import DrivesNow, device_keys

NOW = datetime(2026, 3, 14, 23, 10, tzinfo=UTC)
THEN = NOW - timedelta(hours=3)
INES = Observer(who="ines", machine="cart", boot="boot-1")


@pytest.fixture
def catalog(tmp_path: Path) -> Iterator[Catalog]:
    with Catalog.open(str(tmp_path / "catalog.sqlite3")) as opened:
        yield opened


def seen(name: str, device: str, serial: str | None = None) -> DriveSeen:
    return DriveSeen(
        marker=f"marker-{name}",
        name=name,
        fs_uuid=None,
        serial=serial,
        device=device,
        fs_type="ext4",
        root=f"/media/{name}",
    )


def offload(
    catalog: Catalog,
    roll: str,
    paths: tuple[str, ...],
    *,
    production: str = "Salt and Lanterns",
    day: int = 1,
    camera: str | None = "A",
    drives: tuple[DriveSeen, ...] = (
        seen("Harbour 1", "sdb (Quay, 1)", "1"),
        seen("Harbour 2", "sdc (Quay, 2)", "2"),
    ),
    card_read: int = 1,
    ended: bool = True,
    notes: tuple[CardNote, ...] = (),
) -> Offload:
    card = CardSeen(label=f"card {roll}", fs_uuid=None, serial=None, device="sdd", root="/card")
    run = catalog.begin_offload(
        NewOffload(
            run=f"{production}{roll}".encode().hex(),
            production=production,
            roll=roll,
            day=day,
            date=f"2026-03-{13 + day}",
            camera=camera,
            card=card,
            observer=INES,
            started=THEN - timedelta(minutes=20),
        )
    )
    known = [catalog.see_drive(drive) for drive in drives]
    files = [
        NewFile(
            path=path,
            size=1000,
            mtime_ns=0,
            samples=f"samples of {roll}/{path}",
            digests={"xxh128": f"{roll}/{path}".encode().hex()[:32]},
        )
        for path in paths
    ]
    looks = [
        (file.path, a_look(drive.id, f"{roll}/{file.path}")) for file in files for drive in known
    ]
    catalog.record_copied(run, files, looks)
    if notes:
        catalog.note_card(run, notes)
    if ended:
        catalog.end_offload(
            run,
            OffloadEnd(
                finished=THEN,
                verdict="matched",
                card_read=card_read,
                seconds=10.0,
                bytes=1000 * len(files),
                files=len(files),
                known=0,
                left_out=len(notes),
                drives=tuple(
                    OffloadDrive(
                        drive_id=drive.id,
                        folder=roll,
                        files_matched=len(files),
                        bytes=1000 * len(files),
                        seconds=10.0,
                        route=Route.MEDIUM,
                    )
                    for drive in known
                ),
            ),
        )
    return run


def a_look(drive_id: int, path: str, **changes: object) -> NewLook:
    look = NewLook(
        file_id=0,
        drive_id=drive_id,
        path=path,
        act=Act.READ_BACK,
        state=State.MATCHED,
        route=Route.MEDIUM,
        against=Against.CARD,
        size=1000,
        kind="xxh128",
        digest="d",
        mount="mount-1",
        at=THEN,
    )
    return replace(look, **changes)  # type: ignore[arg-type]


def facts_of(catalog: Catalog, **mounted: DriveSeen) -> IntakeFacts:
    rolls, scope = choose_rolls(catalog)
    return gather(
        catalog,
        rolls,
        now=NOW,
        here=DrivesNow(mounted={drive.marker: drive for drive in mounted.values()}),
        scope=scope,
    )


def test_when_all_copies_matched_then_the_numbers_are_the_catalogs(catalog: Catalog) -> None:
    """Files, bytes, copies, drives, speed and dates add up."""
    offload(catalog, "A001", ("CLIP/C0001.MOV", "CLIP/C0001.XML"), card_read=2)
    offload(catalog, "S001", ("T01.WAV",), camera=None)
    here = seen("Harbour 1", "sdb (Quay, 1)", "1")
    facts = facts_of(catalog, here=here)
    assert facts.well
    assert facts.verdict.startswith("3 files, 3 kB, on 2 drives: every copy was read back")
    assert (facts.totals.files, facts.totals.bytes) == (3, 3000)
    assert (facts.totals.copies, facts.totals.proven, facts.totals.devices) == (6, 6, 2)
    assert [(d.name, d.mounted, d.copies, d.proven, d.bytes) for d in facts.drives] == [
        ("Harbour 1", True, 3, 3, 3000),
        ("Harbour 2", False, 3, 3, 3000),
    ]
    assert facts.drives[0].speed == Fraction(3000, 20)
    assert {roll.name: roll.card_read for roll in facts.rolls} == {"A001": 2, "S001": 1}
    assert [(each.of, each.files) for each in facts.cameras] == [("A", 2), ("S", 1)]
    assert [(each.of, each.bytes) for each in facts.days] == [("Day 1, 2026-03-14", 3000)]
    assert [(each.of, each.files) for each in facts.roll_sums] == [("A001", 2), ("S001", 1)]
    assert facts.whole is not None
    assert (facts.whole.files, facts.whole.bytes) == (3, 3000)


def test_when_an_audit_found_damage_then_its_file_is_named(catalog: Catalog) -> None:
    """The newest bad look decides, and the report turns to not well."""
    offload(catalog, "A001", ("C0001.MOV", "C0002.MOV"))
    rolls = catalog.rolls()
    copy = next(copy for copy in catalog.copies(rolls=rolls) if copy.path == "A001/C0002.MOV")
    bad = a_look(
        copy.drive_id,
        copy.path,
        file_id=copy.file_id,
        act=Act.AUDITED,
        state=State.MISMATCH,
        against=Against.CATALOG,
        mount="mount-2",
    )
    catalog.record_looks("audit-1", INES, [bad])
    facts = facts_of(catalog)
    assert not facts.well
    assert facts.verdict.startswith("Not safe yet: 1 file of 2")
    assert facts.problems[0].kind == "mismatch"
    assert facts.problems[0].items == ("A001/C0002.MOV",)
    assert sum(drive.bad for drive in facts.drives) == 1


def test_when_two_drives_share_a_device_then_their_copies_count_once(catalog: Catalog) -> None:
    """Also when only the serial tells."""
    one = seen("Harbour 1", "sdb (Quay, 1)", "1")
    offload(catalog, "A001", ("C1.MOV",), drives=(one, seen("Harbour 2", "sdc (Quay, 1)", "1")))
    facts = facts_of(catalog)
    assert facts.totals.devices == 1
    assert facts.files[0].good == 1
    assert not facts.well


def test_when_two_drives_have_one_name_then_both_are_listed(catalog: Catalog) -> None:
    """Drives are told apart by their marker, not by what somebody called them."""
    twins = (
        seen("Harbour", "sdb (Quay, 1)", "1"),
        replace(seen("Harbour", "sdc (Quay, 2)", "2"), marker="other-marker"),
    )
    offload(catalog, "A001", ("C1.MOV",), drives=twins)
    facts = facts_of(catalog)
    assert [drive.name for drive in facts.drives] == ["Harbour (marker-H)", "Harbour (other-ma)"]
    assert [drive.copies for drive in facts.drives] == [1, 1]


def test_when_an_offload_never_ended_then_the_report_is_not_well(catalog: Catalog) -> None:
    """What came in may be good; what didn't is unknown."""
    offload(catalog, "A001", ("C1.MOV",), ended=False)
    facts = facts_of(catalog)
    assert not facts.well
    assert facts.offloads[0].verdict == "not finished"
    assert facts.rolls[0].card_read == 0


def test_what_stayed_on_the_card_is_counted_and_named(catalog: Catalog) -> None:
    """Litter in one number, links by name, unreadable files as a problem."""
    notes = (
        CardNote("litter", ".Trashes/501"),
        CardNote("litter", "._C1.MOV"),
        CardNote("link", "latest", "points to CLIP"),
        CardNote("unreadable", "CLIP/C9.MOV", "read error at 4096"),
    )
    offload(catalog, "A001", ("C1.MOV",), notes=notes)
    facts = facts_of(catalog)
    assert facts.offloads[0].litter == 2
    assert ("link", "latest", "points to CLIP") in facts.offloads[0].notes
    assert [problem.items for problem in facts.problems] == [("A001/CLIP/C9.MOV",)]


def test_a_clip_carries_its_takes_files_and_facts(catalog: Catalog) -> None:
    """Everything that the page shows of a clip comes from the catalog."""
    run = offload(catalog, "A001", ("CLIP/C0001.MOV", "CLIP/C0001.XML", "INDEX.BIN"))
    facts = ClipFacts(
        kind=ClipKind.PICTURE,
        codec="ProRes",
        profile="422 HQ",
        width=1920,
        height=1080,
        frame_rate=Fraction(24000, 1001),
        duration_seconds=Fraction(1001, 100),
        start_timecode="10:02:00:00",
        audio=(AudioTrack(channels=2, sample_rate=48000), AudioTrack(channels=1)),
    )
    (clip,) = catalog.record_clips(
        run.roll,
        [
            NewClip(
                name="C0001",
                files=(
                    ClipFile("CLIP/C0001.MOV", ClipRole.SPAN),
                    ClipFile("CLIP/C0001.XML", ClipRole.COMPANION),
                ),
                facts=facts,
                poster="c1.jpg",
            )
        ],
    )
    link = TakeLink(clip.id, "12A", "3", "7", Rating.CIRCLED, Sure.SURE, "clip name", "wind")
    catalog.replace_links([clip.id], [link])
    report = facts_of(catalog)
    (line,) = report.clips
    assert (line.name, line.camera, line.codec, line.channels) == (
        "A001/C0001",
        "A",
        "ProRes 422 HQ",
        3,
    )
    assert (line.frame_rate, line.duration_seconds) == (Fraction(24000, 1001), Fraction(1001, 100))
    assert (line.takes[0].scene, line.takes[0].take, line.circled) == ("12A", "3", True)
    assert [file.path for file in line.files] == ["CLIP/C0001.MOV", "CLIP/C0001.XML"]
    assert line.bytes == 2000
    assert line.poster == catalog.posters / "c1.jpg"
    assert [file.path for file in report.loose_files] == ["INDEX.BIN"]


@pytest.mark.parametrize(
    ("start", "rate", "seconds", "end"),
    [
        ("10:00:00:00", Fraction(25), Fraction(60), "10:01:00:00"),
        # Past midnight the count begins again.
        ("23:59:59:00", Fraction(25), Fraction(2), "00:00:01:00"),
        # SMPTE ST 12-1, as restated publicly: drop-frame leaves out ;00 and ;01 of a minute.
        ("00:00:59;29", Fraction(30000, 1001), Fraction(1001, 30000), "00:01:00;02"),
        ("10:00:00:00", Fraction(24000, 1001), Fraction(1001, 1000), "10:00:01:00"),
        ("no timecode", Fraction(25), Fraction(1), None),
        ("10:00:00:00", None, Fraction(1), None),
        ("10:00:00:00", Fraction(25), None, None),
    ],
)
def test_the_timecode_out_is_counted_in_frames(
    catalog: Catalog,
    start: str,
    rate: Fraction | None,
    seconds: Fraction | None,
    end: str | None,
) -> None:
    """Start plus length at the clip's own rate; where one of them is missing, nothing is said."""
    run_ = offload(catalog, "A001", ("C1.MOV",))
    facts = ClipFacts(
        kind=ClipKind.PICTURE, start_timecode=start, frame_rate=rate, duration_seconds=seconds
    )
    catalog.record_clips(
        run_.roll, [NewClip("C1", (ClipFile("C1.MOV", ClipRole.SPAN),), facts, None)]
    )
    assert facts_of(catalog).clips[0].end_timecode == end


def test_sound_counts_at_the_rate_that_its_recorder_states(catalog: Catalog) -> None:
    """iXML's timecode rate; the samples have no frames."""
    run_ = offload(catalog, "S001", ("T1.WAV",), camera=None)
    facts = ClipFacts(
        kind=ClipKind.SOUND,
        start_timecode="10:00:00:00",
        duration_seconds=Fraction(10),
        sound=SoundNotes(timecode_rate=Fraction(25)),
    )
    catalog.record_clips(
        run_.roll, [NewClip("T1", (ClipFile("T1.WAV", ClipRole.SPAN),), facts, None)]
    )
    assert facts_of(catalog).clips[0].end_timecode == "10:00:10:00"


def test_a_copy_on_a_drive_that_is_lost_counts_for_nothing(catalog: Catalog) -> None:
    """It matched once; the verdict is as if it weren't there, and says why."""
    offload(catalog, "A001", ("C1.MOV",))
    assert facts_of(catalog).well
    catalog.note_change(INES, About.DRIVE, "marker-Harbour 2", "lost")
    facts = facts_of(catalog)
    assert facts.files[0].good == 1
    assert not facts.well
    lost = facts.drives[1]
    assert (lost.gone, lost.discounted, lost.proven, lost.own_list) == (True, 1, 0, 0)
    assert any("written down as dead or lost" in problem.what for problem in facts.problems)


def test_room_place_and_reading_are_said_of_each_drive(catalog: Catalog) -> None:
    """Room only of what is plugged in; the place as it was written down."""
    here = seen("Harbour 1", "sdb (Quay, 1)", "1")
    offload(catalog, "A001", ("C1.MOV",), card_read=2)
    offload(catalog, "A002", ("C1.MOV",))
    rolls, scope = choose_rolls(catalog)
    one, two = gather(
        catalog,
        rolls,
        now=NOW,
        here=DrivesNow(
            mounted={here.marker: here},
            free={here.marker: 5_000_000, "marker-Harbour 2": 7},
            where={"marker-Harbour 2": "the grip van"},
        ),
        scope=scope,
    ).drives
    assert (one.free, one.where, one.once, one.twice) == (5_000_000, "", 1, 1)
    assert (two.free, two.where) == (None, "the grip van")


def test_coverage_counts_takes_not_clips(catalog: Catalog) -> None:
    """Two cameras on one take are one take; a wild track is sound without a camera."""
    run_ = offload(catalog, "A001", ("C1.MOV", "C2.MOV", "W.WAV"))
    clips = catalog.record_clips(
        run_.roll,
        [
            NewClip(
                name.split(".")[0],
                (ClipFile(name, ClipRole.SPAN),),
                ClipFacts(kind=kind, duration_seconds=Fraction(5)),
                None,
            )
            for name, kind in (
                ("C1.MOV", ClipKind.PICTURE),
                ("C2.MOV", ClipKind.PICTURE),
                ("W.WAV", ClipKind.SOUND),
            )
        ],
    )
    links = [
        TakeLink(clips[0].id, "12A", "1", None, Rating.CIRCLED, Sure.SURE, "x", None),
        TakeLink(clips[1].id, "12A", "1", None, Rating.CIRCLED, Sure.SURE, "x", None),
        TakeLink(clips[2].id, "12A", "WT1", None, None, Sure.SURE, "x", None),
    ]
    catalog.replace_links([clip.id for clip in clips], links)
    (scene,) = facts_of(catalog).scenes
    assert (scene.scene, scene.takes, scene.circled, scene.clips) == ("12A", 2, 1, 3)
    assert (scene.cameras, scene.sound, scene.seconds) == (("A",), True, Fraction(10))


def test_what_the_plan_still_owes_stands_with_its_scene(catalog: Catalog, tmp_path: Path) -> None:
    """A planned shot without a take, of a scene that was shot and of one that wasn't; in a report
    of one roll the plan has no place."""
    offload(catalog, "A001", ("C1.MOV",))
    (clip,) = catalog.record_clips(
        catalog.rolls()[0],
        [NewClip("C1", (ClipFile("C1.MOV", ClipRole.SPAN),), ClipFacts(ClipKind.PICTURE), None)],
    )
    link = TakeLink(clip.id, "12A", "1", "3", Rating.CIRCLED, Sure.SURE, "x", None)
    catalog.replace_links([clip.id], [link])
    shots = [
        PlannedShot(scene, shot, day=1, list="plan.csv", row=row)
        for row, (scene, shot) in enumerate((("12a", "3"), ("12a", "4"), ("15", None)), 2)
    ]
    catalog.load_shot_list("Salt and Lanterns", "plan.csv", shots, INES)
    whole = make_report(catalog, str(tmp_path / "one"), now=NOW, mounted={}).facts.scenes
    assert [(scene.scene, scene.takes, scene.owed) for scene in whole] == [
        ("12A", 1, ("4",)),
        ("15", 0, ("the scene",)),
    ]
    roll = make_report(catalog, str(tmp_path / "two"), now=NOW, mounted={}, roll="A001").facts
    assert [(scene.scene, scene.owed) for scene in roll.scenes] == [("12A", ())]


def test_what_looking_at_a_clip_found_is_told(catalog: Catalog) -> None:
    """Health is worked out by `media.health`; the report quotes it and asks for a person."""
    run_ = offload(catalog, "A001", ("C1.MOV", "C2.MOV", "C3.MOV"))
    clips = catalog.record_clips(
        run_.roll,
        [
            NewClip(
                name, (ClipFile(f"{name}.MOV", ClipRole.SPAN),), ClipFacts(ClipKind.PICTURE), None
            )
            for name in ("C1", "C2", "C3")
        ],
    )
    cut = Finding("index", Severity.BROKEN, "It has no index.")
    black = Finding("black", Severity.LOOK, "Its picture is black.")
    catalog.record_clip_looks(
        "run",
        INES,
        [
            NewClipLook(
                clips[0].id, Health(findings=(cut,), unchecked="No frame."), "Harbour 1", THEN
            ),
            NewClipLook(clips[1].id, Health(Depth.SAMPLED, (black,)), "Harbour 1", THEN),
        ],
    )
    facts = facts_of(catalog)
    assert [(clip.health, clip.findings) for clip in facts.clips] == [
        ("broken", ("It has no index.",)),
        ("look", ("Its picture is black.",)),
        (None, ()),
    ]
    assert not facts.well
    assert facts.verdict.startswith("Needs a person: 1 clip can't be played whole.")
    assert [(one.kind, one.serious) for one in facts.problems] == [
        ("broken clip", True),
        ("clip to look at", False),
    ]


def test_device_keys_join_by_text_and_by_serial_whatever_the_order(catalog: Catalog) -> None:
    """A chain of equal texts and equal serials is one device; unknown joins nothing."""
    drives = [
        catalog.see_drive(drive)
        for drive in (
            seen("a", "sdb (Quay, 1)", "1"),
            seen("b", "sdc (Quay, 2)", "2"),
            seen("c", "sdb (Quay, 1)", "2"),
            seen("d", ""),
            seen("e", "unknown"),
        )
    ]
    keys = device_keys(drives)
    first, second, third, fourth, fifth = (keys[drive.id] for drive in drives)
    assert first == second == third != ""
    assert fourth == fifth == ""


def test_a_report_is_written_and_replaced_and_leaves_nothing_else(
    catalog: Catalog, tmp_path: Path
) -> None:
    """Five files, no unfinished one; an earlier report gives way."""
    offload(catalog, "A001", ("C1.MOV",))
    out = tmp_path / "new" / "report"
    for _ in range(2):
        report = make_report(catalog, str(out), now=NOW, mounted={})
    names = {path.name for path in out.iterdir()}
    assert names == {
        "intake-report.html",
        "intake-report.pdf",
        "intake-report.csv",
        "intake-report-copies.csv",
        "intake-report.json",
    }
    assert {Path(path).name for path in report.written} == names
    assert report.exit_code == ExitCode.WELL


def test_a_report_with_a_problem_ends_with_3(catalog: Catalog, tmp_path: Path) -> None:
    """The footage has a problem; the report itself is written all the same."""
    offload(catalog, "A001", ("C1.MOV",), drives=(seen("Harbour 1", "sdb", "1"),))
    report = make_report(catalog, str(tmp_path), now=NOW, mounted={})
    assert report.exit_code == ExitCode.FOOTAGE
    assert all(Path(path).exists() for path in report.written)


def test_without_the_typesetter_the_other_forms_are_written(
    catalog: Catalog, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An earlier PDF would tell of another day: it goes. Not finished, and the remedy is said."""
    offload(catalog, "A001", ("C1.MOV",))
    make_report(catalog, str(tmp_path), now=NOW, mounted={})
    monkeypatch.setitem(sys.modules, "typst", None)
    report = make_report(catalog, str(tmp_path), now=NOW, mounted={})
    assert {path.name for path in tmp_path.iterdir()} >= set(NAMES) - {PDF}
    assert not (tmp_path / PDF).exists()
    assert report.exit_code == ExitCode.UNFINISHED
    assert report.not_set is not None
    assert "typst" in report.not_set.do


def test_a_day_and_a_roll_narrow_the_report(catalog: Catalog) -> None:
    """Only what was asked for, named in the scope."""
    offload(catalog, "A001", ("C1.MOV",))
    offload(catalog, "A002", ("C1.MOV",), day=2)
    rolls, scope = choose_rolls(catalog, day=2)
    assert ([roll.name for roll in rolls], scope) == (["A002"], "Salt and Lanterns, day 2")
    rolls, scope = choose_rolls(catalog, roll="a001")
    assert ([roll.name for roll in rolls], scope) == (["A001"], "Salt and Lanterns, roll A001")


def test_names_that_are_not_known_are_refused_with_what_is(catalog: Catalog) -> None:
    """A wrong production, roll or day says which ones there are."""
    with pytest.raises(NotKnown):
        choose_rolls(catalog)
    offload(catalog, "A001", ("C1.MOV",))
    for asked in ({"production": "Other"}, {"roll": "Z999"}, {"day": 9}):
        with pytest.raises(NotKnown) as refused:
            choose_rolls(catalog, **asked)  # type: ignore[arg-type]
        assert "A001" in refused.value.do or "Salt and Lanterns" in refused.value.do
    offload(catalog, "A001", ("C1.MOV",), production="The Long Ferry")
    with pytest.raises(UsageError, match="2 productions"):
        choose_rolls(catalog)
    assert choose_rolls(catalog, production="the long ferry")[1] == "The Long Ferry"


def test_a_place_that_cannot_be_written_is_refused(catalog: Catalog, tmp_path: Path) -> None:
    """A file where the folder should be, and a folder where a file should be."""
    offload(catalog, "A001", ("C1.MOV",))
    (tmp_path / "file").write_text("x")
    with pytest.raises(UsageError, match="can't be written"):
        make_report(catalog, str(tmp_path / "file"), now=NOW, mounted={})
    taken = tmp_path / "taken"
    (taken / "intake-report.json").mkdir(parents=True)
    with pytest.raises(UsageError, match="can't be written"):
        make_report(catalog, str(taken), now=NOW, mounted={})
    assert not [path for path in taken.iterdir() if "unfinished" in path.name]


def test_the_command_prints_what_it_wrote(
    catalog: Catalog, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """With --json the document of the file and the paths, and nothing else; 3 with a problem."""
    offload(catalog, "A001", ("C1.MOV",), drives=(seen("Harbour 1", "sdb", "1"),))
    place, out = str(tmp_path / "catalog.sqlite3"), tmp_path / "out"
    asked = ["report", "--catalog", place, "--out", str(out)]
    assert run([*asked, "--json"]) == ExitCode.FOOTAGE
    printed = json.loads(capsys.readouterr().out)
    assert printed.pop("written") == [str(out / name) for name in NAMES]
    assert printed == json.loads((out / "intake-report.json").read_text())
    assert run(asked) == ExitCode.FOOTAGE
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == json.loads((out / "intake-report.json").read_text())["verdict"]
    assert f"Written: {out / NAMES[0]}" in lines
    assert run([*asked, "--production", "Nobody"]) == ExitCode.USAGE
