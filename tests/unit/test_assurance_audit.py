"""What one read of a copy says, and the times on files."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.assurance.audit import Expected, Found, judge, kind_to_compare
from ingest.assurance.rereading.drives import device_groups
from ingest.assurance.times import common_shift, found_time, same_time
from ingest.checksums import KINDS
from ingest.drives import Volume
from ingest.evidence import Act, Against, Route, State

SECOND = 1_000_000_000
QUARTER = 900 * SECOND
NOON = 1_772_452_800 * SECOND
GOOD = {"xxh128": "ab" * 16, "md5": "cd" * 16}
EXPECTED = Expected(1000, NOON, GOOD, Against.CATALOG)


def found(
    size: int | None = 1000, mtime_ns: int = NOON, digest: str | None = GOOD["xxh128"]
) -> Found:
    digests = None if digest is None else {"xxh128": digest}
    return Found(size, mtime_ns, digests, Route.MEDIUM if digests else None)


def test_when_length_and_digest_are_equal_then_matched() -> None:
    """The finding says what was compared, in which kind, by which route."""
    judged = judge(EXPECTED, found())
    assert (judged.state, judged.act, judged.against) == (
        State.MATCHED,
        Act.AUDITED,
        Against.CATALOG,
    )
    assert (judged.kind, judged.digest) == ("xxh128", GOOD["xxh128"])
    assert (judged.route, judged.detail) == (Route.MEDIUM, "")


@pytest.mark.parametrize(
    ("met", "state"),
    [
        (found(digest="00" * 16), State.MISMATCH),
        (found(size=999, digest=None), State.SHORT),
        (found(size=1001, digest=None), State.LONG),
        (Found(missing=True), State.MISSING),
        (Found(1000, NOON, detail="Input/output error"), State.UNREADABLE),
        (Found(detail="Input/output error"), State.UNREADABLE),
    ],
)
def test_each_kind_of_damage_is_told_apart(met: Found, state: State) -> None:
    """mismatch, short, long, missing, unreadable are five findings."""
    judged = judge(EXPECTED, met)
    assert judged.state is state
    assert judged.against is Against.CATALOG


def test_when_two_kinds_were_read_both_must_be_equal() -> None:
    """A file made to have the same weak checksum is found by the strong one; a kind that nobody
    had recorded proves nothing either way."""
    digests = {"xxh128": GOOD["xxh128"], "md5": "00" * 16}
    judged = judge(EXPECTED, Found(1000, NOON, digests, Route.MEDIUM))
    assert (judged.state, judged.kind, judged.digest) == (State.MISMATCH, "md5", "00" * 16)
    assert "its xxh128 is equal and its md5 is not" in judged.detail
    digests = {"xxh128": GOOD["xxh128"], "sha1": "00" * 20}
    assert judge(EXPECTED, Found(1000, NOON, digests, Route.MEDIUM)).state is State.MATCHED
    digests = {"xxh128": "00" * 16, "md5": "00" * 16}
    assert judge(EXPECTED, Found(1000, NOON, digests, Route.MEDIUM)).kind == "xxh128"


def test_when_only_looked_at_then_never_matched() -> None:
    """Presence, size and time prove nothing, and are compared with no content."""
    judged = judge(EXPECTED, found(digest=None))
    assert (judged.state, judged.act) == (State.UNVERIFIED, Act.LOOKED)
    assert (judged.against, judged.detail) == (Against.NOTHING, "")


def test_when_the_date_is_another_then_saved_over() -> None:
    """A later date points to a person or a program."""
    judged = judge(EXPECTED, found(mtime_ns=NOON + 60 * SECOND, digest="00" * 16))
    assert judged.detail.startswith("saved over")
    assert "later" in judged.detail


def test_when_date_and_length_are_equal_then_changed_in_place() -> None:
    """The same date and length point to the drive."""
    assert judge(EXPECTED, found(digest="00" * 16)).detail.startswith("changed in place")


def test_when_only_the_date_is_another_then_matched_and_the_date_noted() -> None:
    """Content decides; the date is kept as a remark that can be recognised."""
    judged = judge(EXPECTED, found(mtime_ns=NOON + 60 * SECOND))
    assert judged.state is State.MATCHED
    assert found_time(NOON + 60 * SECOND) in judged.detail


def test_when_no_known_kind_is_recorded_then_nothing_matched() -> None:
    """Without a digest to compare with there is no match."""
    judged = judge(Expected(1000, NOON, {}, Against.CATALOG), Found(1000, NOON, {}))
    assert judged.state is State.UNVERIFIED
    assert judged.against is Against.NOTHING


def test_the_digest_of_another_kind_is_never_compared() -> None:
    """Digests are compared within one kind only."""
    met = Found(1000, NOON, {"md5": GOOD["md5"]}, Route.MEDIUM)
    assert judge(EXPECTED, met).state is State.UNVERIFIED


def test_c4_is_compared_with_its_case() -> None:
    """C4's alphabet tells capitals apart (SMPTE ST 2114:2017); hexadecimal has none."""
    c4 = Expected(1, None, {"c4": "c4aB"}, Against.OWN_LIST)
    assert judge(c4, Found(1, None, {"c4": "c4Ab"})).state is State.MISMATCH
    md5 = Expected(1, None, {"md5": "ABCD"}, Against.OWN_LIST)
    assert judge(md5, Found(1, None, {"md5": "abcd"})).state is State.MATCHED


@given(st.sets(st.sampled_from(KINDS), min_size=1))
def test_every_kind_that_is_recorded_can_be_audited(kinds: set[str]) -> None:
    """xxh128 first; and whatever was recorded, one of it is chosen."""
    chosen = kind_to_compare(dict.fromkeys(kinds, "00"))
    assert chosen in kinds
    assert "xxh128" not in kinds or chosen == "xxh128"


def test_times_are_equal_within_two_seconds() -> None:
    """FAT keeps times in steps of two seconds (Microsoft FAT specification 1.03)."""
    assert same_time(NOON, NOON + SECOND)
    assert not same_time(NOON, NOON + 3 * SECOND)
    assert same_time(NOON + QUARTER, NOON, QUARTER)


@given(st.integers(-104, 104), st.lists(st.integers(-SECOND, SECOND), min_size=1, max_size=20))
def test_one_shift_of_quarters_common_to_all_is_found(quarters: int, jitters: list[int]) -> None:
    """A change of zone moves all times of a card together."""
    assert common_shift([quarters * QUARTER + jitter for jitter in jitters]) == quarters * QUARTER


def test_a_shift_of_anything_else_is_none() -> None:
    """Seven minutes are no change of zone, nor is a week."""
    assert common_shift([420 * SECOND] * 5) == 0
    assert common_shift([7 * 96 * QUARTER] * 5) == 0
    assert common_shift([]) == 0
    assert common_shift([0, QUARTER]) == 0


@given(st.integers(-(2**63), 2**63 - 1), st.integers(-(2**63), 2**63 - 1))
def test_a_noted_time_is_recognised_exactly(one: int, other: int) -> None:
    """Two times are noted alike only when they are equal."""
    assert (found_time(one) == found_time(other)) == (one == other)


def volume(*disks: str, serial: str | None = None) -> Volume:
    return Volume(
        root="/r",
        mount_point="/r",
        fs_type="ext4",
        source="/dev/x",
        fs_uuid=None,
        disks=disks,
        serial=serial,
        device="",
        mount="1",
        st_dev=1,
        total=1,
        free=1,
        read_only=False,
        system=False,
        rotational=None,
    )


def test_volumes_of_one_device_share_a_reader() -> None:
    """One reader a physical device: heads must not seek between two of them."""
    one, same, other = volume("sda", serial="1"), volume("sda", serial="1"), volume("sdb")
    assert device_groups([one, other, same]) == ((0, 2), (1,))


def test_a_volume_of_unknown_device_shares_with_all() -> None:
    """Unknown counts as the same device."""
    assert device_groups([volume("sda"), volume("sdb"), volume()]) == ((0, 1, 2),)
