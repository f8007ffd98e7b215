"""From evidence to the state of a copy."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from ingest.assurance.state import STRONG, copy_state
from ingest.catalog.records import Look, Observer
from ingest.evidence import Act, Against, Route, State

START = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
FULL = (Act.READ_BACK, Act.AUDITED)


def look(
    act: Act,
    state: State = State.MATCHED,
    *,
    run: str = "run1",
    route: Route | None = Route.MEDIUM,
    against: Against = Against.CATALOG,
    boot: str = "boot1",
    mount: str = "11",
    at: datetime = START,
    detail: str = "",
) -> Look:
    """A piece of evidence with everything ordinary that is not named."""
    return Look(
        id=0,
        copy_id=1,
        run=run,
        act=act,
        state=state,
        route=route,
        against=against,
        size=10,
        kind="xxh128",
        digest="00",
        mount=mount,
        at=at,
        detail=detail,
        observer=Observer("Mira", "cart", boot),
    )


WRITTEN = look(Act.WRITTEN, State.UNVERIFIED, route=None, against=Against.NOTHING)
READ_BACK = look(Act.READ_BACK, against=Against.CARD)
ROTTEN = look(Act.AUDITED, State.MISMATCH, run="run2", mount="12")


def test_without_evidence_nothing_is_claimed() -> None:
    """No evidence is the weakest state, not a good one."""
    state = copy_state([])
    assert (state.state, state.at, state.look) == (State.UNVERIFIED, None, None)


def test_when_only_written_then_unverified() -> None:
    """Writing proves nothing about what is on the drive."""
    assert copy_state([WRITTEN]).state is State.UNVERIFIED


def test_when_read_back_then_matched_by_that_look() -> None:
    """The read-back decides, with its route and what it was compared with."""
    state = copy_state([WRITTEN, READ_BACK])
    assert (state.state, state.route, state.against) == (
        State.MATCHED,
        Route.MEDIUM,
        Against.CARD,
    )
    assert state.look is READ_BACK
    assert state.proven


def test_when_matched_by_memory_perhaps_then_not_proven() -> None:
    """A read that the cache may have answered is matched, and weaker."""
    state = copy_state([WRITTEN, look(Act.READ_BACK, route=Route.CACHE_POSSIBLE)])
    assert state.state is State.MATCHED
    assert not state.proven
    assert "cache possible" in state.why


def test_when_audited_bad_then_bad() -> None:
    """A later mismatch undoes an earlier match."""
    assert copy_state([WRITTEN, READ_BACK, ROTTEN]).state is State.MISMATCH


def test_when_good_once_after_bad_then_doubtful() -> None:
    """One good read after bad news is not enough."""
    again = look(Act.AUDITED, run="run3", mount="13")
    state = copy_state([WRITTEN, READ_BACK, ROTTEN, again])
    assert state.state is State.DOUBTFUL
    assert "mismatch" in state.why


def test_when_good_twice_in_one_mount_after_bad_then_still_doubtful() -> None:
    """The second good read must come from another mount."""
    again = look(Act.AUDITED, mount="13")
    assert copy_state([READ_BACK, ROTTEN, again, again]).state is State.DOUBTFUL


def test_when_good_in_two_mounts_after_bad_then_matched() -> None:
    """Two good reads in different mounts answer bad news; so does another boot."""
    once = look(Act.AUDITED, mount="13")
    for other in (look(Act.AUDITED, mount="14"), look(Act.AUDITED, mount="13", boot="boot2")):
        assert copy_state([READ_BACK, ROTTEN, once, other]).state is State.MATCHED


def test_when_written_anew_and_read_back_after_bad_then_matched() -> None:
    """A mended copy stands on its own evidence."""
    mended = [
        look(Act.WRITTEN, State.UNVERIFIED, run="mend"),
        look(Act.READ_BACK, run="mend"),
    ]
    assert copy_state([READ_BACK, ROTTEN, *mended]).state is State.MATCHED


def test_when_written_anew_and_not_read_then_bad_news_stands() -> None:
    """Writing again without reading does not answer bad news."""
    assert copy_state([ROTTEN, look(Act.WRITTEN, State.UNVERIFIED)]).state is State.MISMATCH


def test_when_another_run_reads_what_was_written_anew_then_doubtful() -> None:
    """Only the run that wrote it answers for it at once."""
    looks = [
        ROTTEN,
        look(Act.WRITTEN, State.UNVERIFIED, run="mend"),
        look(Act.AUDITED, run="audit", mount="13"),
    ]
    assert copy_state(looks).state is State.DOUBTFUL


def test_when_found_missing_by_a_look_then_missing() -> None:
    """A look can't prove content, and can show that it is gone."""
    gone = look(Act.LOOKED, State.MISSING, route=None)
    assert copy_state([WRITTEN, READ_BACK, gone]).state is State.MISSING


def test_when_looked_at_well_then_nothing_changes() -> None:
    """Presence, size, time and samples never make anything good."""
    for act in (Act.LOOKED, Act.SAMPLED):
        well = look(act, State.MATCHED, route=None)
        assert copy_state([WRITTEN, well]).state is State.UNVERIFIED
        assert copy_state([well]).state is State.UNVERIFIED
        assert copy_state([READ_BACK, ROTTEN, well, well]).state is State.MISMATCH
        assert copy_state([WRITTEN, READ_BACK, well]).look is READ_BACK


def test_when_samples_differ_then_mismatch() -> None:
    """Samples are enough to show that content is another."""
    assert copy_state([READ_BACK, look(Act.SAMPLED, State.MISMATCH)]).state is State.MISMATCH


def test_when_only_listed_then_claimed() -> None:
    """A list is a claim until somebody looks."""
    claim = look(Act.CLAIMED, State.CLAIMED, route=None, against=Against.OWN_LIST)
    assert copy_state([claim]).state is State.CLAIMED
    assert copy_state([claim, look(Act.AUDITED, against=Against.OWN_LIST)]).state is State.MATCHED
    assert copy_state([READ_BACK, claim]).state is State.MATCHED


def test_when_compared_with_nothing_then_unverified() -> None:
    """A read that was compared with nothing matched nothing."""
    assert copy_state([look(Act.AUDITED, against=Against.NOTHING)]).state is State.UNVERIFIED


def test_when_only_lists_agree_after_bad_then_bad() -> None:
    """What was found bad against the catalog is not answered by a list."""
    lists = [look(Act.AUDITED, against=Against.OWN_LIST, mount=mount) for mount in ("13", "14")]
    assert copy_state([READ_BACK, ROTTEN, *lists]).state is State.MISMATCH


def test_when_a_weaker_audit_follows_then_the_stronger_evidence_is_quoted() -> None:
    """One more weak read never takes a strong one away."""
    weak = look(Act.AUDITED, route=Route.CACHE_POSSIBLE, against=Against.OWN_LIST)
    state = copy_state([WRITTEN, READ_BACK, weak])
    assert state.look is READ_BACK
    assert state.proven


def test_when_read_in_a_later_mount_then_it_is_told() -> None:
    """The cache of the writing can't answer in a later mount; in the same one it can."""
    weak = Route.CACHE_POSSIBLE
    back = look(Act.READ_BACK, route=weak)
    assert not copy_state([WRITTEN, back]).remounted
    assert not copy_state([WRITTEN, back, look(Act.AUDITED, route=weak)]).remounted
    assert copy_state([WRITTEN, back, look(Act.AUDITED, route=weak, mount="12")]).remounted
    assert not copy_state([look(Act.AUDITED, route=weak, mount="12")]).remounted
    unknown = look(Act.AUDITED, route=weak, mount="?")
    assert not copy_state([WRITTEN, back, unknown]).remounted


# Whatever the evidence ----------------------------------------------------------------------------

BAD = [state for state in State if state.is_bad]

looks = st.lists(
    st.builds(
        look,
        act=st.sampled_from(list(Act)),
        state=st.sampled_from(list(State)),
        run=st.sampled_from(["run1", "run2"]),
        route=st.sampled_from([None, *Route]),
        against=st.sampled_from(list(Against)),
        boot=st.sampled_from(["boot1", "boot2"]),
        mount=st.sampled_from(["11", "12"]),
    ),
    max_size=8,
)
bad_looks = st.builds(
    look,
    act=st.sampled_from(list(Act)),
    state=st.sampled_from(BAD),
    against=st.sampled_from(list(Against)),
)
weak_looks = st.builds(
    look,
    act=st.sampled_from([Act.LOOKED, Act.SAMPLED, Act.CLAIMED]),
    state=st.sampled_from([state for state in State if not state.is_bad]),
)
good_reads = st.builds(
    look,
    act=st.sampled_from(FULL),
    route=st.sampled_from(list(Route)),
    against=st.sampled_from([one for one in Against if one is not Against.NOTHING]),
    run=st.just("later"),
    mount=st.sampled_from(["11", "12"]),
)


@given(looks, bad_looks)
def test_bad_news_last_always_decides(before: list[Look], bad: Look) -> None:
    """Whatever was known: found bad now is bad."""
    assert copy_state([*before, bad]).state is bad.state


@given(looks, bad_looks, good_reads)
def test_one_good_read_never_answers_bad_news(before: list[Look], bad: Look, good: Look) -> None:
    """After bad news one good read gives doubtful at best."""
    state = copy_state([*before, bad, good]).state
    assert state is State.DOUBTFUL or state.is_bad


@given(looks)
def test_matched_always_rests_on_a_full_read_that_was_compared(some: list[Look]) -> None:
    """Nothing is called matched that was not compared."""
    state = copy_state(some)
    if state.state is State.MATCHED:
        assert state.look is not None
        assert state.look in some
        assert state.look.act in FULL
        assert state.look.state is State.MATCHED
        assert state.against is not Against.NOTHING


@given(looks, st.lists(weak_looks, max_size=4))
def test_weak_evidence_never_improves_a_state(some: list[Look], weak: list[Look]) -> None:
    """Looks, samples and lists leave `matched` alone and never bring it about."""
    before, after = copy_state(some), copy_state([*some, *weak])
    assert (before.state is State.MATCHED) == (after.state is State.MATCHED)
    assert before.proven == after.proven


@given(looks, st.lists(good_reads, max_size=4))
def test_more_good_reads_never_make_it_worse(some: list[Look], good: Sequence[Look]) -> None:
    """A proven copy stays proven however often it is read and found good."""
    if copy_state(some).proven:
        assert copy_state([*some, *good]).proven


@given(looks, st.integers(-10_000, 10_000))
def test_dates_never_decide(some: list[Look], days: int) -> None:
    """Evidence is ordered by its sequence: any clock may be wrong."""
    moved = [
        look(
            one.act,
            one.state,
            run=one.run,
            route=one.route,
            against=one.against,
            boot=one.observer.boot,
            mount=one.mount,
            at=START + timedelta(days=days * (-1) ** place),
        )
        for place, one in enumerate(some)
    ]
    one, other = copy_state(some), copy_state(moved)
    assert (one.state, one.route, one.against) == (other.state, other.route, other.against)


@given(looks)
def test_proven_is_strong_evidence_past_the_cache(some: list[Look]) -> None:
    """Proven means: equal to what the card gave, from the device."""
    state = copy_state(some)
    if state.proven:
        assert state.route is Route.MEDIUM
        assert state.against in STRONG
