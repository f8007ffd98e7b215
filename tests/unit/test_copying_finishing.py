"""What "matched" takes: five equal lengths and equal digests. Pure."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.copying.card_read import CardReadOf
from ingest.copying.finishing import Checked, compare
from ingest.copying.values import COMPARED, Action, CardState, FileTask
from ingest.evidence import Route, State

TASK = FileTask("C0001.MOV", 8000, 11, (Action.WRITE,))
# READ stands for two of the lengths: the reader settles a file so only when fstat before and
# after, and the count of bytes read, all equal the inventory's size.
CARD = CardReadOf(CardState.READ, "", "ss", {COMPARED: "dd", "md5": "mm"})
GOOD = Checked(0, "u", read=8000, size=8000, digest="dd", route=Route.MEDIUM)


def state(task: FileTask = TASK, card: CardReadOf = CARD, checked: Checked = GOOD) -> State:
    return compare(task, card, checked)[0]


def test_everything_equal_matches() -> None:
    """The one way to get there; by which route the bytes came is another question."""
    assert compare(TASK, CARD, GOOD) == (State.MATCHED, "")
    assert state(checked=replace(GOOD, name=None, route=Route.CACHE_POSSIBLE)) is State.MATCHED


@pytest.mark.parametrize(
    ("wrong", "told"),
    [
        ({"read": 7999}, State.SHORT),
        ({"read": 0}, State.SHORT),
        ({"size": 7999}, State.SHORT),
        ({"size": 0, "read": 0}, State.SHORT),
        ({"read": 8001}, State.LONG),
        ({"size": 8001}, State.LONG),
        ({"size": 8001, "read": 7999}, State.SHORT),
        ({"digest": "de"}, State.MISMATCH),
        ({"digest": ""}, State.MISMATCH),
        ({"digest": "DD"}, State.MISMATCH),
        ({"failed": "Input/output error"}, State.UNVERIFIED),
        ({"failed": "Input/output error", "name": None}, State.UNREADABLE),
    ],
)
def test_what_was_read_back_wrong_in_one_way_is_told_as_that(
    wrong: dict[str, int | str], told: State
) -> None:
    """Bytes read back, the copy's length by another descriptor, the digest."""
    assert state(checked=replace(GOOD, **wrong)) is told  # type: ignore[arg-type]


@pytest.mark.parametrize("size", [0, 7999, 8001])
def test_an_inventory_of_another_length_never_matches(size: int) -> None:
    """Even when everything else agrees."""
    assert state(task=replace(TASK, size=size)) in (State.SHORT, State.LONG)


@pytest.mark.parametrize("card", [one for one in CardState if one is not CardState.READ])
def test_a_card_read_that_is_not_whole_carries_nothing(card: CardState) -> None:
    """Its own two lengths disagreed, or it wasn't reached."""
    assert state(card=replace(CARD, state=card)) is State.UNVERIFIED


def test_a_digest_that_was_never_made_matches_nothing() -> None:
    """Nothing equals nothing: that is no comparison."""
    assert state(card=replace(CARD, digests={"md5": "dd"})) is State.MISMATCH
    bare = replace(GOOD, digest="")
    assert state(card=replace(CARD, digests={}), checked=bare) is State.MISMATCH
    assert state(card=replace(CARD, digests={COMPARED: ""}), checked=bare) is State.MISMATCH


def test_an_empty_file_is_compared_like_any_other() -> None:
    """Length nought is no excuse."""
    empty = replace(TASK, size=0)
    assert state(task=empty, checked=replace(GOOD, read=0, size=0)) is State.MATCHED
    assert state(task=empty, checked=replace(GOOD, read=0, size=0, digest="x")) is State.MISMATCH


@given(
    st.integers(0, 3),
    st.integers(0, 3),
    st.integers(0, 3),
    st.sampled_from(["", "dd", "ee"]),
    st.sampled_from(["", "dd"]),
    st.sampled_from(list(CardState)),
    st.sampled_from(["", "failed"]),
)
def test_matched_means_that_all_agreed(
    task_size: int, read: int, size: int, digest: str, card: str, how: CardState, failed: str
) -> None:
    """For every mixture: matched if, and only if, nothing disagrees and something was compared."""
    found = state(
        replace(TASK, size=task_size),
        CardReadOf(how, "", "", {COMPARED: card}),
        Checked(0, "u", read=read, size=size, digest=digest, failed=failed),
    )
    agreed = (
        task_size == read == size and digest == card != "" and how is CardState.READ and not failed
    )
    assert (found is State.MATCHED) == agreed
