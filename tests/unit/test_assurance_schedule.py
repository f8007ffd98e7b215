"""Which copies an audit reads, and in which order."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from ingest.assurance.schedule import GOES_ON_WITHIN, fits, last_read, read_already, seconds_for
from ingest.catalog.records import Look, Observer
from ingest.evidence import Act, Against, Route, State

NOW = datetime(2026, 3, 10, 8, tzinfo=UTC)


def look(
    number: int,
    copy: int,
    run: str,
    hours_ago: float,
    act: Act = Act.AUDITED,
    state: State = State.MATCHED,
) -> Look:
    kind = "xxh128" if act in (Act.AUDITED, Act.READ_BACK) else None
    at = NOW - timedelta(hours=hours_ago)
    who = Observer("Mira", "cart", "boot")
    route, against = Route.MEDIUM, Against.CATALOG
    return Look(
        number, copy, run, act, state, route, against, 1, kind, kind and "0", "m", at, "", who
    )


def offloaded(*copies: int) -> dict[int, list[Look]]:
    return {copy: [look(copy, copy, "off", 500, Act.READ_BACK)] for copy in copies}


def test_an_audit_cut_off_is_gone_on_with() -> None:
    """What it had found good is left out; what it had found bad is read again."""
    evidence = offloaded(1, 2, 3, 4)
    evidence[1].append(look(11, 1, "a", 5))
    evidence[2].append(look(12, 2, "a", 4.9, state=State.MISMATCH))
    already, since = read_already(evidence, NOW)
    assert already == {1}
    assert since == NOW - timedelta(hours=5)


def test_an_audit_that_was_through_is_not_gone_on_with() -> None:
    """The next one reads everything; a roll that came since was not in it."""
    evidence = offloaded(1, 2)
    evidence[1].append(look(11, 1, "a", 5))
    evidence[2].append(look(12, 2, "a", 5))
    assert read_already(evidence, NOW) == (frozenset(), None)
    evidence[20] = [look(20, 20, "off2", 1, Act.READ_BACK)]
    assert read_already(evidence, NOW) == (frozenset(), None)


@pytest.mark.parametrize("state", [State.MISSING, State.SHORT, State.LONG])
def test_an_audit_was_through_with_what_it_found_bad_without_reading(state: State) -> None:
    """Mended since, such a copy must not make the next audit leave out all others. What another run
    found, by presence and size alone, is no part of the audit."""
    evidence = offloaded(1, 2)
    evidence[1].append(look(11, 1, "a", 5))
    evidence[2].append(look(12, 2, "a", 5, Act.LOOKED, state))
    evidence[2].append(look(13, 2, "mend", 4, Act.READ_BACK))
    assert read_already(evidence, NOW) == (frozenset(), None)
    evidence[2][1] = look(12, 2, "quick", 4.5, Act.LOOKED, state)
    assert read_already(evidence, NOW)[0] == {1}


def test_several_nights_make_one_audit_until_a_copy_is_read_twice() -> None:
    """Runs that went on with one another count together; an audit before that was through does
    not."""
    evidence = offloaded(1, 2, 3, 4)
    for copy in (1, 2, 3, 4):
        evidence[copy].append(look(10 + copy, copy, "whole", 60))
    evidence[1].append(look(21, 1, "night1", 30))
    evidence[2].append(look(22, 2, "night2", 6))
    already, since = read_already(evidence, NOW)
    assert already == {1, 2}
    assert since == NOW - timedelta(hours=30)


def test_too_long_ago_or_dated_in_the_future_is_not_gone_on_with() -> None:
    """Only recent evidence, of a known age."""
    old = GOES_ON_WITHIN.total_seconds() / 3600 + 1
    for hours in (old, -1):
        evidence = offloaded(1, 2)
        evidence[1].append(look(11, 1, "a", hours))
        assert read_already(evidence, NOW) == (frozenset(), None)


def test_only_reading_every_byte_is_a_read() -> None:
    """A look at presence and size is none."""
    looks = [look(1, 1, "off", 9, Act.READ_BACK), look(2, 1, "a", 1, Act.LOOKED)]
    found = last_read(looks)
    assert found is not None
    assert found.id == 1
    assert last_read(looks[1:]) is None


def test_what_does_not_fit_is_not_begun() -> None:
    """By the speed measured; without one, it is tried."""
    giga = 10**9
    assert fits(giga, 0, 0.0, 1.0)
    assert fits(giga, 10 * giga, 10.0, 1.0)
    assert not fits(giga + 1, 10 * giga, 10.0, 1.0)
    assert not fits(0, 10 * giga, 10.0, 0.0)
    assert seconds_for(5 * giga, 10 * giga, 10.0) == 5.0
    assert seconds_for(5 * giga, 0, 10.0) is None


def test_a_few_small_files_are_no_measure_of_speed() -> None:
    """They would make every large file look as if it took days."""
    assert seconds_for(10**12, 5, 0.1) is None
    assert fits(10**12, 5, 0.1, 3600.0)
