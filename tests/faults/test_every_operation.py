"""One intake of a small card, with one of its system calls failing: each in its turn.

The calls are listed by a clean run. Then each fails once, and once for ever after (the drive is
as good as dead from there on), gives a short count, or the process is killed right before it.
Without INGEST_SEEDS a seeded part of them is run, every kind of call among it; a large number
there runs all of them.
"""

from __future__ import annotations

import os
import random
import re
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest
from laboratory.failing import COUNTED, Failure, Key, Warm, build
from laboratory.intake import (
    CardContent,
    Intake,
    check_true,
    check_whole,
    empty,
    fill_card,
    seeds,
)
from laboratory.loops import loop_drive

pytestmark = [pytest.mark.laboratory, pytest.mark.long]

CASES_A_SEED = 16

MARKING = re.compile(r"/\.ingest-.*")
"""Calls on the file at a drive's root by which it is known again; they have a test of their own."""

KINDS = {
    "open": {"open"},
    "read": {"read", "pread", "preadv"},
    "write": {"write", "pwrite"},
    "flush": {"fsync", "fdatasync", "syncfs"},
    "rename": {"renameat2", "rename", "linkat"},
    "mkdir": {"mkdir"},
    "times": {"utimens"},
    "unlink": {"unlink"},
    "fallocate": {"fallocate"},
}
"""The kinds of call, each of which a drive must be seen to make and to survive."""

_CHANGES = {"open", "write", "pwrite", "mkdir", "rename", "renameat2", "unlink", "utimens"}


class Bench:
    """Two drives, a card and the warm process."""

    def __init__(self, tmp: Path, warm: Warm, card: Path, roots: list[Path]) -> None:
        self.tmp, self.warm, self.roots = tmp, warm, roots
        self.content: CardContent = fill_card(card)
        self.folder = tmp / "catalog"
        self.folder.mkdir()
        self.intake = Intake(card, roots, self.folder / "catalog.db")
        self._half: Failure | None = None
        self.watch = {"card": card, "a": roots[0], "b": roots[1], "catalog": self.folder}

    def begin(self, resumed: bool) -> None:
        """New drives and no catalog; with `resumed`, as a run left them that was killed when
        half of the card was in."""
        half = self.half() if resumed else None
        for root in self.roots:
            empty(root)
        empty(self.folder)
        if half is not None:
            done, _ = self.warm.run(self.intake.words, self.intake.catalog, self.watch, half)
            assert done.code == -9, done

    def half(self) -> Failure:
        """Where the run that is gone on with was killed: some files have their final names, none
        of them is in the catalog yet."""
        if self._half is None:
            (key,) = (
                key
                for key in self.keys(resumed=False)
                if (key.drive, key.call) == ("a", "renameat2") and key.path.endswith("/CLIP/C.BIN")
            )
            self._half = Failure(key, "die", False)
        return self._half

    def keys(self, resumed: bool) -> list[Key]:
        """Every system call of a run in which nothing fails."""
        self.begin(resumed)
        log = self.tmp / "keys"
        log.unlink(missing_ok=True)
        done, _ = self.warm.run(self.intake.words, self.intake.catalog, self.watch, log=log)
        assert done.code == 0, done
        check_whole(self.content, self.roots, self.intake.catalog)
        return sorted({Key.parse(line) for line in log.read_text().splitlines()})

    def fail(self, failure: Failure, resumed: bool = False) -> bool:
        """One failing run and the same command after it; whether the failure struck at all."""
        self.begin(resumed)
        words, catalog = self.intake.words, self.intake.catalog
        done, hits = self.warm.run(words, catalog, self.watch, failure)
        if failure.action == "die":
            hits = int(done.code == -9)
            assert done.code in (0, -9), done
        else:
            assert done.code in (0, 2, 3, 4), done
        check_true(self.content, self.roots, catalog)
        if done.code == 0:
            # A drive that refuses to remove something keeps it: the next run does that.
            check_whole(self.content, self.roots, catalog, clean=False)
        elif done.code > 0:
            said = done.document
            assert (
                "error" in said
                or said["verdict"] != "matched"
                or any(one["stopped"] for one in said["drives"])
            ), done
        again, _ = self.warm.run(words, catalog, {})
        assert again.code == 0, f"the same command did not go on\nfirst {done}\nthen {again}"
        check_whole(self.content, self.roots, catalog)
        return hits > 0


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    tmp = tmp_path_factory.mktemp("operations")
    library = build(tmp)
    card = tmp / "card"
    card.mkdir()
    with loop_drive(40, name="a") as a, loop_drive(40, name="b") as b:
        warm = Warm(library, tmp)
        try:
            yield Bench(tmp, warm, card, [a.mount, b.mount])
        finally:
            warm.close()


def failures(keys: list[Key]) -> list[Failure]:
    """Everything that can go wrong at these calls."""
    found = []
    for key in keys:
        found += [Failure(key, "EIO", forever) for forever in (False, True)]
        found.append(Failure(key, "die", False))
        if key.call in _CHANGES | {"fsync", "fdatasync", "syncfs", "fallocate", "ftruncate"}:
            found += [Failure(key, "ENOSPC", forever) for forever in (False, True)]
        if key.call in _CHANGES:
            found += [Failure(key, "EROFS", forever) for forever in (False, True)]
        if key.call in COUNTED:
            found += [Failure(key, "short", forever) for forever in (False, True)]
        if key.call in COUNTED and key.call not in ("write", "pwrite"):
            found.append(Failure(key, "nothing", False))
    return found


def some_of(every: list[Failure], count: int, seed: int) -> list[Failure]:
    """A seeded part: first one of each call and action on each drive, then one of each key not
    among them, then any."""
    draw = random.Random(seed)
    mixed = draw.sample(every, len(every))
    by_kind: dict[tuple[str, str, str], Failure] = {}
    for failure in mixed:
        by_kind.setdefault((failure.key.drive, failure.key.call, failure.action), failure)
    first = draw.sample(list(by_kind.values()), len(by_kind))
    struck = {failure.key for failure in first}
    by_key = {failure.key: failure for failure in mixed if failure.key not in struck}
    return list(dict.fromkeys([*first, *by_key.values(), *mixed]))[:count]


def run_all(
    bench: Bench, labels: set[str], count: int, *, resumed: bool = False
) -> Counter[tuple[str, str]]:
    """Run so many failures; the calls that failed, counted by drive and call."""
    keys = [
        key
        for key in bench.keys(resumed)
        if key.drive in labels and not (key.drive in "ab" and MARKING.fullmatch(key.path))
    ]
    every = failures(keys)
    chosen = some_of(every, count, seed=len(labels))
    struck: set[Key] = set()
    kinds: Counter[tuple[str, str]] = Counter()
    wrong: list[str] = []
    for failure in chosen:
        try:
            if bench.fail(failure, resumed):
                struck.add(failure.key)
                kinds[(failure.key.drive, failure.key.call)] += 1
        except AssertionError as error:
            wrong.append(f"{failure}: {error}")
            if os.environ.get("CI") != "true":
                print(wrong[-1][:3000], flush=True)
    print(
        f"{len(struck)} of {len(keys)} keys failed, in {len(chosen)} of {len(every)} ways "
        f"({sum(kinds.values())} struck)"
    )
    for (drive, call), many in sorted(kinds.items()):
        print(f"  {drive:8}{call:12}{many:5}")
    assert not wrong, f"{len(wrong)} of {len(chosen)}:\n" + "\n".join(wrong)[:20000]
    return kinds


def test_each_operation_on_card_and_drives_failing_leaves_only_truth_and_can_be_gone_on_with(
    bench: Bench,
) -> None:
    """Whatever fails: no false match, no wrong file under a final name, the same command ends
    well."""
    kinds = run_all(bench, {"card", "a", "b"}, CASES_A_SEED * len(seeds(8)))
    for kind, calls in KINDS.items():
        count = sum(many for (drive, call), many in kinds.items() if call in calls)
        assert count > 0, f"no call of the kind {kind} failed"


def test_each_operation_of_a_run_that_goes_on_failing_leaves_only_truth(bench: Bench) -> None:
    """The run after a killed one fails too, at any of its operations: the same promises."""
    kinds = run_all(bench, {"card", "a", "b"}, CASES_A_SEED * len(seeds(3)), resumed=True)
    assert sum(kinds.values()) > 0


def test_each_operation_on_the_drives_marker_failing_leaves_nothing_lying_about(
    bench: Bench,
) -> None:
    """The file by which a drive is known again: the same promises."""
    keys = [key for key in bench.keys(resumed=False) if MARKING.fullmatch(key.path)]
    wrong = []
    for failure in some_of(failures(keys), 24, seed=3):
        try:
            bench.fail(failure)
        except AssertionError as error:
            wrong.append(f"{failure}: {error}")
    assert not wrong, "\n".join(wrong)


def test_each_operation_on_the_catalog_failing_leaves_only_truth_and_can_be_gone_on_with(
    bench: Bench,
) -> None:
    """The catalog's own reads and writes fail: the same promises."""
    kinds = run_all(bench, {"catalog"}, CASES_A_SEED * len(seeds(3)))
    for calls in ({"open"}, {"pread", "read"}, {"pwrite"}, {"fdatasync", "fsync"}):
        assert any(call in calls for _, call in kinds), f"none of {calls} failed"
