"""How much was shot, and how it was recorded, in the words of page and PDF."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from fractions import Fraction

from ingest.assurance.footage.set_wrong import ASKED, USUAL, Difference
from ingest.report.facts import ClipLength, IntakeFacts, Sum, Totals
from ingest.report.shot import recorded_words, total_groups, total_notes

MINUTE = Fraction(60)
WHOLE = Sum(
    "All",
    clips=5,
    files=9,
    bytes=3_000_000_000,
    seconds=2 * MINUTE,
    timed_bytes=2_640_000_000,
    untimed=1,
    longest=ClipLength("A001/C0005", MINUTE),
    shortest=ClipLength("B001/C0001", Fraction(9, 10)),
)
FACTS = IntakeFacts(
    production="Salt and Lanterns",
    scope="Salt and Lanterns",
    as_of=datetime(2026, 3, 14, 23, tzinfo=UTC),
    wanted=2,
    verdict="",
    remarks=(),
    problems=(),
    totals=Totals(9, 3_000_000_000, 18, 18, 9, 5, 2, 2),
    drives=(),
    rolls=(),
    clips=(),
    files=(),
    cameras=(replace(WHOLE, of="A"), Sum("P", 4, 4, 42_400, Fraction(0))),
    days=(replace(WHOLE, of="Day 1, 2026-03-14"),),
    offloads=(),
    roll_sums=(replace(WHOLE, of="A001"), Sum("P001", 4, 4, 42_400, Fraction(0))),
    whole=WHOLE,
)


def test_length_size_and_rate_stand_by_camera_and_roll_and_in_all() -> None:
    """ProRes 422 HQ at 176 Mb/s (Apple ProRes White Paper, target data rates): 22 MB a second.
    A single day would only say the sum of all again; stills have no length."""
    everything = ("5", "9", "2:00", "3 GB", "22 MB/s")
    stills = ("4", "4", "none", "42.4 kB", "none")
    assert total_groups(FACTS) == [
        ("Camera", [("A", *everything), ("P", *stills)]),
        ("Roll", [("A001", *everything), ("P001", *stills)]),
        ("", [("All", *everything)]),
    ]


def test_the_longest_and_the_shortest_clip_are_named_and_what_counts_no_length() -> None:
    """One sentence each."""
    first, _, last = total_notes(FACTS)
    assert first == ("The longest clip is A001/C0005 (1:00), the shortest B001/C0001 (0.9 s).")
    assert last == "1 clip states no length and counts none."


def test_of_a_report_without_clips_nothing_is_said() -> None:
    """An empty roll."""
    empty = replace(
        FACTS, cameras=(), days=(), roll_sums=(), whole=Sum("All", 0, 2, 9, Fraction(0))
    )
    assert total_groups(empty) == [("", [("All", "0", "2", "none", "9 bytes", "none")])]
    assert total_notes(empty) == []


def test_what_is_wrong_names_its_basis_and_what_is_only_told_is_a_note() -> None:
    """So that whoever reads it knows what to ask."""
    said = Difference(
        "29.97 fps instead of 25 fps",
        "frame rate",
        "29.97 fps",
        "25 fps",
        ASKED,
        True,
        ("A001/C0003",),
    )
    told = Difference(
        "no sound instead of 1 audio channel",
        "audio channels",
        "no sound",
        "1 audio channel",
        USUAL,
        False,
        ("A001/C0006",),
    )
    assert recorded_words(replace(FACTS, differences=(said, told))) == [
        ("Set wrong: 29.97 fps instead of 25 fps (ingest.toml)", True, ("A001/C0003",)),
        ("Note: no sound instead of 1 audio channel", False, ("A001/C0006",)),
    ]
