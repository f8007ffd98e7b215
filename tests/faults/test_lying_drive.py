"""A drive that says "written" and did something else, and one that answers as POSIX allows.

Every silent lie must be caught by reading back; what is said aloud may stop the drive, but never
makes a wrong claim. INGEST_SEEDS in the environment: cases for each way of mounting.
"""

from __future__ import annotations

import json
import random
import shutil
import tempfile
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from laboratory.intake import (
    CardContent,
    Done,
    Intake,
    check_true,
    check_whole,
    fill_card,
    final_files,
    looks,
    seeds,
)
from laboratory.loops import MIB, Drive, loop_drive
from laboratory.lying import HONEST, LOUD, SILENT, lie, lying_drive, told
from laboratory.power import need_power
from laboratory.warm import Warm, warm

pytestmark = [pytest.mark.laboratory, pytest.mark.long]

CARD = {
    "CLIP/A.BIN": 5 * MIB + 70_001,
    "CLIP/A.XML": 900,
    "CLIP/B.BIN": 2 * MIB,
    "CLIP/B.XML": 5_000,
    "S.BIN": 70_000,
    "T.BIN": 131_072,
    "E.DAT": 0,
}


@dataclass(slots=True)
class Liar:
    """A card, a sound drive, and one that lies, with the truth behind it."""

    card: Drive
    content: CardContent
    sound: Drive
    behind: Drive
    mounted: Path
    catalogs: Path
    warm: Warm
    direct: bool
    """The kernel keeps no pages of it."""
    cases: int = field(default=0)

    def case(self) -> Case:
        """A new folder on each drive and a new catalog."""
        self.cases += 1
        name = f"case-{self.cases}"
        for root in (self.sound.mount, self.mounted):
            (root / name).mkdir()
        catalog = self.catalogs / f"{name}.sqlite"
        to = (self.sound.mount / name, self.mounted / name)
        return Case(self, name, Intake(self.card.mount, to, catalog))


@dataclass(slots=True)
class Case:
    """One offload to the sound drive and to the liar."""

    liar: Liar
    name: str
    intake: Intake

    @property
    def behind(self) -> Path:
        """What the lying drive really holds."""
        return self.liar.behind.mount / self.name

    @property
    def roots(self) -> tuple[Path, Path]:
        return self.liar.sound.mount / self.name, self.behind

    def run(self, kind: str, places: dict[int, int]) -> Done:
        lie(self.liar.mounted, kind, places)
        return self.liar.warm.run(self.intake)

    def check_true(self) -> None:
        check_true(self.liar.content, self.roots, self.intake.catalog)

    def check_sound_drive(self) -> None:
        """The liar costs the other drive nothing."""
        assert set(final_files(self.roots[0])) == set(self.liar.content)

    def check_goes_on(self) -> None:
        """The same command on a drive that has stopped lying ends well."""
        done = self.run("", {})
        assert done.code == 0, done
        check_whole(self.liar.content, self.roots, self.intake.catalog)

    def end(self) -> None:
        for root in self.roots:
            shutil.rmtree(root)

    def states(self) -> dict[str, str]:
        """By file: what the catalog says of the copies on the lying drive that were read back."""
        marker = json.loads((self.behind / ".ingest-drive.json").read_text())["drive"]
        return {
            look.file: look.state
            for look in looks(self.intake.catalog)
            if look.marker == marker and look.act == "read back"
        }


@pytest.fixture(scope="module", params=["through the cache", "direct"])
def liar(request: pytest.FixtureRequest) -> Iterator[Liar]:
    need_power()
    place = Path(tempfile.mkdtemp(prefix="lying-"))
    direct = request.param == "direct"
    try:
        with (
            loop_drive(48) as card,
            loop_drive(96) as sound,
            loop_drive(96) as behind,
            warm() as runs,
            lying_drive(behind, place / "drive", direct=direct),
        ):
            content = fill_card(card.mount, CARD)
            yield Liar(card, content, sound, behind, place / "drive", place, runs, direct)
    finally:
        shutil.rmtree(place, ignore_errors=True)


def numbered() -> list[str]:
    """The files by their number in a run: in the order of their paths."""
    return sorted(CARD)


def places(seed: int) -> dict[int, int]:
    """One to three files with something in them, and a byte of each."""
    draw = random.Random(seed)
    numbers = [number for number, path in enumerate(numbered()) if CARD[path]]
    chosen = draw.sample(numbers, draw.randint(1, 3))
    return {number: draw.randrange(CARD[numbered()[number]]) for number in chosen}


def test_every_silent_lie_is_caught_by_reading_back(
    liar: Liar, record_property: pytest.RecordProperty
) -> None:
    """Dropped, shortened, zeroed, altered, rotten: told as mismatch or short, exit 3, no final
    name, no matched evidence; and all else of both drives is as it should be."""
    figures: Counter[str] = Counter()
    for seed in seeds(20):
        kind = SILENT[seed % len(SILENT)]
        at = places(seed)
        case = liar.case()
        done = case.run(kind, at)
        assert done.code == 3, (seed, kind, done)
        wrong = {numbered()[int(number)] for number in told(liar.mounted)["done"]}
        assert wrong == {numbered()[number] for number in at}, (seed, kind, "no lie was told")
        problems = {problem["path"]: problem["state"] for problem in done.document["problems"]}
        assert set(problems) == wrong, (seed, kind, done)
        assert set(problems.values()) <= {"mismatch", "short"}, (seed, kind, done)
        case.check_true()
        case.check_sound_drive()
        assert set(final_files(case.behind)) == set(CARD) - wrong, (seed, kind)
        states = case.states()
        assert {path for path, state in states.items() if state != "matched"} == wrong
        case.check_goes_on()
        case.end()
        figures[kind] += 1
        figures["files lied about"] += len(wrong)
        for state in problems.values():
            figures[state] += 1
    record_property("silent lies", dict(figures))
    print("silent lies", dict(figures))


@pytest.mark.parametrize("kind", HONEST)
def test_short_counts_and_interruptions_change_nothing(liar: Liar, kind: str) -> None:
    """Less than asked for, or interrupted: gone on with until it is whole."""
    case = liar.case()
    done = case.run(kind, places(1))
    assert told(liar.mounted)["done"], f"no {kind}"
    if done.code == 0:
        check_whole(liar.content, case.roots, case.intake.catalog)
    else:
        # Without direct_io the kernel takes a short read for the end of the file, and through
        # its page cache makes an error of a short write (fs/fuse/file.c): not whole, and told.
        assert kind != "EINTR at read", done
        assert done.code in (3, 4), done
        assert not liar.direct, done
    case.check_true()
    case.check_sound_drive()
    case.check_goes_on()
    case.end()


@pytest.mark.parametrize("kind", LOUD)
def test_an_error_that_is_told_makes_no_wrong_claim_and_can_be_gone_on_from(
    liar: Liar, kind: str
) -> None:
    """The drive may be given up for this run; the other one gets everything."""
    for large in (True, False):
        case = liar.case()
        number = numbered().index("CLIP/A.BIN" if large else "S.BIN")
        done = case.run(kind, {number: 40_000 if not kind.endswith("flush") else 0})
        assert told(liar.mounted)["done"] == {str(number): kind}, f"no {kind} was met"
        assert done.code in (3, 4), done
        case.check_true()
        case.check_sound_drive()
        case.check_goes_on()
        case.end()


def test_nothing_gets_its_final_name_before_it_was_flushed_and_closed(liar: Liar) -> None:
    """An error may come with the close alone. Also where syncfs(2) does not reach the file
    system: the kernel passes it on to a file system in user space only in the case of virtiofs
    (fuse_sync_fs in fs/fuse/inode.c)."""
    case = liar.case()
    done = case.run("", {})
    assert done.code == 0, done
    seen = told(liar.mounted)
    assert seen["named"] == len(CARD)
    assert seen["unflushed"] == []
    assert seen["unclosed"] == []
    case.end()
