"""What to pack: hours to cards and drives."""

from __future__ import annotations

from fractions import Fraction

import pytest

from ingest.assurance.data_rates import DataRate
from ingest.assurance.kit import (
    CardKit,
    CardState,
    DriveKit,
    Hours,
    Kit,
    bytes_for,
    pack_device,
)
from ingest.cli.room import hours_words

HQ = DataRate(Fraction(176 * 10**6, 8), "published target")
"""79.2 GB an hour: Apple ProRes White Paper, Target Data Rates, 1920x1080 at 24p, HQ."""
TWO = Hours(Fraction(2), "as said", said=True)


def card(label: str, state: CardState = CardState.READY, held: int = 0) -> CardKit:
    return CardKit(label, state, "", bytes=held)


def test_two_hours_at_a_published_rate_come_to_the_worked_sum() -> None:
    """2 h x 79.2 GB x 1.25 = 198 GB: four cards of 64 GB, one of 256 GB."""
    assert bytes_for(Fraction(2), HQ) == 198 * 10**9
    small = pack_device("A", "camera", "", HQ, TWO, [], 64 * 10**9)
    large = pack_device("A", "camera", "", HQ, TWO, [], 256 * 10**9)
    assert (small.needed, small.short, large.needed) == (4, 4, 1)


def test_a_device_with_no_card_known_needs_one_unless_somebody_said_it_rests() -> None:
    """C drone: no card known, take 1. A shot list without it is no promise."""
    unknown = pack_device("C", "camera", "drone", None, None, [])
    assert (unknown.needed, unknown.short) == (1, 1)
    by_list = pack_device("C", "camera", "drone", HQ, Hours(Fraction(0), "0 planned shots"), [])
    assert by_list.needed == 1
    rests = pack_device("C", "camera", "drone", HQ, Hours(Fraction(0), "as said", said=True), [])
    assert (rests.needed, rests.short) == (0, 0)


def test_cards_on_hold_or_not_seen_are_not_ready() -> None:
    """Only what could be reused, or never came in, is counted as ready."""
    cards = [
        card("ONE", held=64 * 10**9),
        card("TWO", CardState.HOLD),
        card("THREE", CardState.AWAY),
        card("NEW", CardState.NEVER_IN),
    ]
    told = pack_device("A", "camera", "", HQ, TWO, cards)
    assert [one.label for one in told.ready] == ["ONE", "NEW"]
    assert told.card_bytes == 64 * 10**9  # the most that one of them ever gave
    assert (told.needed, told.short) == (4, 2)


def test_drives_have_room_only_where_they_were_looked_at() -> None:
    """A drive that isn't here has no known room, however large it is."""
    device = pack_device("A", "camera", "", HQ, TWO, [card("ONE")], 256 * 10**9)
    drives = (
        DriveKit("ALBATROSS", "bag 1", 200 * 10**9, ""),
        DriveKit("BITTERN", "bag 2", 100 * 10**9, ""),
        DriveKit("CORMORANT", "vault", None, ""),
    )
    kit = Kit(2, (device,), drives, 2, ())
    assert [one.name for one in kit.with_room] == ["ALBATROSS"]
    assert not kit.well
    assert Kit(2, (device,), drives, 1, ()).well


@pytest.mark.parametrize(
    ("hours", "words"),
    [
        (Fraction(7, 3600), "7 s"),
        (Fraction(3, 4), "45 min"),
        (Fraction(2), "2 h"),
        (Fraction(119, 60), "1 h 59 min"),
        (Fraction(12626, 1000), "12 h"),
    ],
)
def test_hours_are_rounded_down(hours: Fraction, words: str) -> None:
    """Never more is promised than there is."""
    assert hours_words(hours) == words
