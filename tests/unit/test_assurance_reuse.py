"""The verdict on a card, from evidence and policy alone."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.assurance.reuse import (
    CardFound,
    CopyNow,
    DriveNow,
    FileNow,
    Known,
    Looked,
    Policy,
    Verdict,
    judge_card,
    separate_devices,
)
from ingest.assurance.state import CopyState
from ingest.assurance.times import found_time
from ingest.catalog.records import FileRecord, Look, Observer
from ingest.drives import Volume
from ingest.evidence import Act, Against, Route, State

NOW = datetime(2026, 3, 2, 20, 0, tzinfo=UTC)
SIZE = 40_000_000
TIME = 1_772_452_800_000_000_000
DAY = 86_400 * 1_000_000_000


def volume(disk: str | None, *, source: str = "/dev/x1", st_dev: int = 7) -> Volume:
    return Volume(
        root=f"/media/{disk}",
        mount_point=f"/media/{disk}",
        fs_type="ext4",
        source=source,
        fs_uuid=None,
        disks=(disk,) if disk else (),
        serial=None,
        device=disk or "unknown",
        mount="11",
        st_dev=st_dev,
        total=1,
        free=1,
        read_only=False,
        system=False,
        rotational=None,
    )


HERON = DriveNow("HERON", "S1", volume("sdb"))
OTTER = DriveNow("OTTER", "S2", volume("sdc"))
ALIAS = DriveNow("ALIAS", "S1", volume("sdb"))


def state(value: State = State.MATCHED, **other: object) -> CopyState:
    facts: dict[str, object] = {
        "route": Route.MEDIUM,
        "against": Against.CARD,
        "at": NOW - timedelta(hours=1),
        "why": "read back",
        "look": None,
    }
    return CopyState(value, **(facts | other))  # type: ignore[arg-type]


def copy(drive: DriveNow, of: CopyState | None = None, looked: Looked | None = None) -> CopyNow:
    if looked is None and drive.volume is not None:
        looked = Looked(None, mtime_ns=TIME)
    return CopyNow(drive, "P/A003/C0001.MOV", of or state(), looked)


def record(**other: object) -> FileRecord:
    facts: dict[str, object] = {
        "id": 1,
        "roll_id": 1,
        "offload_id": 1,
        "path": "C0001.MOV",
        "size": SIZE,
        "mtime_ns": TIME,
        "samples": "aa",
        "digests": {"xxh128": "d1"},
    }
    return FileRecord(**(facts | other))  # type: ignore[arg-type]


def on_card(*copies: CopyNow, **other: object) -> FileNow:
    """One file on the card as it was copied, with these copies."""
    facts: dict[str, object] = {
        "path": "C0001.MOV",
        "size": SIZE,
        "mtime_ns": TIME,
        "samples": "aa",
        "candidates": (Known(record(), "A003", copies),),
    }
    return FileNow(**(facts | other))  # type: ignore[arg-type]


def judge(*files: FileNow, policy: Policy | None = None) -> Verdict:
    return judge_card(CardFound("A003", NOW, files), policy or Policy())


def held(verdict: Verdict, *words: str) -> None:
    """It holds, says why in these words, and says what to do for each reason."""
    assert verdict.verdict == "hold"
    told = " | ".join(f"{reason.why} -> {reason.do}" for reason in verdict.reasons)
    for word in words:
        assert word in told
    assert verdict.reasons
    assert all(reason.why and reason.do for reason in verdict.reasons)


def test_with_two_proven_copies_on_two_devices_then_reuse() -> None:
    """The one way to a yes: and it says what it rests on."""
    verdict = judge(on_card(copy(HERON), copy(OTTER)))
    assert verdict.verdict == "reuse"
    assert verdict.rolls == ("A003",)
    assert "HERON, OTTER" in verdict.reasons[0].why
    assert "camera" in verdict.reasons[0].do


def test_with_one_copy_then_hold() -> None:
    """Two copies are asked for (common practice, no source)."""
    held(judge(on_card(copy(HERON))), "one good copy", "another physical device")


def test_with_two_copies_on_one_device_then_hold() -> None:
    """Two drives on one disk are one copy."""
    held(judge(on_card(copy(HERON), copy(ALIAS))), "separate")


def test_with_a_device_that_is_not_known_then_hold() -> None:
    """What can't be shown to be different is the same."""
    held(judge(on_card(copy(HERON), copy(DriveNow("FOG", None, volume(None))))), "separate")


@pytest.mark.parametrize(
    ("weaker", "word"),
    [
        (state(State.MISMATCH), "mismatch"),
        (state(State.SHORT), "short"),
        (state(State.LONG), "long"),
        (state(State.MISSING), "missing"),
        (state(State.UNREADABLE), "unreadable"),
        (state(State.UNVERIFIED), "unverified"),
        (state(State.DOUBTFUL), "bad once"),
        (state(State.CLAIMED), "claimed"),
        (state(route=Route.CACHE_POSSIBLE), "memory"),
        (state(route=None), "memory"),
        (state(against=Against.OWN_LIST), "this drive's list"),
        (state(against=Against.OTHER_LIST), "another drive's list"),
        (state(against=Against.NOTHING), "nothing"),
        (state(at=NOW + timedelta(seconds=1)), "future"),
        (state(at=None), "age"),
    ],
)
def test_when_one_of_two_copies_is_weaker_then_hold(weaker: CopyState, word: str) -> None:
    """Nothing less than proven counts."""
    held(judge(on_card(copy(HERON), copy(OTTER, weaker))), "OTTER", word)


@pytest.mark.parametrize("bad", [state for state in State if state.is_bad])
def test_when_a_copy_is_found_bad_just_now_then_hold(bad: State) -> None:
    """Old evidence is nothing against what was seen a moment ago."""
    verdict = judge(on_card(copy(HERON), copy(OTTER, looked=Looked(bad))))
    held(verdict, f"the copy on OTTER is {bad}")
    assert verdict.files[0].copies[1].state is bad


def test_when_a_third_copy_is_bad_and_two_are_good_then_reuse() -> None:
    """Enough is enough; the bad one is still shown."""
    plover = DriveNow("PLOVER", None, volume("sdd"))
    verdict = judge(on_card(copy(HERON), copy(OTTER), copy(plover, state(State.MISMATCH))))
    assert verdict.verdict == "reuse"
    assert verdict.files[0].copies[2].state is State.MISMATCH


def test_when_a_drive_is_not_here_then_hold_unless_that_is_said_to_do() -> None:
    """Only copies looked at now count; --offline-ok counts others and says so."""
    away = replace(OTTER, volume=None)
    here = replace(HERON, volume=replace(volume("sdb"), serial="S1"))
    file = on_card(copy(here), copy(away))
    held(judge(file), "OTTER is not mounted", "plug")
    verdict = judge(file, policy=Policy(offline_ok=True))
    assert verdict.verdict == "reuse"
    assert "not all of them here" in verdict.reasons[0].why


def test_when_plugging_in_may_be_enough_then_no_further_copy_is_asked_for() -> None:
    """First the drive that has a copy, before anybody buys another one."""
    away = DriveNow("AWAY", None, None)
    assert len(judge(on_card(copy(HERON), copy(away))).reasons) == 1
    held(judge(on_card(copy(away))), "not mounted", "no good copy")


def test_when_a_drive_is_perhaps_a_clone_then_hold() -> None:
    """A drive whose identity disagrees with what is known proves nothing."""
    held(judge(on_card(copy(HERON), copy(replace(OTTER, doubt="a clone")))), "a clone")


def test_when_a_copy_was_touched_since_then_hold_until_audited() -> None:
    """A changed time asks for an audit, and an audit that met that very time answers it."""
    remark = found_time(TIME + DAY)
    touched = Looked(None, f"{remark}, later than the footage's", TIME + DAY)
    held(judge(on_card(copy(HERON), copy(OTTER, looked=touched))), "audit")
    audited = Look(
        id=9,
        copy_id=1,
        run="r",
        act=Act.AUDITED,
        state=State.MATCHED,
        route=Route.MEDIUM,
        against=Against.CATALOG,
        size=SIZE,
        kind="xxh128",
        digest="d1",
        mount="1",
        at=NOW,
        detail=remark,
        observer=Observer("Mira", "cart", "b"),
    )
    good = copy(OTTER, state(look=audited), touched)
    assert judge(on_card(copy(HERON), good)).verdict == "reuse"


def test_when_read_in_a_later_mount_then_it_counts_on_a_disk_and_not_on_a_share() -> None:
    """Plugged in anew, a disk can't answer from the cache of the writing; a server can."""
    later = state(route=Route.CACHE_POSSIBLE, remounted=True)
    assert judge(on_card(copy(HERON), copy(OTTER, later))).verdict == "reuse"
    share = DriveNow("SHARE", None, volume("nas", source="nas:/footage"))
    held(judge(on_card(copy(HERON), copy(share, later))), "memory")


def test_when_a_file_was_never_copied_then_hold() -> None:
    """One clip that never came in is what this command is for."""
    new = on_card(path="C0002.MOV", candidates=())
    held(judge(on_card(copy(HERON), copy(OTTER)), new), "C0002.MOV: never copied", "offload")


def test_when_reformatted_with_equal_names_sizes_and_times_then_hold() -> None:
    """Name, size and time never make a file the same: samples differ."""
    again = on_card(copy(HERON), copy(OTTER), samples="bb")
    held(judge(again), "other content", "new roll")


def test_when_all_bytes_differ_though_samples_agree_then_hold() -> None:
    """Reading every byte knows more than samples do."""
    again = on_card(copy(HERON), copy(OTTER), digests=(("xxh128", "d2"),))
    held(judge(again), "other content")


def test_when_a_time_on_the_card_changed_then_hold_until_it_is_read_whole() -> None:
    """Samples prove nothing about the rest; a changed time says that it may have changed."""
    copies = (copy(HERON), copy(OTTER))
    calm = on_card(*copies)
    held(judge(calm, calm, on_card(*copies, mtime_ns=TIME + 7 * DAY)), "--reread")
    whole = on_card(*copies, mtime_ns=TIME + 7 * DAY, digests=(("xxh128", "d1"),))
    assert judge(calm, calm, whole).verdict == "reuse"


def test_when_all_times_are_shifted_by_a_zone_then_reuse() -> None:
    """One shift by whole quarters of an hour, common to all files, is a change of zone."""
    shifted = on_card(copy(HERON), copy(OTTER), mtime_ns=TIME + DAY // 24)
    assert judge(shifted, shifted).verdict == "reuse"


def test_when_two_files_agree_in_samples_and_not_in_content_then_hold() -> None:
    """Which of the two it is can't be known from samples."""
    one = Known(record(), "A003", (copy(HERON), copy(OTTER)))
    other = Known(record(id=2, digests={"xxh128": "d2"}), "A004", (copy(HERON), copy(OTTER)))
    held(judge(on_card(candidates=(one, other))), "--reread")


def test_when_two_rolls_hold_the_same_content_then_copies_of_both_count() -> None:
    """The same bytes are the same bytes, whichever roll they came in with."""
    one = Known(record(), "A003", (copy(HERON),))
    other = Known(record(id=2, roll_id=2), "A004", (copy(OTTER),))
    assert judge(on_card(candidates=(one, other))).verdict == "reuse"


def test_when_something_on_the_card_can_not_be_read_then_hold() -> None:
    """Nobody knows what is there."""
    held(judge(on_card(copy(HERON), copy(OTTER), samples=None, detail="EIO")), "EIO")
    found = CardFound(
        "A003", NOW, (on_card(copy(HERON), copy(OTTER)),), unreadable=(("DCIM", "EIO"),)
    )
    held(judge_card(found, Policy()), "DCIM", "reader or cable")


def test_when_nothing_is_on_the_card_then_hold() -> None:
    """An empty card may be the wrong one."""
    held(judge(), "no file")


def test_when_a_copy_lies_on_the_card_itself_then_hold() -> None:
    """Formatting would take the copy with it."""
    found = CardFound("A003", NOW, (on_card(copy(HERON), copy(OTTER)),), volume=volume("sdc"))
    held(judge_card(found, Policy()), "own device")


def test_the_policy_is_asked() -> None:
    """More copies, younger evidence, a second read of the card, an off-site place."""
    file = on_card(copy(HERON), copy(OTTER))
    held(judge(file, policy=Policy(copies=3)), "3 asked for")
    old = on_card(copy(HERON, state(at=NOW - timedelta(days=8))), copy(OTTER))
    assert judge(old, policy=Policy(max_age_days=8)).verdict == "reuse"
    held(judge(old, policy=Policy(max_age_days=7)), "HERON", "7 days")
    held(judge(file, policy=Policy(read_twice=True)), "read once", "--reread")
    again = replace(file, digests=(("xxh128", "d1"),))
    assert judge(again, policy=Policy(read_twice=True)).verdict == "reuse"
    held(judge(file, policy=Policy(offsite=1)), "where HERON is was never said")


def test_many_files_with_one_trouble_are_one_reason() -> None:
    """Four hundred stills with one copy are one line, counted."""
    files = [on_card(copy(HERON), path=f"{number}.JPG") for number in range(400)]
    verdict = judge(*files)
    assert len(verdict.reasons) == 1
    assert verdict.reasons[0].why.startswith("400 files (0.JPG")


def test_hostile_names_are_shown_safely() -> None:
    """A name can't move the cursor or start a new line in a reason."""
    verdict = judge(on_card(path="a\n\x1b[2J.MOV", candidates=()))
    assert "\n" not in verdict.reasons[0].why
    assert "\x1b" not in verdict.reasons[0].why


def test_devices_are_counted_as_the_most_that_are_pairwise_different() -> None:
    """A drive that spans two disks is separate from neither."""
    both = DriveNow("RAID", None, replace(volume("sdb"), disks=("sdb", "sdc")))
    assert separate_devices(frozenset()) == 0
    assert separate_devices(frozenset({both})) == 1
    assert separate_devices(frozenset({both, HERON})) == 1
    assert separate_devices(frozenset({both, HERON, OTTER})) == 2


# Whatever is found --------------------------------------------------------------------------------

states = st.builds(
    state,
    st.sampled_from(list(State)),
    route=st.sampled_from([None, *Route]),
    against=st.sampled_from(list(Against)),
    at=st.sampled_from([None, NOW - timedelta(days=3), NOW + timedelta(days=3)]),
)
drives = st.sampled_from([HERON, OTTER, ALIAS, replace(OTTER, volume=None)])
looked = st.builds(Looked, st.sampled_from([None, State.MISSING, State.MISMATCH]))
copies = st.lists(st.builds(copy, drives, states, looked), max_size=4)
samples = st.sampled_from(["aa", "aa", "aa", "bb", None])
files = st.builds(lambda some, now: on_card(*some, samples=now), copies, samples)


def _surely_good(one: CopyNow) -> bool:
    return (
        one.state.proven
        and one.state.at is not None
        and one.state.at <= NOW
        and one.drive.volume is not None
        and one.looked is not None
        and one.looked.bad is None
    )


@given(st.lists(files, min_size=1, max_size=4))
def test_reuse_is_said_only_with_two_proven_copies_of_every_file(found: list[FileNow]) -> None:
    """A second, simple reading of the rules, on whatever can be found."""
    verdict = judge(*found)
    well = all(
        file.samples == "aa"
        and len(
            {
                one.drive.volume.disks
                for one in file.candidates[0].copies
                if _surely_good(one) and one.drive.volume is not None
            }
        )
        >= 2
        for file in found
    )
    assert (verdict.verdict == "reuse") == well
    assert verdict.reasons


@given(st.lists(files, min_size=1, max_size=4), files)
def test_one_file_more_never_turns_hold_into_reuse(found: list[FileNow], more: FileNow) -> None:
    """Nothing on the card can outweigh a file that holds it."""
    if judge(*found).verdict == "hold":
        assert judge(*found, more).verdict == "hold"
