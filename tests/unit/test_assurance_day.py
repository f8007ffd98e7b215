"""The end of the day on trial: a simulated production with one of each absence planted."""

from __future__ import annotations

import os
import random
import shlex
from collections import Counter
from dataclasses import replace

import pytest
from simulated_day import PLANTS, make_production, plant

from ingest.assurance.day.counters import clip_gaps, clip_number, roll_gaps
from ingest.assurance.day.values import (
    ClipIn,
    DayFacts,
    Device,
    Fault,
    Kind,
    RollIn,
    TakeIn,
)
from ingest.assurance.day.verdict import judge_day, span_words
from ingest.catalog.records import PlannedShot, SlateRow
from ingest.slate.coverage import Covered, ShotCovered

SEEDS = int(os.environ.get("INGEST_SEEDS", "5"))


def test_a_production_with_everything_in_is_complete() -> None:
    """None invented: two days, fourteen cards, wild tracks, MOS takes, counters that go on or
    begin anew."""
    for seed in range(SEEDS):
        for day in (1, 2):
            wrapped = judge_day(make_production(random.Random(seed), day).facts())
            assert wrapped.complete, (seed, day, wrapped.open)


def test_each_absence_that_is_planted_is_found_and_nothing_is_invented() -> None:
    """Every kind on both days, seed by seed; run with INGEST_SEEDS=50 -s for the figures."""
    planted: Counter[str] = Counter()
    for seed in range(SEEDS):
        for number, what in enumerate(PLANTS):
            for day in (1, 2):
                chance = random.Random(f"{seed} {number} {day}")
                made = make_production(chance, day)
                if (expected := plant(made, number, chance)) is None:
                    continue
                planted[what.__name__] += 1
                found = judge_day(made.facts()).open
                told = [(one.kind, one.what) for one in found]
                case = (seed, day, what.__name__, told)
                assert len(found) == 1, case
                assert found[0].kind is expected[0], case
                assert expected[1] in found[0].what, case
                assert found[0].because and found[0].do, case
    print(f"\n{planted.total()} planted, as many found, none invented: {dict(planted)}")
    assert set(planted) == {what.__name__ for what in PLANTS}


def test_many_absences_at_once_are_all_told_each_once() -> None:
    """A bad evening: five things that have nothing to do with each other."""
    names = ("new_drone", "picture", "shot", "copies", "clock", "hold")
    for seed in range(SEEDS):
        chance = random.Random(seed)
        made = make_production(chance, 2)
        by_name = {what.__name__: number for number, what in enumerate(PLANTS)}
        expected = [plant(made, by_name[name], chance) for name in names]
        kinds = [one.kind for one in judge_day(made.facts()).open]
        assert sorted(kinds) == sorted(one[0] for one in expected if one), seed


def facts(**more: object) -> DayFacts:
    """Camera A and the recorder, one take, all in."""
    take = TakeIn("12", "1", "1")
    base = DayFacts(
        day=1,
        devices=(Device("A", "camera"), Device("S", "recorder")),
        rolls=(RollIn("A001", 1, "A"), RollIn("S001", 1, "S")),
        clips=(
            ClipIn("A001", "A001C001", 1, "A", "picture", (take,)),
            ClipIn("S001", "12-T01", 1, "S", "sound", (take,)),
        ),
        rows=(SlateRow("12", "1", "1", 1, "A", "A001", "S001", "A001C001", log="log.csv", row=2),),
    )
    return replace(base, **more)  # type: ignore[arg-type]


def test_an_idle_device_and_what_was_settled_are_not_open() -> None:
    """But they are told beside, with what was said."""
    wrapped = judge_day(facts(devices=(*facts().devices, Device("D", "camera", "drone"))))
    (found,) = wrapped.open
    assert found.key == "D" and "ingest wrap --idle D" in found.do
    wanted = replace(facts(), devices=(*facts().devices, Device("D", "camera", "drone")))
    assert judge_day(replace(wanted, idle=frozenset("D"))).complete
    settled = judge_day(replace(wanted, settled={"d": "settled by Wren"}))
    assert settled.complete
    assert [said for _, said in settled.settled] == ["settled by Wren"]


def test_a_roll_of_a_device_that_nobody_named_may_be_that_of_the_camera_that_is_not_in() -> None:
    """It came in as X001, since nothing told its camera: one command puts that right."""
    devices = (*facts().devices, Device("B", "camera"))
    (found,) = judge_day(facts(devices=devices)).open
    assert "rolls set" not in found.do
    strays = (*facts().rolls, RollIn("X 001", 1, "X"))
    (found,) = judge_day(facts(devices=devices, rolls=strays)).open
    assert "if X 001 is its: ingest rolls set 'X 001' --camera B;" in found.do


def test_what_a_missing_device_would_have_held_is_told_with_it_and_not_again() -> None:
    """One thing to look for is one line."""
    only_sound = replace(facts(), rolls=facts().rolls[1:], clips=facts().clips[1:])
    (found,) = judge_day(only_sound).open
    assert found.kind is Kind.DEVICE
    assert "the log has 12 take 1 on it" in found.because


@pytest.mark.parametrize(
    ("row", "found"),
    [
        (SlateRow("12", "1", "1", 1, "A", mos=True), None),
        (SlateRow("12", "WT1", None, 1, None), None),
        (SlateRow("12", "RT", None, 1, None), None),
        (SlateRow("12", "2", "1", 1, None), Kind.PICTURE),
        (SlateRow("12", "WT1", None, 1, None, sound_roll="S001"), Kind.SOUND),
        (SlateRow("12", "WT1", None, 1, None, sound_roll="S002"), Kind.ROLL),
        (SlateRow("12", "2", "1", 1, "A", "A001", clip="A001C002"), Kind.PICTURE),
        (SlateRow("12", "2", "1", 2, "A", "A001"), None),
    ],
)
def test_a_row_of_the_log_asks_for_what_it_promises_and_no_more(
    row: SlateRow, found: Kind | None
) -> None:
    """MOS asks for no sound, a wild track for no picture, another day's row for nothing today."""
    told = judge_day(replace(facts(), rows=(*facts().rows, row))).open
    assert [one.kind for one in told] == ([found] if found else [])


def test_a_shot_that_can_not_be_had_tomorrow_comes_before_what_can() -> None:
    """The location is left tonight."""
    shots = (
        PlannedShot("20", "5", day=1, location="Quay"),
        PlannedShot("21", "6", day=1, location="Lamp store"),
        PlannedShot("22", "7", day=2, location="Quay"),
    )
    covered = tuple(ShotCovered(shot, Covered.NOT_SHOT, ()) for shot in shots)
    told = judge_day(replace(facts(), planned=shots, covered=covered)).open
    assert [(one.key, one.tonight) for one in told] == [("shot-6", True), ("shot-5", False)]
    assert "before you leave" in told[0].do and "the last day there is day 2" in told[1].because


def set_wrong_on(numbers: range, wrong: str = "29.97 fps instead of 23.976 fps") -> DayFacts:
    """Fourteen clips of camera A, these of them set wrong."""
    clips = [
        ClipIn("A001", f"A001C{number:03}", 1, "A", "picture", (TakeIn("12", str(number), "1"),))
        for number in range(1, 15)
    ]
    return facts(
        clips=(*clips, facts().clips[1]),
        faults=tuple(
            Fault(f"A001/A001C{number:03}", "A", wrong, "ingest.toml asks for it")
            for number in numbers
        ),
    )


def test_a_camera_that_was_set_wrong_all_day_is_one_line_and_few_clips_are_named() -> None:
    """What an evening says of 14 clips must leave room for the rest; which they are is a command
    away. The shots that hang on them are told once."""
    (found,) = judge_day(set_wrong_on(range(1, 15))).open
    assert found.what == "A: 14 of 14 clips: 29.97 fps instead of 23.976 fps"
    assert found.clips == tuple(f"A001/A001C{number:03}" for number in range(1, 15))
    assert found.because.endswith("without them no good take is left of shot 1 (scene 12)")
    assert "ingest wrap --day 1 --each" in found.do
    (found,) = judge_day(set_wrong_on(range(1, 9))).open
    assert found.what == "A: 8 of 14 clips: 29.97 fps instead of 23.976 fps"
    assert found.because.endswith("other clips cover 1 shot that they hold")
    few = judge_day(set_wrong_on(range(1, 4))).open
    assert [one.what.partition(":")[0] for one in few] == [
        f"A001/A001C{number:03}" for number in range(1, 4)
    ]


def test_what_is_settled_of_many_clips_is_settled_of_each_and_of_none_that_comes_later() -> None:
    """A camera that goes on wrong after it was said to be all right is open again."""
    (found,) = judge_day(set_wrong_on(range(1, 9))).open
    assert found.key == "A-29.97-fps" and f"--settle {found.key}" in found.do
    assert found.settled_by == found.clips
    said = dict.fromkeys(found.settled_by, "settled by Wren")
    wrapped = judge_day(replace(set_wrong_on(range(1, 9)), settled=said))
    assert wrapped.complete
    assert [one.what for one, _ in wrapped.settled] == [found.what]
    (later,) = judge_day(replace(set_wrong_on(range(1, 14)), settled=said)).open
    assert later.clips == tuple(f"A001/A001C{number:03}" for number in range(9, 14))


def test_broken_clips_are_named_one_by_one() -> None:
    """Each was lost for a reason of its own, and somebody must play it."""
    broken = set_wrong_on(range(1, 9), "it ends early")
    faults = tuple(replace(fault, broken=True) for fault in broken.faults)
    assert len(judge_day(replace(broken, faults=faults)).open) == 8


def test_names_with_control_characters_are_shown_and_nothing_is_written_by_them() -> None:
    """A log is somebody else's text."""
    row = SlateRow("12\x1b[31m", "2\n", "1", 1, "A", log="log\x07.csv")
    (found,) = judge_day(replace(facts(), rows=(*facts().rows, row))).open
    assert not any(ord(character) < 32 for character in found.what + found.because + found.do)


def test_each_word_that_settles_a_finding_is_in_what_to_do() -> None:
    """A person copies the line and it works: names with blanks are quoted for the shell."""
    for seed in range(SEEDS):
        for number in range(len(PLANTS)):
            chance = random.Random(f"{seed} {number}")
            made = make_production(chance, 1)
            if plant(made, number, chance) is None:
                continue
            (found,) = judge_day(made.facts()).open
            if not found.key:
                continue
            words = shlex.split(found.do.replace("; ", " "))
            assert {words[at + 1] for at, word in enumerate(words) if word == "--settle"} | {
                words[at + 1] for at, word in enumerate(words) if word == "--idle"
            } == {found.key}
            assert judge_day(replace(made.facts(), settled={found.key: "so"})).complete


def test_counters_are_read_from_the_names_that_devices_give() -> None:
    """Reel and clip as in ASC MHL v1.0 Appendix B; four digits after a stem as in CIPA DC-009."""
    assert clip_number("A002C006_141024_R2EC") == ("C", 6, 3)
    assert clip_number("C0001") == ("C", 1, 4)
    assert clip_number("DCIM/ABCD0012") == ("ABCD", 12, 4)
    for name in ("12A-T02", "20260314_104205", "VID_20260314_104205", "wide shot", "12"):
        assert clip_number(name) is None, name


def test_counters_may_go_on_or_begin_anew_on_the_next_roll_and_nothing_else() -> None:
    """Between rolls 1 and one more than the last are right; where a roll lacks, nothing is said."""
    first = ("A001", ["C0001", "C0002", "C0003"])
    assert not clip_gaps([first, ("A002", ["C0001", "C0002"])])
    assert not clip_gaps([first, ("A002", ["C0004", "C0005"])])
    assert not clip_gaps([first, ("A003", ["C0009", "C0010"])])
    (gap,) = clip_gaps([first, ("A002", ["C0006"])])
    assert (gap.words, gap.before, gap.after) == ("C0004 to C0005", "C0003", "C0006")
    (gap,) = clip_gaps([first, ("A002", ["C0003", "C0004"])])
    assert (gap.words, gap.before) == ("C0001 to C0002", "")
    (gap,) = clip_gaps([("B001", ["C0001", "C0002", "C0004"])])
    assert gap.words == "C0003"
    assert not clip_gaps([("B001", ["C0001", "C0900", "C4000"])])  # no counter at all


def test_a_number_missing_between_rolls_is_a_gap_for_each_letter_by_itself() -> None:
    """A001 and B003 have nothing to do with each other."""
    assert [gap.words for gap in roll_gaps(["A001", "A002", "A005", "B002", "B003"])] == [
        "B001",
        "A003 to A004",
    ]
    assert not roll_gaps(["A017", "A018"])  # a rented camera goes on where it was
    assert not roll_gaps(["day one", "day two"])


def test_spans_of_time_are_said_as_people_say_them() -> None:
    """The largest three units."""
    said = [span_words(seconds) for seconds in (192, 3617, 45, 86400, 90061, 7200)]
    assert said == ["3 min 12 s", "1 h 17 s", "45 s", "1 day", "1 day 1 h 1 min", "2 h"]
