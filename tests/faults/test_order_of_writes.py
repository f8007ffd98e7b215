"""The order of writes on a drive, as the kernel is asked for it: every step of every file."""

from __future__ import annotations

import posixpath
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from laboratory.failing import Key, Warm, build
from laboratory.intake import SMALL_CARD, CardContent, Intake, check_whole, fill_card
from laboratory.loops import loop_drive

pytestmark = [pytest.mark.laboratory, pytest.mark.long]

SIZES = SMALL_CARD | {f"STILLS/{number % 3}/{number:03}.DAT": 3000 for number in range(9)}


@dataclass(frozen=True, slots=True)
class Calls:
    """One drive's system calls in the order in which they were made."""

    made: list[tuple[str, str]]
    """Call, and the path below the drive's root; random ids are '#'."""

    def places(self, call: str, path: str) -> list[int]:
        return [place for place, one in enumerate(self.made) if one == (call, path)]

    def after(self, place: int, call: str, path: str) -> int:
        """The first such call after a place; there must be one."""
        found = [later for later in self.places(call, path) if later > place]
        assert found, f"no {call} of {path} after {self.made[place]}"
        return found[0]

    def before(self, place: int, call: str, path: str) -> int:
        """The last such call before a place; there must be one."""
        found = [earlier for earlier in self.places(call, path) if earlier < place]
        assert found, f"no {call} of {path} before {self.made[place]}"
        return found[-1]


@pytest.fixture(scope="module")
def run(
    tmp_path_factory: pytest.TempPathFactory,
) -> Iterator[tuple[CardContent, dict[str, Calls]]]:
    """The card's content, and the calls of an offload of it to two new drives."""
    tmp = tmp_path_factory.mktemp("order")
    library, log = build(tmp), tmp / "log"
    content = fill_card(tmp / "card", SIZES)
    with loop_drive(40, name="a") as a, loop_drive(40, name="b") as b:
        intake = Intake(tmp / "card", [a, b], tmp / "catalog.db")
        warm = Warm(library, tmp)
        try:
            watch: dict[str, Path] = {"a": a.mount, "b": b.mount}
            done, _ = warm.run(intake.words, intake.catalog, watch, log=log)
        finally:
            warm.close()
        assert done.code == 0, done
        check_whole(content, [a, b], intake.catalog)
    keys = [Key.parse(line) for line in log.read_text().splitlines()]
    yield (
        content,
        {drive: Calls([(k.call, k.path) for k in keys if k.drive == drive]) for drive in "ab"},
    )


def roll_of(calls: Calls) -> str:
    """The roll's folder: where the journal lies."""
    return next(
        posixpath.dirname(path)
        for call, path in calls.made
        if call == "write" and path.endswith("/.ingest-journal.jsonl")
    )


@pytest.mark.parametrize("drive", ["a", "b"])
def test_each_step_of_each_file_comes_after_the_one_before(
    run: tuple[CardContent, dict[str, Calls]], drive: str
) -> None:
    """Written, times set, flushed, read back, journal line flushed, renamed, folder flushed."""
    content, by_drive = run
    calls = by_drive[drive]
    roll = roll_of(calls)
    journal = f"{roll}/.ingest-journal.jsonl"
    for number, path in enumerate(sorted(content)):
        final = f"{roll}/{path}"
        folder = posixpath.dirname(final)
        unfinished = f"{folder}/.ingest-#-{number}.unfinished"
        (times,) = calls.places("utimens", unfinished)
        assert all(place < times for place in calls.places("pwrite", unfinished)), path
        flushes = calls.places("fsync", unfinished) + calls.places("syncfs", roll)
        flush = min(place for place in flushes if place > times)
        (named,) = calls.places("renameat2", final)
        reads = calls.places("preadv", unfinished)
        assert bool(reads) is bool(content[path]), path
        assert all(place < named for place in reads), path
        # What was read before it was flushed to the end (ranges of a large file are flushed one
        # by one) is followed by more that was read after it.
        assert not reads or reads[-1] > flush, path
        noted = calls.before(named, "fsync", journal)
        assert calls.before(noted, "write", journal) > max([flush, *reads]), path
        assert calls.after(named, "fsync", folder) < len(calls.made), path


@pytest.mark.parametrize("drive", ["a", "b"])
def test_each_new_folder_is_flushed_where_it_stands_before_a_file_in_it_can_be_claimed(
    run: tuple[CardContent, dict[str, Calls]], drive: str
) -> None:
    """From the drive's root down. A hash list claims what is in it."""
    _, by_drive = run
    calls = by_drive[drive]
    made = [(place, path) for place, (call, path) in enumerate(calls.made) if call == "mkdir"]
    footage = [(place, path) for place, path in made if "/." not in path]
    assert len(footage) >= 3 + 5
    (listed,) = (
        place
        for place, (call, path) in enumerate(calls.made)
        if call == "renameat2" and path.endswith(".mhl")
    )
    for place, path in footage:
        above = posixpath.dirname(path).rstrip("/")
        assert calls.after(place, "fsync", above) < listed, path
