"""What `ingest kit` calls ready, `ingest reuse` lets go: the same catalogs asked both ways, the kit
without looking, reuse with card and drives in hand, which are whole."""

from __future__ import annotations

import os
import random
import shutil
import sqlite3
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from ingest.assurance.kit import CardKit, CardState
from ingest.catalog.catalog import Catalog
from ingest.catalog.custody_records import About
from ingest.catalog.records import (
    CardNote,
    ClipFile,
    ClipRole,
    NewClip,
    NewClipLook,
    NewLook,
    Observer,
)
from ingest.copying.samples import WHOLE
from ingest.evidence import Act, Against, Route, State
from ingest.jobs.kit import pack
from ingest.jobs.reuse.judging import judge_reuse
from ingest.jobs.reuse.policy import policy_of
from ingest.media.facts import ClipFacts, ClipKind
from ingest.media.health import Depth, Finding, Health, Severity
from ingest.settings import DriveSettings, PolicySettings, Settings
from tests.conftest import Runner
from tests.e2e.further import CLIPS, FOLDER, disks_apart, offloaded

pytestmark = pytest.mark.long

SEEDS = int(os.environ.get("INGEST_SEEDS", "25"))
NOW = datetime(2030, 3, 2, 21, 0, tzinfo=UTC)
"""Later than anything that the offload itself dates."""
INES = Observer("ines", "cart", "boot-1")
RUI = Observer("rui", "suite", "boot-2")


@dataclass(frozen=True, slots=True)
class Shot:
    """Card A003 on HERON and OTTER, and the catalogs of it: read once, read twice."""

    place: Path
    catalogs: Mapping[int, Path]


@pytest.fixture
def shot(tmp_path: Path, ingest: Runner, monkeypatch: pytest.MonkeyPatch) -> Shot:
    disks_apart(monkeypatch)
    offloaded(tmp_path, ingest)
    assert ingest("copy", "--roll", "A003", "--to", tmp_path / "STOAT").code == 0
    catalogs = {}
    for reads in (1, 2):
        catalogs[reads] = tmp_path / f"read-{reads}.sqlite3"
        shutil.copy(tmp_path / "catalog.sqlite3", catalogs[reads])
        altered(catalogs[reads], f"card_read = {reads}")
    return Shot(tmp_path, catalogs)


def altered(path: Path, end: str) -> None:
    """As if the offload had ended otherwise, which the catalog itself never allows."""
    with closing(sqlite3.connect(path)) as base:
        base.execute("DROP TRIGGER IF EXISTS offload_end_never_changed")
        base.execute(f"UPDATE offload_end SET {end}")
        base.commit()


def evidence(chance: random.Random, catalog: Catalog) -> None:
    """A few more looks at a few copies, good and bad, of any age, by any route."""
    copies = catalog.copies()
    for copy in chance.sample(copies, chance.randint(0, 4)):
        for _ in range(chance.randint(1, 3)):
            act = chance.choice([Act.WRITTEN, Act.READ_BACK, *[Act.AUDITED] * 4, Act.SAMPLED])
            bad = chance.random() < 0.25 and act is not Act.WRITTEN
            written = act is Act.WRITTEN
            look = NewLook(
                file_id=copy.file_id,
                drive_id=copy.drive_id,
                path=copy.path,
                act=act,
                state=State.UNVERIFIED
                if written
                else chance.choice([State.MISMATCH, State.MISSING, State.UNREADABLE])
                if bad
                else State.MATCHED,
                route=None if written else chance.choice([Route.MEDIUM, Route.CACHE_POSSIBLE]),
                against=Against.NOTHING
                if written
                else chance.choice([*[Against.CATALOG] * 4, Against.CARD, Against.OWN_LIST]),
                size=1,
                kind=None,
                digest=None,
                mount=str(chance.randint(1, 3)),
                at=NOW + timedelta(days=chance.choice([-9, -3, -2, -1, -1, -1, 1])),
            )
            catalog.record_looks("a" * 16, chance.choice([INES, RUI]), [look])


def audits(chance: random.Random, catalog: Catalog) -> None:
    """A drive or two read through in a later mount, and good."""
    for drive in chance.sample(catalog.drives(), chance.randint(0, 3)):
        at = NOW - timedelta(days=chance.choice([0, 1, 3]))
        looks = [
            NewLook(
                file_id=copy.file_id,
                drive_id=copy.drive_id,
                path=copy.path,
                act=Act.AUDITED,
                state=State.MATCHED,
                route=Route.MEDIUM,
                against=Against.CATALOG,
                size=1,
                kind=None,
                digest=None,
                mount="77",
                at=at,
            )
            for copy in catalog.copies(drive_id=drive.id)
        ]
        catalog.record_looks("b" * 16, RUI, looks)


def travels(chance: random.Random, catalog: Catalog) -> None:
    """Drives sent, received, lost, dead, at places."""
    for drive in catalog.drives():
        for _ in range(chance.randint(0, 2)):
            what, value = chance.choice(
                [
                    ("where", {"where": "bag 1", "offsite": False}),
                    ("where", {"where": "the vault", "offsite": True}),
                    ("where", {"where": "the vault", "offsite": True}),
                    ("where", {"where": "home", "offsite": None}),
                    ("sent", {"to": "the vault", "by": "Rui"}),
                    ("received", {}),
                    ("received", {}),
                    ("lost", {}),
                    ("dead", {}),
                ]
            )
            catalog.note_change(INES, About.DRIVE, drive.marker, what, value)


def decisions(chance: random.Random, catalog: Catalog) -> None:
    """Holds, dates, viewings."""
    (roll,) = catalog.rolls()
    for _ in range(chance.randint(0, 2)):
        what, value = chance.choice(
            [
                ("hold", {"because": "sync to be checked"}),
                ("no hold", {}),
                ("until", {"until": "2030-03-05"}),
                ("until", {"until": "2030-03-01"}),
                ("until", {"until": None}),
                ("viewed", {"by": "Marta"}),
            ]
        )
        catalog.note_change(INES, About.ROLL, str(roll.id), what, value)


def clips(chance: random.Random, catalog: Catalog) -> None:
    """Some of the files are clips: drawn, not drawn, broken."""
    (roll,) = catalog.rolls()
    paths = chance.sample(
        [path for path in CLIPS if path.startswith("CLIP/")], chance.randint(0, 2)
    )
    kept = catalog.record_clips(
        roll,
        [
            NewClip(
                Path(path).stem,
                (ClipFile(path, ClipRole.SPAN),),
                ClipFacts(kind=ClipKind.PICTURE),
                chance.choice(["p.jpg", "p.jpg", None]),
            )
            for path in paths
        ],
    )
    for clip in kept:
        if chance.random() < 0.3:
            broken = (Finding("cut", Severity.BROKEN, "The file ends in the middle."),)
            health = Health(Depth.SAMPLED, chance.choice([(), broken]))
            look = NewClipLook(clip.id, health, "HERON", NOW - timedelta(days=1))
            catalog.record_clip_looks("c" * 16, INES, [look])


def disputes(chance: random.Random, catalog: Catalog) -> None:
    """The card's own hash lists said otherwise of a file or two."""
    (offload,) = catalog.offloads(catalog.rolls())
    paths = chance.sample(sorted(CLIPS), chance.randint(0, 2))
    catalog.note_card(offload, [CardNote("disputed", path, "another md5") for path in paths])


THINGS: tuple[Callable[[random.Random, Catalog], None], ...] = (
    evidence,
    audits,
    travels,
    decisions,
    clips,
    disputes,
)


def settings(chance: random.Random) -> Settings:
    def perhaps(*values: int) -> int | None:
        return chance.choice(values) if chance.random() < 0.35 else None

    return Settings(
        production="Saltmarsh",
        time_zone="Europe/Oslo",
        drives={
            "OTTER": DriveSettings("OTTER", chance.choice([None, "the vault", "bag 2"]), True),
            "STOAT": DriveSettings(
                "STOAT", chance.choice([None, "home"]), chance.choice([None, True])
            ),
        },
        policy=PolicySettings(
            copies=perhaps(1, 2, 3),
            offsite=perhaps(0, 1, 2),
            read_twice=chance.choice([None, None, True]),
            max_age=perhaps(0, 2, 7),
            viewed=chance.choice([None, True]),
            hold_until=date(2030, 3, chance.choice([1, 9])) if chance.random() < 0.1 else None,
        ),
    )


def states(shot: Shot, seeds: int) -> Iterator[tuple[int, Path, Settings, random.Random]]:
    """Seeded: a catalog in which some of those things came about, in any order, and settings."""
    for seed in range(seeds):
        chance = random.Random(seed)
        path = shot.place / f"state-{seed}.sqlite3"
        shutil.copy(shot.catalogs[chance.choice([1, 2, 2])], path)
        with Catalog.open(str(path)) as catalog:
            for thing in chance.sample(THINGS, chance.randint(1, 3)):
                thing(chance, catalog)
        yield seed, path, settings(chance), chance


def ready(catalog: Catalog, asked: Settings) -> CardKit:
    kit = pack(catalog, asked, NOW, production="Saltmarsh")
    (card,) = [card for device in kit.devices for card in device.cards] + list(kit.other_cards)
    return card


def reasons(
    catalog: Catalog, shot: Shot, asked: Settings, *, card: str = "card", reread: bool = False
) -> tuple[tuple[str, str], ...]:
    """Why reuse holds the card; empty: it may go."""
    judged = judge_reuse(
        catalog,
        INES,
        str(shot.place / card),
        policy_of(asked),
        run="d" * 16,
        now=lambda: NOW,
        tell=lambda event: None,
        settings=asked,
        reread=reread,
    )
    if judged.verdict.verdict == "reuse":
        return ()
    return tuple((one.why, one.do) for one in judged.verdict.reasons)


def test_with_card_and_drives_whole_kit_and_reuse_say_the_same(shot: Shot) -> None:
    """Reason by reason, over seeded catalogs; run with INGEST_SEEDS=400 -s for the figures."""
    told: Counter[str] = Counter()
    for seed, path, asked, _ in states(shot, SEEDS):
        with Catalog.open(str(path)) as catalog:
            card = ready(catalog, asked)
            held = reasons(catalog, shot, asked)
        assert tuple((one.why, one.do) for one in card.reasons) == held, f"seed {seed}"
        assert card.state is (CardState.HOLD if held else CardState.READY), f"seed {seed}"
        told[card.state.value] += 1
        told.update({do.split(":")[0].split(" (")[0] for _, do in held})
    print(f"\n{SEEDS} catalogs: {dict(told)}")
    assert SEEDS < 25 or (told["ready"] and told["hold"])


def twice(shot: Shot) -> tuple[Path, Settings]:
    """A catalog of the card read once, and a contract that asks for twice."""
    path = shot.place / "twice.sqlite3"
    shutil.copy(shot.catalogs[1], path)
    return path, Settings(production="Saltmarsh", policy=PolicySettings(read_twice=True))


def test_a_card_that_reuse_read_again_is_read_twice_for_the_kit_too(shot: Shot) -> None:
    """It is evidence of a second read, and stands when the card is looked at by samples."""
    path, asked = twice(shot)
    with Catalog.open(str(path)) as catalog:
        assert [one.why for one in ready(catalog, asked).reasons] == [
            why for why, _ in reasons(catalog, shot, asked)
        ]
        assert ready(catalog, asked).state is CardState.HOLD
        assert reasons(catalog, shot, asked, reread=True) == ()
        assert ready(catalog, asked).state is CardState.READY
        assert reasons(catalog, shot, asked) == ()


@pytest.mark.parametrize("lacking", ["CLIP/C0001.BIN", ""])
def test_only_files_that_were_equal_on_the_card_itself_count_as_read_twice(
    shot: Shot, lacking: str
) -> None:
    """One that has changed between its samples, or a copy of the card in another folder: the kit
    goes on holding the card."""
    path, asked = twice(shot)
    other = "card" if lacking else "elsewhere/card"
    if lacking:
        assert len(CLIPS[lacking]) > WHOLE, "samples must not be all of it"
        with (shot.place / "card" / lacking).open("r+b") as file:
            file.seek(70_000)
            file.write(b"?")
    else:
        shutil.copytree(shot.place / "card", shot.place / other)
    with Catalog.open(str(path)) as catalog:
        told = reasons(catalog, shot, asked, card=other, reread=True)
        assert bool(told) is bool(lacking)
        files = catalog.files(catalog.rolls())
        again = catalog.read_again(catalog.rolls())
        card = ready(catalog, asked)
    read = {
        one.path
        for one in files
        if [one.digests[kind] == digest for kind, digest in again.get(one.id, ())] == [True]
    }
    assert read == (CLIPS.keys() - {lacking} if lacking else set())
    assert card.state is CardState.HOLD


def test_with_a_drive_away_reuse_misses_nothing_but_that_drive_of_what_kit_calls_ready(
    shot: Shot,
) -> None:
    """Plugged in, it would go: that a drive is not mounted is what a look shows."""
    called = 0
    for seed, path, asked, chance in states(shot, SEEDS):
        away = chance.choice(["HERON", "OTTER", "STOAT"])
        (shot.place / away).rename(shot.place / "unplugged")
        with Catalog.open(str(path)) as catalog:
            card = ready(catalog, asked)
            while_away = reasons(catalog, shot, asked)
            (shot.place / "unplugged").rename(shot.place / away)
            plugged_in = reasons(catalog, shot, asked)
        if card.state is CardState.READY:
            called += 1
            assert plugged_in == (), f"seed {seed}"
            missed = any(f"{away} is not mounted" in why for why, _ in while_away)
            assert missed or not while_away, f"seed {seed}"
    assert called or SEEDS < 25


def test_a_card_whose_offload_was_stopped_is_on_hold_and_says_so(
    shot: Shot,
) -> None:
    """What came in of it is good twice over, and two of its files are nowhere."""
    path = shot.place / "stopped.sqlite3"
    shutil.copy(shot.catalogs[1], path)
    altered(path, "files = files + 2, verdict = 'stopped'")
    with Catalog.open(str(path)) as catalog:
        card = ready(catalog, Settings(production="Saltmarsh"))
    assert (card.state, card.why) == (CardState.HOLD, "2 files of 7 on it were never copied")
    assert (shot.place / "HERON" / FOLDER).is_dir()


def test_older_files_that_stayed_out_hold_the_card_in_the_kit_too(
    tmp_path: Path, ingest: Runner, monkeypatch: pytest.MonkeyPatch
) -> None:
    """--since leaves them on the card; nobody has a copy of them."""
    disks_apart(monkeypatch)
    offloaded(tmp_path, ingest)
    for name in ("CLIP/D0001.BIN", "CLIP/D0002.BIN"):
        (tmp_path / "card" / name).write_bytes(name.encode() * 9000)
    os.utime(tmp_path / "card" / "CLIP/D0002.BIN", (1_000_000_000, 1_000_000_000))
    words = ("--since", "2020-01-01", "--roll", "A003")
    to = ("--to", tmp_path / "HERON", "--to", tmp_path / "OTTER")
    ingest("offload", tmp_path / "card", *words, *to)
    told = ingest("kit", "--json").document
    (card,) = told["other_cards"] or told["devices"][0]["cards"]
    assert card["state"] == "hold"
    assert "1 file of 7 on it was never copied" in card["reasons"][0]["why"]
    assert ingest("reuse", tmp_path / "card").code == 3


def test_a_card_of_which_all_was_known_already_stands_like_the_one_it_came_from(
    tmp_path: Path, ingest: Runner, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The second slot's card gave no file of its own, and is judged by those that it holds."""
    disks_apart(monkeypatch)
    offloaded(tmp_path, ingest)
    to = ("--to", tmp_path / "HERON", "--to", tmp_path / "OTTER")
    assert ingest("offload", tmp_path / "card", "--card", "SLOT 2", *to).code == 0

    def cards() -> dict[str, str]:
        told = ingest("kit", "--json").document
        every = [*told["other_cards"], *(one for each in told["devices"] for one in each["cards"])]
        return {one["card"]: one["state"] for one in every}

    assert cards() == {"card": "ready", "SLOT 2": "ready"}
    ingest("drives", "set", "OTTER", "--lost")
    assert cards() == {"card": "hold", "SLOT 2": "hold"}


def test_a_card_that_gave_other_content_once_is_held_until_it_was_equal_twice(shot: Shot) -> None:
    """A reader that errs now and then is not believed when it doesn't: neither by samples nor
    the first time that all is equal. The kit says the same."""
    other = "gave other content when the card was read once more"
    path = shot.place / "once.sqlite3"
    shutil.copy(shot.catalogs[1], path)
    asked = Settings(production="Saltmarsh")
    file = shot.place / "card" / "CLIP/C0001.BIN"
    good = file.read_bytes()
    assert len(good) > WHOLE, "samples must not be all of it"
    info = file.stat()

    def hold(data: bytes, *, reread: bool) -> list[str]:
        file.write_bytes(data)
        os.utime(file, ns=(info.st_atime_ns, info.st_mtime_ns))
        by_reuse = [why for why, _ in reasons(catalog, shot, asked, reread=reread)]
        by_kit = ready(catalog, asked)
        assert (by_kit.state is CardState.READY) is not (other in "".join(by_reuse) or data != good)
        return by_reuse

    with Catalog.open(str(path)) as catalog:
        assert hold(good, reread=False) == []
        assert "other content" in "".join(hold(good[:70_000] + b"?" + good[70_001:], reread=True))
        assert other in "".join(hold(good, reread=False))
        assert other in "".join(hold(good, reread=True))
        assert hold(good, reread=True) == []
        assert hold(good, reread=False) == []
