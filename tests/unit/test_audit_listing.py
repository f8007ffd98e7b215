"""What the hash list of an audit says of each file, and on which drives there is one."""

from __future__ import annotations

from collections import Counter

import pytest

from ingest import drives
from ingest.assurance.audit import Judged
from ingest.assurance.rereading.values import DriveTask
from ingest.evidence import Act, Against, Route, State
from ingest.jobs.audit_listing import Read, entries_of, why_no_list
from ingest.jobs.audit_plan import Shelf

A, B = "a" * 32, "b" * 32


def read(path: str, state: State, digest: str | None) -> Read:
    kind = "xxh128" if digest else None
    act = Act.AUDITED if digest else Act.LOOKED
    judged = Judged(act, state, Route.MEDIUM, Against.CATALOG, 5, kind, digest, "")
    return Read(path, judged, 1_772_452_800 * 10**9)


@pytest.mark.parametrize(
    ("state", "digest", "said", "action"),
    [
        (State.MATCHED, A, {"xxh128": A}, "verified"),
        (State.MISMATCH, B, {"xxh128": A}, "failed"),
        # What the drive holds is compared with what the drive's own history says.
        (State.MATCHED, A, {"xxh128": B}, "failed"),
        (State.MISMATCH, B, {"xxh128": B}, "verified"),
        # Nothing in common: the first digest of its kind, when the catalog vouches for it.
        (State.MATCHED, A, {"md5": A}, "original"),
        (State.MATCHED, A, None, "original"),
    ],
)
def test_the_action_is_true_for_this_drives_history(
    state: State, digest: str, said: dict[str, str] | None, action: str
) -> None:
    """ASC MHL v1.0 section 5.2."""
    history = {"C0001.MOV": said} if said is not None else {}
    (entry,), unsaid = entries_of([read("C0001.MOV", state, digest)], history)
    assert [(one.kind, one.digest, str(one.action)) for one in entry.hashes] == [
        ("xxh128", digest, action)
    ]
    assert unsaid == ()


def test_what_can_not_be_said_is_left_out_and_told() -> None:
    """Missing, of another length, or damaged and never listed: no digest of it may become the
    original one. Hash lists are in no hash list."""
    reads = [
        read("gone", State.MISSING, None),
        read("short", State.SHORT, None),
        read("damaged", State.MISMATCH, B),
        read("ascmhl/0001.mhl", State.MATCHED, A),
        read("good", State.MATCHED, A),
    ]
    entries, unsaid = entries_of(reads, {"gone": {"xxh128": A}})
    assert [entry.path for entry in entries] == ["good"]
    assert unsaid == ("damaged: mismatch", "gone: missing", "short: short")


def shelf(*, by_lists: bool = False, ours: bool = True, unreadable: str = "") -> Shelf:
    task = DriveTask("HERON", drives.look_at("/"), ())
    folders = frozenset({"A003"}) if ours else frozenset()
    return Shelf(task, (), by_lists=by_lists, ours=folders, unreadable=unreadable)


def test_a_strangers_drive_and_a_dying_one_are_not_written_to() -> None:
    """Only where this catalog wrote, and nothing failed."""
    none: Counter[State] = Counter()
    assert why_no_list(shelf(), none, "") == ""
    assert "never wrote" in why_no_list(shelf(by_lists=True), none, "")
    assert "never wrote" in why_no_list(shelf(ours=False), none, "")
    assert "read errors" in why_no_list(shelf(), Counter({State.UNREADABLE: 1}), "")
    assert "read errors" in why_no_list(shelf(unreadable="x"), none, "")
    assert "given up" in why_no_list(shelf(), none, "it was unplugged")
    assert why_no_list(shelf(), Counter({State.MISMATCH: 3, State.MISSING: 1}), "") == ""
