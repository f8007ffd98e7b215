"""What is open today, from what is known: the most urgent first, each with what to do."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime

from ingest.catalog.custody_records import CardKnown, DrivePlace, RollNote, Standing
from ingest.catalog.records import Drive, Roll
from ingest.evidence import State
from ingest.jobs.known import DriveHere, RollOnDrive, RollOverview, Tally
from ingest.jobs.standing import Open, open_today

NOW = datetime(2026, 3, 14, 21, 0, tzinfo=UTC)
TODAY = date(2026, 3, 14)
HERON = Drive(1, "m", "HERON", None, None, "sdb", "ext4", "/media/HERON", NOW, NOW)
GOOD = Tally({State.MATCHED: 2}, 2, NOW, NOW, False)
BAD = Tally({State.MATCHED: 1, State.MISMATCH: 1}, 1, NOW, NOW, False)
FREE = RollNote()


def roll(name: str, tally: Tally = GOOD, copies: int = 2, finished: bool = True) -> RollOverview:
    on = RollOnDrive(DriveHere(HERON, None, None, ""), DrivePlace(HERON), tally)
    known = Roll(1, "Quay", name, 1, "2026-03-14", "A", name)
    return RollOverview(known, 2, 10, (on,), copies, finished)


def told(*rolls: RollOverview, notes: tuple[RollNote, ...] = (), wanted: int = 2) -> list[Open]:
    return list(open_today(rolls, notes or (FREE,) * len(rolls), (), wanted, TODAY, broken={}))


def test_nothing_is_open_when_all_is_there() -> None:
    """Two proven copies of a finished roll, no hold."""
    assert told(roll("A001")) == []


def test_the_most_urgent_comes_first_and_each_says_what_to_do() -> None:
    """Damage, then an offload cut off, then copies owed, then holds."""
    found = told(
        roll("A001", copies=1),
        roll("A002"),
        roll("A003", finished=False),
        roll("A004", BAD),
        notes=(FREE, RollNote(hold="look at the sync", hold_by="ines"), FREE, FREE),
    )
    assert [one.kind for one in found] == ["problem", "unfinished", "copies", "hold"]
    assert found[0].what == "A004: a copy is damaged, missing or doubtful (HERON)"
    assert "plug in HERON and look again" in found[2].do
    assert "held by ines: look at the sync" in found[3].what
    assert all(one.do for one in found)


def test_the_copies_wanted_are_asked_for() -> None:
    """Three where the policy says three."""
    assert [one.kind for one in told(roll("A001"), wanted=3)] == ["copies"]


def test_damage_on_a_drive_that_is_lost_is_no_problem_that_anybody_could_mend() -> None:
    """What is owed is the copy."""
    lost = roll("A001", BAD, copies=1)
    on = replace(lost.drives[0], place=DrivePlace(HERON, Standing.LOST))
    found = told(replace(lost, drives=(on,)))
    assert [one.kind for one in found] == ["copies"]
    assert "plug in" not in found[0].do


def test_a_card_that_is_overdue_is_open_until_it_went_back() -> None:
    """On the day itself it is not overdue."""
    late = CardKnown("CARD 7", "card 7", due=date(2026, 3, 13))
    cards = [late, replace(late, due=TODAY), replace(late, returned=NOW)]
    found = list(open_today((), (), cards, 2, TODAY, broken={}))
    assert [one.what for one in found] == ["card CARD 7 was due back on 2026-03-13"]


def test_hostile_names_are_shown_safely() -> None:
    """Of rolls, people and cards."""
    found = list(
        open_today(
            (roll("A\x1b[2J", copies=0),),
            (RollNote(hold="a\nb", hold_by="in\x07es"),),
            (CardKnown("C\n7", "c", due=date(2026, 1, 1)),),
            2,
            TODAY,
            broken={1: ["A/\x1bC"]},
        )
    )
    assert len(found) == 4
    assert all((one.what + one.do).isprintable() for one in found)
