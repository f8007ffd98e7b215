"""Which copy is read first, and what the evidence of one asks for."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from itertools import permutations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.assurance.sources import (
    FROM_LISTS,
    Candidate,
    Claim,
    Remedy,
    agreeing_lists,
    best_first,
    came_from_lists,
    claimed_against,
    has_read_errors,
    remedy,
    variants,
)
from ingest.assurance.state import CopyState, copy_state
from ingest.catalog.records import Look, Observer, Offload, Roll
from ingest.evidence import Act, Against, Route, State

AT = datetime(2026, 3, 2, tzinfo=UTC)


def state(
    which: State, route: Route | None = Route.MEDIUM, against: Against = Against.CARD
) -> CopyState:
    return CopyState(which, route, against, AT, "", None)


def candidate(drive: str, which: CopyState, speed: float = 0.0) -> Candidate:
    return Candidate(len(drive), drive, which, speed)


def look(
    act: Act,
    which: State,
    against: Against = Against.CATALOG,
    *,
    run: str = "r",
    mount: str = "m",
) -> Look:
    observer = Observer("Mira", "cart", "boot")
    return Look(
        id=0,
        copy_id=1,
        run=run,
        act=act,
        state=which,
        route=Route.MEDIUM,
        against=against,
        size=1,
        kind="md5",
        digest="d",
        mount=mount,
        at=AT,
        detail="",
        observer=observer,
    )


def test_the_most_proven_copy_comes_first_and_a_bad_one_last() -> None:
    """Whatever order they are handed in."""
    order = [
        candidate("a", state(State.MATCHED), 1.0),
        candidate("bb", state(State.MATCHED, Route.CACHE_POSSIBLE)),
        candidate("ccc", state(State.MATCHED, Route.MEDIUM, Against.OWN_LIST)),
        candidate("dddd", state(State.CLAIMED, None, Against.OWN_LIST)),
        candidate("eeeee", state(State.UNVERIFIED)),
        candidate("ffffff", state(State.DOUBTFUL)),
        candidate("ggggggg", state(State.MISMATCH)),
        candidate("hhhhhhhh", state(State.MISSING)),
    ]
    for some in list(permutations(order))[::997]:
        assert best_first(some) == tuple(order)


def test_of_equally_good_copies_the_quickest_drive_comes_first() -> None:
    """A drive whose speed isn't known comes after those that are known; then by name."""
    slow = candidate("a", state(State.MATCHED), 1e6)
    quick = candidate("b", state(State.MATCHED), 2e8)
    new, newer = candidate("c", state(State.MATCHED)), candidate("d", state(State.MATCHED))
    assert best_first([newer, new, slow, quick]) == (quick, slow, new, newer)


WRITTEN = look(Act.WRITTEN, State.UNVERIFIED, Against.NOTHING)
GOOD = look(Act.READ_BACK, State.MATCHED)
BAD = look(Act.AUDITED, State.MISMATCH)
UNREAD = look(Act.LOOKED, State.UNREADABLE)
AGAIN = look(Act.AUDITED, State.MATCHED, run="s", mount="m2")
MISSING = look(Act.LOOKED, State.MISSING)


@pytest.mark.parametrize(
    ("looks", "asked"),
    [
        ([], Remedy.NOTHING),
        ([WRITTEN, GOOD], Remedy.NOTHING),
        ([WRITTEN, GOOD, BAD], Remedy.MEND),
        ([WRITTEN, GOOD, MISSING], Remedy.MEND),
        ([WRITTEN, GOOD, BAD, AGAIN], Remedy.AUDIT),
        ([WRITTEN, GOOD, BAD, WRITTEN, GOOD], Remedy.NOTHING),
        ([WRITTEN, GOOD, UNREAD], Remedy.NEW_DRIVE),
        ([WRITTEN, GOOD, UNREAD, BAD], Remedy.NEW_DRIVE),
        ([WRITTEN, GOOD, UNREAD, MISSING], Remedy.NEW_DRIVE),
        ([WRITTEN, GOOD, UNREAD, AGAIN], Remedy.AUDIT),
        ([WRITTEN, GOOD, UNREAD, WRITTEN], Remedy.NEW_DRIVE),
    ],
)
def test_what_the_evidence_asks_for(looks: Sequence[Look], asked: Remedy) -> None:
    """Damage is mended, doubt is audited, and a drive that couldn't read is left alone."""
    assert remedy(copy_state(looks), looks) is asked


def test_read_errors_stand_until_a_whole_good_read() -> None:
    """A look or a few samples answer nothing."""
    assert has_read_errors([GOOD, UNREAD, look(Act.LOOKED, State.UNVERIFIED)])
    assert has_read_errors([UNREAD, look(Act.SAMPLED, State.MATCHED)])
    assert not has_read_errors([UNREAD, AGAIN])
    assert not has_read_errors([])


OWN = look(Act.CLAIMED, State.CLAIMED, Against.OWN_LIST)
OTHER = look(Act.CLAIMED, State.CLAIMED, Against.OTHER_LIST)


def test_only_a_drives_own_list_counts_as_one() -> None:
    """Another drive's list is not a second witness for what lies here."""
    assert agreeing_lists({}) == 0
    assert agreeing_lists({1: [OWN], 2: [OTHER], 3: [GOOD]}) == 1
    assert agreeing_lists({1: [OWN, OWN], 2: [OTHER, OWN]}) == 2


def test_a_claimed_copy_is_compared_with_the_list_that_claims_it() -> None:
    """Never with the catalog, which knows no more than the lists."""
    assert claimed_against([OWN, BAD]) is Against.OWN_LIST
    assert claimed_against([OTHER]) is Against.OTHER_LIST
    assert claimed_against([]) is Against.OTHER_LIST


def test_what_came_from_lists_is_told_by_its_offload() -> None:
    """Only what says so."""
    roll = Roll(1, "Saltmarsh", "A003", 1, "2026-03-02", "A", "A003")
    observer = Observer("Mira", "cart", "boot")
    assert came_from_lists(Offload(1, "r", roll, observer, AT, {FROM_LISTS: True}, None))
    assert not came_from_lists(Offload(1, "r", roll, observer, AT, {"checksums": ["md5"]}, None))


def test_claims_that_agree_are_one_and_others_are_told_apart() -> None:
    """By size and every kind in common; without a kind in common nothing is known to agree."""
    a = Claim("HERON", 5, {"md5": "m", "xxh128": "x"})
    b = Claim("OTTER", 5, {"md5": "m"})
    c = Claim("STOAT", 5, {"xxh128": "x"})
    assert variants([b, c, a]) == ((a, b, c),)
    assert variants([b, c]) == ((b,), (c,))
    assert variants([a, Claim("OTTER", 6, {"md5": "m"})]) == (
        (a,),
        (Claim("OTTER", 6, {"md5": "m"}),),
    )
    other = Claim("OTTER", 5, {"md5": "m", "xxh128": "y"})
    assert variants([a, other]) == ((a,), (other,))


@given(
    st.lists(
        st.builds(
            Claim,
            st.sampled_from("HOS"),
            st.integers(0, 1),
            st.dictionaries(st.sampled_from(["md5", "sha1", "c4"]), st.sampled_from("xy")),
        ),
        max_size=6,
    )
)
def test_no_two_claims_that_contradict_each_other_are_ever_one(claims: list[Claim]) -> None:
    """For any claims: none is lost, and within a group sizes and common digests are equal."""
    groups = variants(claims)
    assert sorted(map(repr, claims)) == sorted(repr(one) for group in groups for one in group)
    for group in groups:
        for one in group:
            for other in group:
                assert one.size == other.size
                common = one.digests.keys() & other.digests.keys()
                assert all(one.digests[kind] == other.digests[kind] for kind in common)
