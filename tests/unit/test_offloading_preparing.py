"""The plan of an offload: which roll, which day, what is new, before a byte is written."""

from __future__ import annotations

import errno
import os
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta, timezone
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from engine_bench import stop_in_writing

from ingest import drives
from ingest.catalog.catalog import Catalog
from ingest.catalog.records import Observer
from ingest.copying.buffers import MEMORY
from ingest.copying.values import Action, Event
from ingest.errors import BadDestination, Unfinished, UsageError
from ingest.jobs.offloading.at_a_glance import glance_lines
from ingest.jobs.offloading.preparing import prepare
from ingest.jobs.offloading.running import run_offload
from ingest.jobs.offloading.telling import plan_document, plan_lines
from ingest.jobs.offloading.values import Confirming, Phase, Plan, Request, Result
from ingest.settings import Settings

ZONE = timezone(timedelta(hours=1))
NOON = datetime(2026, 3, 14, 12, 0, tzinfo=ZONE)
LATER = NOON + timedelta(days=1)
TIME = 1_773_500_000_123_456_789
WREN = Observer("Wren Castellane", "cart", "boot1")
A001 = ("A001C001_260314_K7QD.bin", "A001C002_260314_K7QD.bin")


@dataclass
class Desk:
    """A catalog, two drives, and cards to plan for."""

    place: Path
    catalog: Catalog
    runs: int = 0

    def card(self, name: str = "card", **files: bytes) -> Path:
        folder = self.place / name
        for file, data in (files or dict.fromkeys(A001, b"x" * 5000)).items():
            (folder / file).parent.mkdir(parents=True, exist_ok=True)
            (folder / file).write_bytes(data)
            os.utime(folder / file, ns=(TIME, TIME))
        return folder

    def plan(
        self,
        card: Path,
        now: datetime = NOON,
        tell: Callable[[Confirming], None] = lambda event: None,
        **said: object,
    ) -> Plan:
        for drive in ("HERON", "OTTER"):
            (self.place / drive).mkdir(exist_ok=True)
        request = Request(
            card=str(card),
            to=(str(self.place / "HERON"), str(self.place / "OTTER")),
            now=now,
            settings=Settings(),
            production="Kestrel Quay",
            same_drive_ok=True,
            system_disk_ok=True,
        )
        return prepare(replace(request, **said), self.catalog, tell)  # type: ignore[arg-type]

    def offload(
        self,
        plan: Plan,
        tell: Callable[[Event | Phase], None] = lambda event: None,
        stop: threading.Event | None = None,
        memory: int = MEMORY,
    ) -> Result:
        self.runs += 1
        return run_offload(
            plan,
            self.catalog,
            WREN,
            run=f"{self.runs:016x}",
            tell=tell,
            stop=stop or threading.Event(),
            memory=memory,
            poisoned=True,
        )


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    with Catalog.open(str(tmp_path / "catalog.sqlite3")) as catalog:
        yield Desk(tmp_path, catalog)


# Which day ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("now", "day", "on"),
    [
        (NOON, 1, date(2026, 3, 14)),
        (datetime(2026, 3, 15, 0, 40, tzinfo=ZONE), 1, date(2026, 3, 14)),
        (datetime(2026, 3, 15, 4, 59, tzinfo=ZONE), 1, date(2026, 3, 14)),
        (datetime(2026, 3, 15, 5, 0, tzinfo=ZONE), 2, date(2026, 3, 15)),
    ],
)
def test_the_day_is_the_call_sheets(desk: Desk, now: datetime, day: int, on: date) -> None:
    """Before the hour at which a day ends it is still the day before (common practice)."""
    days = Settings(days=(date(2026, 3, 14), date(2026, 3, 15)))
    plan = desk.plan(desk.card(), now, settings=days)
    assert (plan.day, plan.date) == (day, on)


@pytest.mark.parametrize("ahead", [timedelta(days=1), timedelta(days=-400), timedelta(hours=13)])
def test_a_cameras_clock_changes_no_day(desk: Desk, ahead: timedelta) -> None:
    """A day ahead, a year behind, set for another continent: the day is that of the offload."""
    card = desk.card()
    for file in card.iterdir():
        at = int((NOON + ahead).timestamp()) * 10**9
        os.utime(file, ns=(at, at))
    days = (date(2026, 3, 13), date(2026, 3, 14), date(2026, 3, 15))
    plan = desk.plan(card, settings=Settings(days=days))
    assert (plan.day, plan.date) == (2, date(2026, 3, 14))


def test_a_card_of_the_night_of_the_clock_change_belongs_to_the_day_before(desk: Desk) -> None:
    """29 March 2026 in Lisbon has no 01:30 (IANA tz database); a card that comes in at 02:40 is
    still of the 28th, one that comes in at 05:10 is of the 29th."""
    lisbon = ZoneInfo("Europe/Lisbon")
    settings = Settings(days=(date(2026, 3, 28), date(2026, 3, 29)), time_zone="Europe/Lisbon")
    card = desk.card()
    night = desk.plan(card, datetime(2026, 3, 29, 2, 40, tzinfo=lisbon), settings=settings)
    morning = desk.plan(card, datetime(2026, 3, 29, 5, 10, tzinfo=lisbon), settings=settings)
    assert (night.day, morning.day) == (1, 2)


def test_without_days_they_count_by_what_is_in(desk: Desk) -> None:
    """The first is 1; the same date is the same day; another date the next one."""
    first = desk.plan(desk.card("a", **{"A001C001_x.bin": b"1"}))
    desk.offload(first)
    same = desk.plan(desk.card("b", **{"B001C001_x.bin": b"2"}))
    desk.offload(same)
    later = desk.plan(desk.card("c", **{"A002C001_x.bin": b"3"}), LATER)
    assert (first.day, same.day, later.day) == (1, 1, 2)
    assert later.date == LATER.date()


def test_a_day_that_is_none_of_ingest_tomls_takes_no_number_of_theirs(desk: Desk) -> None:
    """Before, between and after them: the next number that no other date has, and why. What
    comes in later that day is of the same."""
    settings = Settings(days=(date(2026, 3, 13), date(2026, 3, 20)))
    first = desk.plan(desk.card("a", **{"A001C001_x.bin": b"1"}), settings=settings)
    assert (first.day, first.date) == (3, NOON.date())
    desk.offload(first)
    same = desk.plan(desk.card("b", **{"B001C001_x.bin": b"2"}), settings=settings)
    other = desk.plan(desk.card("c", **{"A002C001_x.bin": b"3"}), LATER, settings=settings)
    assert (same.day, other.day) == (3, 4)
    why = "today; ingest.toml gives 1 to 2 other dates"
    assert f"Day         3, 2026-03-14 ({why})" in plan_lines(first)
    assert f"Day         3, 2026-03-14 ({why})" in list(glance_lines([first], "", {}, ()))
    assert plan_document(first)["day_because"] == why


def test_a_day_that_was_named_has_its_own_date(desk: Desk) -> None:
    """From ingest.toml, else that of a roll of the day, else today; a day before 1 is refused."""
    days = Settings(days=(date(2026, 3, 14), date(2026, 3, 20)))
    card = desk.card()
    assert desk.plan(card, settings=days, day=2).date == date(2026, 3, 20)
    assert desk.plan(card, settings=days, day=5).date == NOON.date()
    with pytest.raises(UsageError):
        desk.plan(card, day=0)


# Which roll ---------------------------------------------------------------------------------------


def test_the_roll_comes_from_the_clip_names(desk: Desk) -> None:
    """And goes into the default layout."""
    plan = desk.plan(desk.card())
    assert (plan.roll, plan.camera, plan.joins) == ("A001", "A", None)
    assert [drive.folder for drive in plan.drives] == ["Kestrel Quay/D01_2026-03-14/A001"] * 2
    assert [set(drive.actions.values()) for drive in plan.drives] == [{Action.WRITE}] * 2


def test_the_second_card_of_a_camera_that_repeats_its_names_is_the_next_roll(desk: Desk) -> None:
    """Many cameras start every card at C0001."""
    desk.offload(desk.plan(desk.card("B001", **{"CLIP/C0001.bin": b"1" * 3000})))
    plan = desk.plan(desk.card("B001-again", **{"CLIP/C0001.bin": b"2" * 3000}), label="B001")
    assert (plan.roll, plan.known) == ("B002", {})


def test_new_files_join_the_roll_on_the_same_day(desk: Desk) -> None:
    """Known ones aren't copied again."""
    card = desk.card()
    desk.offload(desk.plan(card))
    desk.card(**{"A001C003_260314_K7QD.bin": b"new"})
    plan = desk.plan(card, NOON + timedelta(hours=9))
    assert (plan.roll, len(plan.known)) == ("A001", 2)
    assert [file.path for file in plan.files] == ["A001C003_260314_K7QD.bin"]
    assert plan.joins is not None


def test_new_files_form_the_next_roll_on_a_later_day(desk: Desk) -> None:
    """The known ones stay with the roll that they came in with."""
    card = desk.card()
    desk.offload(desk.plan(card))
    desk.card(**{"A001C003_260315_K7QD.bin": b"new"})
    plan = desk.plan(card, LATER)
    assert (plan.roll, plan.camera, plan.day, plan.joins) == ("A002", "A", 2, None)
    assert set(plan.elsewhere) == set(A001)
    assert [file.path for file in plan.files] == ["A001C003_260315_K7QD.bin"]
    result = desk.offload(plan)
    assert result.verdict == "matched"
    assert os.listdir(result.drives[0].folder + "/..") == ["A002"]


def test_new_files_join_on_a_later_day_when_the_roll_is_named(desk: Desk) -> None:
    """A person may know better."""
    card = desk.card()
    desk.offload(desk.plan(card))
    desk.card(**{"A001C003_260315_K7QD.bin": b"new"})
    plan = desk.plan(card, LATER, roll="a001")
    assert (plan.roll, plan.day) == ("A001", 1)
    assert plan.joins is not None


def test_what_a_stopped_run_left_joins_its_roll_on_a_later_day(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same command goes on where it was, also the next morning: what was on the card then
    is no new roll."""
    files = {f"A001C{n:03}_260314_K7QD.bin": os.urandom(5_000_000) for n in range(1, 13)}
    card = desk.card(**files)
    stop = threading.Event()
    with monkeypatch.context() as stopping:
        stopping.setattr(os, "pwrite", stop_in_writing(stop, 14_000_000))
        stopped = desk.offload(desk.plan(card), stop=stop, memory=1)
    assert stopped.stopped
    assert stopped.verdict == "problem"
    plan = desk.plan(card, LATER)
    assert 0 < len(plan.known) < len(files)
    assert (plan.roll, plan.day) == ("A001", 1)
    result = desk.offload(plan)
    assert (result.verdict, result.drives[0].files_matched) == ("matched", 12)
    assert os.listdir(desk.place / "HERON" / "Kestrel Quay") == ["D01_2026-03-14"]


def test_a_card_formatted_and_shot_again_is_a_new_roll(desk: Desk) -> None:
    """Equal names, sizes and times, other content: none of the three makes a file the same."""
    card = desk.card()
    desk.offload(desk.plan(card))
    desk.card(**dict.fromkeys(A001, b"y" * 5000))
    plan = desk.plan(card)
    assert (plan.roll, plan.known) == ("A002", {})


def test_a_little_file_that_every_card_has_carries_no_roll_on(desk: Desk) -> None:
    """Cameras leave the same settings file on each card: it is copied again."""
    desk.offload(desk.plan(desk.card("a", **{"A001C001_x.bin": b"1" * 9000, "SET.BIN": b"set"})))
    plan = desk.plan(desk.card("b", **{"A002C001_x.bin": b"2" * 9000, "SET.BIN": b"set"}))
    assert (plan.roll, plan.known) == ("A002", {})
    assert len(plan.files) == 2


def test_another_production_knows_nothing_of_it(desk: Desk) -> None:
    """One card brought in for two clients is copied for both."""
    card = desk.card()
    desk.offload(desk.plan(card))
    plan = desk.plan(card, production="Other Tide")
    assert (plan.roll, plan.known, len(plan.files)) == ("A001", {}, 2)


def test_a_roll_name_with_other_content_is_refused(desk: Desk) -> None:
    """With the next free number in the remedy."""
    desk.offload(desk.plan(desk.card("a"), roll="A009"))
    with pytest.raises(BadDestination) as told:
        desk.plan(desk.card("b", x=b"other"), roll="A009")
    assert "--roll A010" in told.value.do


@pytest.mark.parametrize(
    ("rotational", "asked", "after", "said"),
    [
        (True, None, True, "says that it has moving heads"),
        (False, None, False, "says that it has no moving heads"),
        (None, None, False, "nothing tells"),
        (True, False, False, "as asked"),
        (None, True, True, "as asked"),
    ],
)
def test_reading_back_waits_where_heads_would_seek(
    desk: Desk,
    monkeypatch: pytest.MonkeyPatch,
    rotational: bool | None,
    asked: bool | None,
    after: bool,
    said: str,
) -> None:
    """By what the device says, and never more than it says; a person may choose."""
    real = drives.look_at
    monkeypatch.setattr(drives, "look_at", lambda path: replace(real(path), rotational=rotational))
    plan = desk.plan(desk.card(), read_back_after=asked)
    for drive in plan.drives:
        assert drive.read_back_after is after
        assert said in drive.why_after


# What is known ------------------------------------------------------------------------------------


def test_what_seems_known_is_read_again_and_told(desk: Desk) -> None:
    """With no run left unfinished, every byte; the counts end at the whole."""
    card = desk.card()
    desk.offload(desk.plan(card))
    events: list[Confirming] = []
    desk.plan(card, tell=events.append)
    assert events[-1] == Confirming(2, 10_000, 10_000)


def test_a_copy_that_went_missing_is_written_again(desk: Desk) -> None:
    """On the drive that lacks it; the other has nothing to do."""
    card = desk.card()
    result = desk.offload(desk.plan(card))
    os.unlink(f"{result.drives[1].folder}/{A001[0]}")
    plan = desk.plan(card)
    assert [drive.actions[A001[0]] for drive in plan.drives] == [Action.NOTHING, Action.WRITE]
    again = desk.offload(plan)
    assert [drive.files_matched for drive in again.drives] == [2, 2]
    assert Path(f"{result.drives[1].folder}/{A001[0]}").read_bytes() == b"x" * 5000


def test_a_copy_that_was_cut_is_set_aside_and_written_again(desk: Desk) -> None:
    """Never deleted: what is left of it stays under another name."""
    card = desk.card()
    result = desk.offload(desk.plan(card))
    place = Path(f"{result.drives[1].folder}/{A001[0]}")
    os.truncate(place, 100)
    plan = desk.plan(card)
    assert plan.drives[1].set_aside == (A001[0],)
    desk.offload(plan)
    assert place.read_bytes() == b"x" * 5000
    (aside,) = place.parent.glob("*.set-aside-*")
    assert aside.read_bytes() == b"x" * 100


def test_a_second_catalog_finds_the_copies_and_checks_them(desk: Desk, tmp_path: Path) -> None:
    """Another machine, no catalog: what lies there with equal samples is compared, not written."""
    card = desk.card()
    desk.offload(desk.plan(card))
    with Catalog.open(str(tmp_path / "other.sqlite3")) as other:
        second = Desk(desk.place, other, runs=50)
        plan = second.plan(card)
        assert [set(drive.actions.values()) for drive in plan.drives] == [{Action.CHECK}] * 2
        result = second.offload(plan)
    assert (result.verdict, result.drives[0].files_matched) == ("matched", 2)


def test_planning_writes_nothing(desk: Desk) -> None:
    """Neither to the drives nor to the catalog."""
    desk.plan(desk.card())
    assert not list((desk.place / "HERON").iterdir())
    assert not desk.catalog.rolls()
    assert not desk.catalog.drives()


def test_no_handle_is_left_open(desk: Desk) -> None:
    """Plan after plan, run after run."""
    card = desk.card()
    desk.offload(desk.plan(card))
    before = len(os.listdir("/proc/self/fd"))
    for _ in range(3):
        desk.offload(desk.plan(card))
    assert len(os.listdir("/proc/self/fd")) == before


# Another run meanwhile ----------------------------------------------------------------------------


def test_a_plan_that_another_run_has_carried_out_meanwhile_finds_everything_matched(
    desk: Desk,
) -> None:
    """Planned on two terminals, run one after the other: the second copies nothing, and is well."""
    card = desk.card()
    first, second = desk.plan(card), desk.plan(card)
    assert desk.offload(first).verdict == "matched"
    told: list[Event | Phase] = []
    result = desk.offload(second, told.append)
    assert (result.verdict, result.unfinished) == ("matched", False)
    assert result.plan.files == () and set(result.plan.known) == set(A001)
    assert [drive.files_matched for drive in result.drives] == [len(A001)] * 2
    assert told[0] is Phase.PLANNING_ANEW
    (roll,) = desk.catalog.rolls()
    assert len(desk.catalog.files([roll])) == len(A001)
    assert len(list((desk.place / "HERON").rglob("*.bin"))) == len(A001)


def test_a_plan_that_another_run_has_carried_out_in_part_does_the_rest(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The other was stopped in the middle."""
    files = {f"A001C{n:03}_260314_K7QD.bin": os.urandom(5_000_000) for n in range(1, 13)}
    card = desk.card(**files)
    first, second = desk.plan(card), desk.plan(card)
    stop = threading.Event()
    with monkeypatch.context() as stopping:
        stopping.setattr(os, "pwrite", stop_in_writing(stop, 14_000_000))
        assert desk.offload(first, stop=stop, memory=1).stopped
    result = desk.offload(second)
    assert (result.verdict, result.unfinished) == ("matched", False)
    assert 0 < len(result.plan.known) < len(files)
    assert [drive.files_matched for drive in result.drives] == [12, 12]


def test_a_plan_whose_roll_has_gone_to_another_card_meanwhile_is_not_changed_unseen(
    desk: Desk,
) -> None:
    """What somebody has confirmed is A001; it is told to run again, and takes the next number."""
    mine, other = desk.card("one"), desk.card("two", **dict.fromkeys(A001, b"y" * 5000))
    plan = desk.plan(mine)
    assert desk.offload(desk.plan(other)).verdict == "matched"
    with pytest.raises(Unfinished, match="filled A001 meanwhile"):
        desk.offload(plan)
    again = desk.plan(mine)
    assert again.roll == "A002"
    assert desk.offload(again).verdict == "matched"


def test_a_roll_that_is_carried_on_by_itself_is_not_planned_anew(desk: Desk) -> None:
    """What stood there when the plan was made is no news."""
    card = desk.card()
    assert desk.offload(desk.plan(card)).verdict == "matched"
    desk.card(**{"A001C003_260314_K7QD.bin": b"z" * 900})
    told: list[Event | Phase] = []
    assert desk.offload(desk.plan(card), told.append).verdict == "matched"
    assert Phase.PLANNING_ANEW not in told


# Stopped after the copying ------------------------------------------------------------------------


def test_stopped_while_the_card_is_read_again_it_counts_as_read_once(desk: Desk) -> None:
    """And the rest of it is not read."""
    stop = threading.Event()
    result = desk.offload(
        desk.plan(desk.card(), reread=True),
        lambda event: stop.set() if event is Phase.REREADING else None,
        stop,
    )
    assert result.stopped
    assert (result.card_read, result.hash_lists) == (1, ())
    again = desk.offload(desk.plan(desk.card()))
    assert (again.verdict, len(again.hash_lists)) == ("matched", 2)


def test_stopped_while_a_bad_spot_is_read_around_nothing_half_done_is_kept(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The next run of the same command reads around it again."""
    card = desk.card(**{A001[0]: b"x" * 5000, A001[1]: b"y" * 3_000_000})
    bad = (card / A001[1]).stat().st_ino
    real = os.preadv

    def preadv(fd: int, views: list[memoryview], offset: int) -> int:
        if os.fstat(fd).st_ino == bad and offset < 4096:
            if told and told[-1] is Phase.SALVAGING:
                stop.set()
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return real(fd, views, offset)

    monkeypatch.setattr(os, "preadv", preadv)
    stop, told = threading.Event(), list[Event | Phase]()

    def left() -> list[str]:
        return sorted(
            found.name
            for drive in ("HERON", "OTTER")
            for found in (desk.place / drive).rglob("*")
            if found.name.endswith((".damaged", ".unfinished"))
        )

    stopped = desk.offload(desk.plan(card), told.append, stop)
    assert stopped.stopped
    assert left() == []
    told.clear()
    desk.offload(desk.plan(card))
    assert left() == [f"{A001[1]}.damaged"] * 2
