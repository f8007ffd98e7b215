"""The answer in a sentence: never more than was compared, never without a date."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from ingest.assurance.footage.set_wrong import USUAL, Oddity
from ingest.assurance.footage.timecodes import Fault, TimecodeFault
from ingest.evidence import Against, Route, State
from ingest.report.facts import (
    ClipLine,
    CopyLine,
    DriveLine,
    FileLine,
    OffloadLine,
    Problem,
    RollLine,
    separate_devices,
)
from ingest.report.problems import find_problems
from ingest.report.verdict import CAUTIONS, say_remarks, say_verdict

NOW = datetime(2026, 3, 14, 23, 10, tzinfo=UTC)
GOOD = CopyLine(
    drive="Harbour 1",
    path="x",
    state=State.MATCHED,
    route=Route.MEDIUM,
    against=Against.CARD,
    at=NOW - timedelta(hours=2),
    why="",
    device_key="disk 1",
)
OTHER = replace(GOOD, drive="Harbour 2", device_key="disk 2")


def a_file(*copies: CopyLine, path: str = "CLIP/C0001.MOV", size: int = 10**9) -> FileLine:
    return FileLine(roll="A001", path=path, size=size, digests={"xxh128": "ab"}, copies=copies)


def a_drive(name: str, key: str, *, mounted: bool = True) -> DriveLine:
    return DriveLine(
        name=name,
        device=key,
        device_key=key,
        fs_type="ext4",
        root="/mnt",
        mounted=mounted,
        copies=1,
        proven=1,
        cached=0,
        own_list=0,
        bad=0,
        waiting=0,
        bytes=1,
        oldest=NOW,
        newest=NOW,
    )


def a_roll(name: str = "A001", *, card_read: int = 1, files: int = 1) -> RollLine:
    return RollLine(
        name=name,
        day=1,
        date="2026-03-14",
        camera="A",
        card="A-01",
        files=files,
        bytes=1,
        clips=1,
        good_files=files,
        card_read=card_read,
    )


def an_offload(**changes: object) -> OffloadLine:
    line = OffloadLine(
        roll="A001",
        card="A-01",
        who="ines",
        machine="cart",
        started=NOW,
        finished=NOW,
        verdict="matched",
        card_read=1,
        files=1,
        known=0,
        bytes=1,
        seconds=1.0,
        left_out=0,
        litter=0,
    )
    return replace(line, **changes)  # type: ignore[arg-type]


def judge(
    *files: FileLine,
    drives: tuple[DriveLine, ...] = (
        a_drive("Harbour 1", "disk 1"),
        a_drive("Harbour 2", "disk 2"),
    ),
    offloads: tuple[OffloadLine, ...] = (),
    clips: tuple[ClipLine, ...] = (),
    wanted: int = 2,
) -> tuple[str, tuple[Problem, ...]]:
    problems = find_problems(
        files=files,
        clips=clips,
        drives=drives,
        rolls=(a_roll(files=len(files)),),
        offloads=offloads,
        wanted=wanted,
        now=NOW,
    )
    return say_verdict(files=files, problems=problems, wanted=wanted, now=NOW), problems


def test_when_every_copy_matched_then_it_says_what_was_compared_and_as_of_when() -> None:
    """The good sentence: files, size, drives, route, date; and no claim of safety."""
    files = [
        a_file(GOOD, OTHER, path=f"C{n:04}.MOV", size=1_200_000_000_000 // 4) for n in range(4)
    ]
    verdict, problems = judge(*files)
    assert verdict == (
        "4 files, 1.2 TB, on 2 drives: every copy was read back past the cache and matched "
        "(as of 2026-03-14 23:10 UTC)."
    )
    assert problems == ()
    assert "safe" not in verdict


@pytest.mark.parametrize("state", [state for state in State if state is not State.MATCHED])
def test_when_one_copy_is_anything_but_matched_then_it_is_not_well(state: State) -> None:
    """No state but matched lets the good sentence through."""
    verdict, problems = judge(a_file(GOOD, replace(OTHER, state=state)), a_file(GOOD, OTHER))
    assert verdict.startswith("Not safe yet: 1 file of 2 has no good second copy: ")
    assert "A001/…/C0001.MOV" in verdict
    assert any(problem.serious and "Harbour 2" in problem.what for problem in problems)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"route": Route.CACHE_POSSIBLE}, "from memory"),
        ({"route": None}, "from memory"),
        ({"against": Against.OWN_LIST}, "not what the card gave"),
        ({"against": Against.OTHER_LIST}, "not what the card gave"),
        ({"against": Against.NOTHING}, "not what the card gave"),
    ],
)
def test_when_a_match_is_weak_then_it_does_not_count(change: dict[str, object], said: str) -> None:
    """A match by another route, or against something else than the card's bytes, is said."""
    verdict, problems = judge(a_file(GOOD, replace(OTHER, **change)))  # type: ignore[arg-type]
    assert "every copy" not in verdict
    assert any(said in problem.what for problem in problems)


def test_when_both_drives_are_one_device_then_they_count_as_one_copy() -> None:
    """Two good copies on one physical device are one, in the verdict and beside it."""
    both = (a_drive("Harbour 1", "disk 1"), a_drive("Harbour 2", "disk 1"))
    file = a_file(GOOD, replace(OTHER, device_key="disk 1"))
    verdict, problems = judge(file, drives=both)
    assert verdict.startswith("Not safe yet: 1 file of 1 has no good second copy")
    assert any("the 2 drives count as 1" in problem.what for problem in problems)
    remarks = say_remarks(files=(file,), drives=both, rolls=(), offloads=())
    assert "Harbour 1 and Harbour 2 lie on one physical device and count as one copy." in remarks


def test_when_a_device_is_unknown_then_it_counts_as_the_same() -> None:
    """Unknown is never shown to be separate."""
    assert separate_devices([]) == 0
    assert separate_devices([""]) == 1
    assert separate_devices(["", ""]) == 1
    assert separate_devices(["disk 1", ""]) == 1
    assert separate_devices(["disk 1", "disk 2", ""]) == 2
    verdict, _ = judge(a_file(GOOD, replace(OTHER, device_key="")))
    assert verdict.startswith("Not safe yet")


def test_when_a_third_copy_is_bad_then_the_two_good_ones_are_said_too() -> None:
    """Enough good copies don't silence a bad one, nor the other way round."""
    third = replace(GOOD, drive="Shuttle", device_key="disk 3", state=State.SHORT)
    verdict, problems = judge(a_file(GOOD, OTHER, third))
    assert verdict.startswith("Needs a person: 1 copy of 3 is not proven good, though each of 1 ")
    assert problems[0].kind == "short"
    assert problems[0].items == ("A001/CLIP/C0001.MOV",)


def test_when_nothing_is_good_then_it_says_no_good_copy_at_all() -> None:
    """The worst case is not called a missing second copy."""
    verdict, _ = judge(a_file(), a_file(replace(GOOD, state=State.MISSING)))
    assert "2 files of 2 have no good copy at all" in verdict


def test_when_the_catalog_is_empty_then_nothing_is_vouched_for() -> None:
    """No file is no success."""
    verdict, problems = judge()
    assert verdict.startswith("Nothing to vouch for")
    assert problems[0].serious


def test_when_drives_hold_different_files_then_the_sentence_says_at_least() -> None:
    """Two of three drives a file isn't called three."""
    third = replace(GOOD, drive="Shuttle", device_key="disk 3")
    verdict, _ = judge(a_file(GOOD, OTHER), a_file(GOOD, third))
    assert "each on at least 2 of 3 drives" in verdict


@pytest.mark.parametrize("verdict", ["problem", "stopped", "not finished"])
def test_when_the_last_offload_did_not_end_well_then_good_copies_are_not_enough(
    verdict: str,
) -> None:
    """There may be more on the card than the catalog knows."""
    said, problems = judge(a_file(GOOD, OTHER), offloads=(an_offload(verdict=verdict),))
    assert said.startswith("Needs a person: the last offload of A001")
    assert problems[0].serious


def test_when_an_earlier_offload_was_cut_off_then_the_last_one_decides() -> None:
    """The same command run again goes on; its end is what stands."""
    earlier = an_offload(verdict="not finished", last=False)
    _, problems = judge(a_file(GOOD, OTHER), offloads=(earlier, an_offload()))
    assert problems == ()


@pytest.mark.parametrize(
    "kind", ["unreadable", "damaged", "changed", "vanished", "appeared", "older"]
)
def test_when_a_file_stayed_on_the_card_then_it_is_a_problem(kind: str) -> None:
    """What did not come off the card whole is named; it has no copy to judge."""
    offload = an_offload(notes=((kind, "CLIP/C0009.MOV", ""),))
    _, problems = judge(a_file(GOOD, OTHER), offloads=(offload,))
    assert problems[0].items == ("A001/CLIP/C0009.MOV",)
    assert problems[0].serious


@pytest.mark.parametrize("kind", ["link", "special"])
def test_when_a_link_was_left_out_then_it_is_no_problem(kind: str) -> None:
    """Links and special files are listed, not held against the card."""
    offload = an_offload(notes=((kind, "latest", ""),), litter=3)
    _, problems = judge(a_file(GOOD, OTHER), offloads=(offload,))
    assert problems == ()


def test_when_evidence_is_dated_ahead_then_its_age_is_unknown() -> None:
    """A clock that was wrong is no proof."""
    _, problems = judge(a_file(GOOD, replace(OTHER, at=NOW + timedelta(minutes=1))))
    assert problems[0].kind == "evidence from the future"
    assert problems[0].serious


def test_when_a_clip_is_set_wrong_then_it_is_a_remark_not_a_problem() -> None:
    """What a clip says of itself never changes what its copies are worth; what may be meant is
    not told here."""
    wrong = Oddity("A001/C3", "A", "frame rate", "29.97 fps", "23.976 fps", USUAL, True)
    meant = replace(wrong, clip="A001/C4", wrong=False)
    back = TimecodeFault("A", "A001", "A001/C5", Fault.BACKWARDS, "A001/C5 starts before A001/C4.")
    file = a_file(GOOD, OTHER)
    problems = find_problems(
        files=[file],
        clips=[],
        drives=[],
        rolls=[a_roll()],
        offloads=[],
        wanted=2,
        now=NOW,
        odd=[wrong, meant],
        faults=[back],
    )
    assert [(each.kind, each.serious, each.items) for each in problems] == [
        ("set wrong", False, ("A001/C3: 29.97 fps instead of 23.976 fps (its other clips)",)),
        ("timecode", False, ("A001/C5 starts before A001/C4.",)),
    ]
    assert "every copy" in say_verdict(files=[file], problems=problems, wanted=2, now=NOW)


def test_how_often_the_card_was_read_is_always_said() -> None:
    """Once, twice, or not recorded."""
    rolls = (a_roll("A001"), a_roll("A002", card_read=2), a_roll("A003", card_read=0))
    remarks = " ".join(say_remarks(files=(), drives=(), rolls=rolls, offloads=()))
    assert "Card read once (A001)" in remarks
    assert "Card read twice (A002)" in remarks
    assert "not recorded: A003" in remarks


def test_a_drive_that_is_away_is_said_to_be() -> None:
    """What is said of an absent drive is old news."""
    remarks = say_remarks(
        files=(), drives=(a_drive("Shuttle", "d", mounted=False),), rolls=(), offloads=()
    )
    assert any("Not plugged in" in remark and "Shuttle" in remark for remark in remarks)


def test_the_usual_cautions_are_there() -> None:
    """Common practice, no source."""
    said = " ".join(CAUTIONS)
    for word in ("camera it goes into", "two bags", "repair", "not erased", "Whoever offloads"):
        assert word in said
