"""The power goes in the middle of an offload: what was claimed is true, and it can be gone on with.

An offload is cut at many random moments, on two kinds of disk (see laboratory/power.py), and
each moment is mounted as after a real cut. INGEST_SEEDS in the environment: moments a disk.
"""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from laboratory.intake import final_files, looks, seeds
from laboratory.planted import BUGS, FOOTAGE_BUG, KILLED
from laboratory.power import DISKS, PLANTED, Bench, Truth, bench, violations, whole_and_tidy
from laboratory.warm import warm

pytestmark = [pytest.mark.laboratory, pytest.mark.long]

_A_RUN = 5


@pytest.fixture(params=DISKS)
def at_hand(request: pytest.FixtureRequest) -> Iterator[Bench]:
    with bench(request.param) as made:
        yield made


@pytest.fixture
def simple() -> Iterator[Bench]:
    """Where no cut is taken, one kind of disk will do."""
    with bench("reflinked") as made:
        yield made


@pytest.fixture(params=[*DISKS, "volatile without a journal"])
def any_disk(request: pytest.FixtureRequest) -> Iterator[Bench]:
    kind, _, without = request.param.partition(" ")
    with bench(kind, options="" if without else "commit=60", journal=not without) as made:
        yield made


def test_a_power_cut_at_any_moment_leaves_only_what_is_true_and_the_same_command_ends_well(
    any_disk: Bench, record_property: pytest.RecordProperty
) -> None:
    """All under a final name is whole, all evidence is true; then the same offload ends well."""
    wanted = len(seeds(12))
    checked = files = evidence = between = seed = 0
    with warm() as runs:
        # Should every cut fall before the first file or after the last, there are some more.
        while checked < wanted or (between == 0 and seed < wanted):
            moments = any_disk.cut_at_random(seed, _A_RUN)
            ended = moments[-1]
            for moment in moments:
                with any_disk.after(moment):
                    assert any_disk.violations() == [], (seed, moment)
                    here = sum(len(final_files(root)) for root in any_disk.drives)
                    told = sum(look.state == "matched" for look in looks(any_disk.intake.catalog))
                    if moment is ended:
                        assert whole_and_tidy(any_disk) == [], "it was said to have ended well"
                    else:
                        between += 0 < here < 2 * len(any_disk.truth.content)
                        done = runs.run(any_disk.intake)
                        assert done.code == 0, done
                        assert whole_and_tidy(any_disk) == [], (seed, moment)
                any_disk.forget(moment)
                checked, files, evidence = checked + 1, files + here, evidence + told
            seed += 1
    figures = {
        "disk": any_disk.kind,
        "journal": any_disk.journal,
        "moments": checked,
        "moments with some of the files": between,
        "files under final names": files,
        "matched evidence": evidence,
        "runs": seed,
    }
    record_property("power cuts", figures)
    print("power cuts", figures)
    assert between > 0, "every cut fell before the first file or after the last"
    assert evidence > 0


def test_a_power_cut_right_after_evidence_was_committed_finds_it_true(at_hand: Bench) -> None:
    """The program as it is, cut at the very instants that show the planted bugs."""
    moments = at_hand.cut_after_evidence("none")
    assert moments
    for moment in moments:
        with at_hand.after(moment):
            assert any(look.state == "matched" for look in looks(at_hand.intake.catalog))
            assert at_hand.violations() == []
        at_hand.forget(moment)


@pytest.mark.parametrize("bug", BUGS)
def test_a_planted_bug_is_caught(bug: str, at_hand: Bench) -> None:
    """The laboratory sees what it is there for: each of the three, on either disk."""
    moments = at_hand.cut_after_evidence(bug)
    found = [said for moment in moments for said in at_hand.violations_at(moment)]
    print(bug, "on", at_hand.kind, len(found), "violations in", len(moments), "moments")
    assert any(said.startswith("matched") for said in found), found


@pytest.mark.parametrize("kind", DISKS)
@pytest.mark.parametrize("bug", ["none", FOOTAGE_BUG])
def test_on_a_file_system_without_a_journal_only_the_flush_of_each_file_saves_it(
    bug: str, kind: str
) -> None:
    """On most shuttle drives there is no journal that takes everything with it when it is
    flushed. ext4(5) without one stands for them here: this kernel may have no exFAT."""
    with bench(kind, options="", journal=False) as made:
        moments = made.cut_after_evidence(bug)
        assert moments
        found = [said for moment in moments for said in made.violations_at(moment)]
        print(bug, "on", kind, "without a journal:", len(found), "violations")
        assert bool(found) is (bug != "none"), found


def test_what_a_killed_run_had_renamed_and_not_flushed_is_true_when_the_next_one_says_matched() -> (
    None
):
    """Killed right before it would have flushed the folders, and gone on with at once: those files
    are compared where they stand, and outlive the cut that follows like any other."""
    with bench("reflinked", options="", journal=False) as made:
        stood: list[int] = []

        def run_and_kill() -> None:
            first = made.intake
            # It is killed before it has any evidence to tell of, so there is nobody to be told.
            first.program = (sys.executable, str(PLANTED), KILLED, "-1", "-1")
            done = first.run()
            assert done.code == -signal.SIGKILL, done
            stood.append(sum(len(final_files(root)) for root in made.drives))

        moments = made.cut_after_evidence("none", begun=run_and_kill)
        assert moments
        assert stood[0] > 0
        found = [said for moment in moments for said in made.violations_at(moment)]
        print(stood[0], "files stood;", len(found), "violations in", len(moments), "moments")
        assert found == []


@pytest.mark.parametrize(("kind", "seen"), [("reflinked", False), ("volatile", True)])
def test_a_device_that_is_never_told_to_flush_loses_files_only_on_the_volatile_disk(
    kind: str, seen: bool
) -> None:
    """Why there are two disks: copying images can't show that the device's cache was not flushed.

    ext4(5): with barrier=0 the file system sends no flush to the device.
    """
    with bench(kind, options="commit=60,barrier=0") as made:
        moments = made.cut_after_evidence("none")
        found = []
        for moment in moments:
            try:
                found += made.violations_at(moment)
            except (OSError, RuntimeError) as error:
                found.append(f"the file system itself is broken: {error}")
                made.forget(moment)
        assert bool(found) is seen, found


def test_the_check_tells_a_wrong_file_a_lost_copy_and_a_torn_list(simple: Bench) -> None:
    """The check itself finds what is put before it: a finished offload, spoiled in four ways."""
    with simple.disks():
        done = simple.intake.run()
        assert done.code == 0, done
        assert simple.violations() == []
        first, second = simple.drives
        path = next(path for path in final_files(first) if path.endswith("C002.RAW"))
        with open(final_files(first)[path], "r+b") as file:
            file.seek(1_000_000)
            file.write(b"\x00spoiled")
        os.unlink(final_files(second)["SOUND/T001.BIN"])
        lists = sorted(second.rglob("ascmhl/*.mhl"))
        os.truncate(lists[0], os.path.getsize(lists[0]) // 2)
        other = Truth(simple.truth.content, dict.fromkeys(simple.truth.digests, "0" * 32))
        found = simple.violations()
        for wanted in (
            "is wrong under its final name",
            "matched, and not whole",
            "is torn",
            "does not hold everything",
        ):
            assert any(wanted in said for said in found), (wanted, found)
        found = violations(other, simple.drives, simple.intake.catalog)
        assert any("another content than the card's" in said for said in found)


def test_what_a_cut_left_of_an_unfinished_hash_list_is_removed(simple: Bench) -> None:
    """No unfinished name stays, next to the hash lists either."""
    with simple.disks():
        assert simple.intake.run().code == 0
        left = _beside_the_lists(simple) / ".unfinished-0123456789abcdef-01234567"
        left.write_bytes(b"<?xml")
        assert simple.intake.run().code == 0
        assert not left.exists()


def test_what_a_cut_left_of_an_unfinished_marker_is_removed(simple: Bench) -> None:
    """No unfinished name stays, at the drive's root either."""
    with simple.disks():
        left = simple.drives[0] / ".ingest-0123456789abcdef.unfinished"
        left.write_bytes(b"{")
        assert simple.intake.run().code == 0
        assert not left.exists()


def _beside_the_lists(simple: Bench) -> Path:
    return next(simple.drives[0].rglob("ascmhl"))
