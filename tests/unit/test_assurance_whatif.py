"""What would be left if one thing went wrong, and how to pack: held against counting it out."""

from __future__ import annotations

from itertools import product

from hypothesis import given
from hypothesis import strategies as st

from ingest.assurance.whatif import (
    NOWHERE,
    EventKind,
    Holder,
    Holding,
    single_events,
    split_over_bags,
)

ALBATROSS = Holder("ALBATROSS", "disk-1", "bag 1")
BITTERN = Holder("BITTERN", "disk-2", "bag 2")
CORMORANT = Holder("CORMORANT", "disk-3", "vault")


def on(*names: str, roll: str = "A001", files: int = 3, size: int = 100) -> Holding:
    return Holding(roll, files, size, frozenset(names))


@st.composite
def tables(draw: st.DrawFn) -> tuple[list[Holder], list[Holding], int]:
    """Up to four drives on up to three devices, up to three cards, files anywhere."""
    drives = [
        Holder(
            f"D{number}",
            draw(st.sampled_from(["", "x", "y", "z"])),
            draw(st.sampled_from([NOWHERE, "van", "loft"])),
            laptop=draw(st.booleans()),
        )
        for number in range(draw(st.integers(0, 4)))
    ]
    cards = [
        Holder(f"C{number}", f"reader {number}", draw(st.sampled_from([NOWHERE, "van"])), card=True)
        for number in range(draw(st.integers(0, 3)))
    ]
    holders = [*drives, *cards]
    names = [one.name for one in holders]
    some = st.frozensets(st.sampled_from(names)) if names else st.just(frozenset[str]())
    held = [
        Holding(f"R{number}", draw(st.integers(1, 4)), draw(st.integers(0, 9)), draw(some))
        for number in range(draw(st.integers(0, 6)))
    ]
    return holders, held, draw(st.integers(1, 3))


def parts(holders: list[Holder]) -> list[set[str]]:
    """What can't be parted: drives of one device, each card by itself."""
    devices: dict[str, set[str]] = {}
    for one in holders:
        devices.setdefault(f"card {one.name}" if one.card else f"on {one.device}", set()).add(
            one.name
        )
    return list(devices.values())


def survives(bags: list[set[str]], held: list[Holding]) -> bool:
    return all(not (one.holders and one.holders <= bag) for one in held for bag in bags)


def any_split(holders: list[Holder], held: list[Holding], count: int) -> bool:
    """Every way to put the parts into bags, one after the other."""
    whole = parts(holders)
    for choice in product(range(count), repeat=len(whole)):
        bags = [
            set[str]().union(*(part for part, at in zip(whole, choice, strict=True) if at == bag))
            for bag in range(count)
        ]
        if survives(bags, held):
            return True
    return False


@given(tables())
def test_a_split_is_found_exactly_when_counting_them_all_out_finds_one(
    table: tuple[list[Holder], list[Holding], int],
) -> None:
    """Brute force over every packing agrees, and what is found is a packing of everything."""
    holders, held, count = table
    found = split_over_bags(holders, held, count)
    assert found.found == any_split(holders, held, count)
    if found.found:
        bags = [set(bag) for bag in found.bags]
        assert sorted(name for bag in found.bags for name in bag) == sorted(
            one.name for one in holders
        )
        assert survives(bags, held)
        assert all(any(part <= bag for bag in bags) for part in parts(holders))
        if not found.needs_cards:
            drives = {one.name for one in holders if not one.card}
            assert survives(
                bags,
                [Holding(o.roll, o.files, o.bytes, o.holders & drives) for o in held],
            )


@given(tables())
def test_where_there_is_no_split_the_copies_named_make_one(
    table: tuple[list[Holder], list[Holding], int],
) -> None:
    """Adding exactly what it says is missing makes a split; a number of bags said to be enough
    is, and the one below it isn't."""
    holders, held, count = table
    found = split_over_bags(holders, held, count)
    if found.found:
        return
    assert found.why and found.missing
    new = Holder("NEW", "new device")
    added = [
        Holding(
            one.roll,
            one.files,
            one.bytes,
            one.holders
            | {
                told.to or "NEW"
                for told in found.missing
                if told.roll == one.roll and set(told.on) == one.holders
            },
        )
        for one in held
    ]
    assert any_split([*holders, new], added, max(count, 2))
    if found.enough:
        assert any_split(holders, held, found.enough)
        assert not any_split(holders, held, found.enough - 1)
    else:
        assert not any_split(holders, held, len(holders))


@given(tables())
def test_every_event_leaves_what_counting_file_by_file_leaves(
    table: tuple[list[Holder], list[Holding], int],
) -> None:
    """Each event against a table of files: those whose every holder is gone are lost."""
    holders, held, _ = table
    events = single_events(holders, held)
    for event in events:
        gone = set(event.gone)
        lost = [one for one in held if one.holders and one.holders <= gone]
        assert event.files == sum(one.files for one in lost)
        assert event.bytes == sum(one.bytes for one in lost)
        assert {loss.roll for loss in event.lost} == {one.roll for one in lost}
    drives = [one for one in holders if not one.card]
    kinds = [event.kind for event in events]
    assert kinds.count(EventKind.DRIVE) == len({one.device for one in drives})
    assert kinds.count(EventKind.CARD) == len(holders) - len(drives)
    assert [e.files for e in events] == sorted((e.files for e in events), reverse=True)


def test_two_drives_with_everything_go_into_two_bags() -> None:
    """The plain case of a small crew: a drive in each bag, the card in either."""
    card = Holder("card A001", "reader", card=True)
    found = split_over_bags([ALBATROSS, BITTERN, card], [on("ALBATROSS", "BITTERN", "card A001")])
    assert [set(bag) - {"card A001"} for bag in found.bags] == [{"ALBATROSS"}, {"BITTERN"}]
    assert not found.needs_cards


def test_one_copy_on_a_drive_and_the_card_is_enough_only_until_the_card_is_formatted() -> None:
    """Then the split says that it rests on the card."""
    card = Holder("card A001", "reader", card=True)
    found = split_over_bags([ALBATROSS, card], [on("ALBATROSS", "card A001")])
    assert found.bags == (("ALBATROSS",), ("card A001",))
    assert found.needs_cards


def test_a_file_on_one_device_alone_has_no_split_and_the_copy_to_make_is_named() -> None:
    """Two folders on one disk are one device, however they are called."""
    one, other = Holder("ONE", "disk-1"), Holder("OTHER", "disk-1")
    found = split_over_bags([one, other, BITTERN], [on("ONE", "OTHER", files=7)])
    assert not found.found and found.enough == 0
    assert found.why == "7 files of A001 lie on one device alone (ONE and OTHER)"
    assert [(m.roll, m.files, m.to) for m in found.missing] == [("A001", 7, "BITTERN")]


def test_three_rolls_each_on_another_pair_of_drives_need_three_bags() -> None:
    """Every file has two copies, and yet two bags can't hold them apart."""
    drives = [ALBATROSS, BITTERN, CORMORANT]
    held = [
        on("ALBATROSS", "BITTERN", roll="A001", size=500),
        on("BITTERN", "CORMORANT", roll="A002", size=500),
        on("ALBATROSS", "CORMORANT", roll="A003", size=1),
    ]
    found = split_over_bags(drives, held)
    assert not found.found
    assert found.enough == 3
    assert len(found.missing) == 1
    assert split_over_bags(drives, held, 3).found


def test_drives_of_which_nobody_said_where_they_are_are_lost_together() -> None:
    """Unknown is no proof of being apart."""
    one, other = Holder("ONE", "disk-1"), Holder("OTHER", "disk-2")
    events = single_events([one, other], [on("ONE", "OTHER", files=5)])
    worst = events[0]
    assert (worst.kind, worst.place, worst.files) == (EventKind.PLACE, NOWHERE, 5)
    assert [event.files for event in events[1:]] == [0, 0]


def test_a_stolen_laptop_takes_what_lies_on_its_own_disk() -> None:
    """And a card that is formatted now takes what was on it alone."""
    disk = Holder("HERE", "sys", "desk", laptop=True)
    card = Holder("card B001", "reader", card=True)
    events = single_events([disk, card], [on("HERE", files=2), on("card B001", roll="B001")])
    lost = {event.kind: [(loss.roll, loss.files) for loss in event.lost] for event in events}
    assert lost[EventKind.LAPTOP] == [("A001", 2)]
    assert lost[EventKind.CARD] == [("B001", 3)]
    told = {event.kind: event for event in events}
    assert told[EventKind.LAPTOP].only_on_cards == ()


def test_what_would_be_left_on_cards_alone_is_told_apart() -> None:
    """One formatting from being lost is not the same as safe."""
    card = Holder("card A001", "reader", card=True)
    (first, *_) = [
        event
        for event in single_events([ALBATROSS, card], [on("ALBATROSS", "card A001")])
        if event.kind is EventKind.DRIVE
    ]
    assert first.files == 0
    assert [loss.files for loss in first.only_on_cards] == [3]


def test_what_only_the_card_still_has_must_come_from_the_card() -> None:
    """No copy from a drive could be made; with one good drive it can."""
    card = Holder("card A001", "reader", card=True)
    split = split_over_bags([ALBATROSS, card], [on("card A001", files=1)], 2)
    assert split.why == "1 file of A001 lies on one device alone (card A001)"
    assert [(one.roll, one.from_card) for one in split.missing] == [("A001", True)]
    split = split_over_bags([ALBATROSS], [on("ALBATROSS")], 2)
    assert [one.from_card for one in split.missing] == [False]
