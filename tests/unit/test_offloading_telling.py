"""An offload's result in words, as a document and as an exit code. Pure: made by hand here."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, date, datetime

import pytest

from ingest.card.inventory import CardFile, Inventory, NotFollowed
from ingest.copying.plan import Stock
from ingest.copying.values import Action
from ingest.drives import CardSeen, Volume
from ingest.errors import ExitCode
from ingest.jobs.offloading.ending import ending_lines
from ingest.jobs.offloading.telling import (
    document,
    exit_code,
    plan_document,
    plan_lines,
)
from ingest.jobs.offloading.values import (
    DriveResult,
    Plan,
    PlannedDrive,
    Problem,
    Request,
    Result,
)
from ingest.names import from_bytes
from ingest.settings import Settings

HOSTILE = from_bytes(b"\x1b[2J\n\xff<b>")


def volume(name: str) -> Volume:
    return Volume(
        root=f"/media/{name}",
        mount_point=f"/media/{name}",
        fs_type="ext4",
        source=f"/dev/{name}1",
        fs_uuid=None,
        disks=(name,),
        serial=name,
        device=f"{name} (Model)",
        mount="7",
        st_dev=1,
        total=10**12,
        free=10**11,
        read_only=False,
        system=False,
        rotational=False,
    )


FILES = (CardFile("A/C0001.MOV", 1000, 1), CardFile("A/C0002.MOV", 500, 1))
PLAN = Plan(
    request=Request(
        "/media/A001", ("HERON", "OTTER"), datetime(2026, 3, 14, tzinfo=UTC), Settings()
    ),
    inventory=Inventory("/media/A001", FILES),
    card=CardSeen("A001", None, None, "sdc", "/media/A001"),
    card_volume=volume("A001"),
    production="Kestrel Quay",
    day=1,
    date=date(2026, 3, 14),
    roll="A001",
    camera="A",
    because="from the clip names",
    joins=None,
    files=FILES,
    known={},
    elsewhere={},
    lacking=(),
    older=(),
    kinds=("xxh128", "md5"),
    drives=tuple(
        PlannedDrive(
            name=name,
            volume=volume(name),
            folder="Kestrel Quay/A001",
            stock=Stock({}, {}),
            actions={file.path: Action.WRITE for file in FILES},
            set_aside=(),
            read_back_after=False,
            why_after="it says that it has no moving heads",
        )
        for name in ("HERON", "OTTER")
    ),
    copies=2,
    samples={},
)
GOOD = Result(
    plan=PLAN,
    card_read=1,
    seconds=2.5,
    drives=tuple(
        DriveResult(
            name=name,
            root=f"/media/{name}",
            folder=f"/media/{name}/Kestrel Quay/A001",
            device=name,
            files_matched=2,
            bytes=1500,
            problems=0,
            route="medium",
            stopped="",
            room_needed=0,
            room_free=0,
            seconds=2.0,
            slower="",
        )
        for name in ("HERON", "OTTER")
    ),
    problems=(),
    hash_lists=("/media/HERON/x.mhl", "/media/OTTER/x.mhl"),
    not_listed=(),
    clips=2,
    stopped=False,
    unfinished=False,
)  # fmt: skip


def problem(state: str, drive: str | None = "HERON") -> Problem:
    return Problem("A/C0001.MOV", drive, state, "why")


def last_words(lines: list[str]) -> list[str]:
    """What stands below the remarks."""
    return lines[len(lines) - lines[::-1].index("") :]


@pytest.mark.parametrize(
    ("changed", "code"),
    [
        ({}, 0),
        ({"problems": (problem("mismatch"),)}, 3),
        ({"problems": (problem("short"),)}, 3),
        ({"problems": (problem("unreadable", None),), "unfinished": True}, 3),
        ({"problems": (problem("changed", None),)}, 3),
        ({"problems": (problem("appeared", None),)}, 3),
        ({"problems": (problem("vanished", None),)}, 3),
        ({"problems": (problem("hash list"),)}, 3),
        ({"problems": (problem("unverified"),), "unfinished": True}, 4),
        ({"unfinished": True}, 4),
        ({"problems": (problem("unverified"), problem("mismatch")), "unfinished": True}, 3),
        ({"stopped": True}, 130),
        ({"stopped": True, "problems": (problem("mismatch"),), "unfinished": True}, 130),
        ({"plan": replace(PLAN, copies=1)}, 3),
        ({"plan": replace(PLAN, copies=1), "unfinished": True}, 4),
    ],
)
def test_the_exit_code_is_the_contracts(changed: dict[str, object], code: int) -> None:
    """0 all well; 3 the footage has a problem or a copy is owed; 4 not finished, 3 when both
    apply; 130 stopped."""
    assert exit_code(replace(GOOD, **changed)) == code  # type: ignore[arg-type]


def test_a_copy_owed_is_judged_by_what_is_wanted() -> None:
    """Two by default (common practice, no source); three when ingest.toml says so."""
    three = replace(PLAN, request=replace(PLAN.request, settings=Settings(copies=3)))
    assert exit_code(replace(GOOD, plan=three)) is ExitCode.FOOTAGE
    assert exit_code(replace(GOOD, plan=replace(three, copies=3))) is ExitCode.WELL


@pytest.mark.parametrize("changed", [{"stopped": True}, {"problems": (problem("short"),)}])
def test_the_verdict_is_matched_only_when_nothing_is_open(changed: dict[str, object]) -> None:
    """Of the two words that the contract knows."""
    assert GOOD.verdict == "matched"
    assert replace(GOOD, **changed).verdict == "problem"  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"stopped": True}, "A001: STOPPED."),
        ({"problems": (problem("mismatch"),)}, "A001: PROBLEM."),
        ({"unfinished": True, "problems": (problem("unverified"),)}, "A001: NOT FINISHED."),
        ({"unfinished": True}, "A001: NOT FINISHED."),
    ],
)
def test_what_is_not_all_well_never_lets_the_card_go(changed: dict[str, object], said: str) -> None:
    """The answer and the next step last, and no line that could be read as leave to take it out."""
    lines = ending_lines([replace(GOOD, **changed)])  # type: ignore[arg-type]
    verdict = last_words(lines)
    assert verdict[0].startswith(said)
    assert "Card still needed" in verdict[0]
    assert "do not format" in verdict[0]
    assert verdict[-1].startswith("Do: run the same command again")
    assert not any("You may take" in line or "MATCHED" in line for line in lines)


def test_all_well_says_what_was_compared_and_that_the_card_is_not_to_be_formatted() -> None:
    """Never more than was done: card read once or twice, from the medium or perhaps not."""
    lines = ending_lines([GOOD])
    verdict = "\n".join(last_words(lines))
    assert verdict.startswith("A001: MATCHED. 2 files")
    for said in ("2 drives", "read back", "once", "Do not format it", "eject"):
        assert said in verdict
    assert "from the medium" in "\n".join(lines)
    assert "twice" in "\n".join(ending_lines([replace(GOOD, card_read=2)]))
    weak = tuple(replace(drive, route="cache possible") for drive in GOOD.drives)
    text = "\n".join(ending_lines([replace(GOOD, drives=weak)]))
    assert "from the medium" not in text
    assert text.endswith("ingest audit.")


def test_the_verdict_stays_on_a_small_screen_however_much_there_is_to_remark() -> None:
    """Card by card the remarks, then every verdict: 24 rows hold the end, as on a laptop's cart.
    What is the same of several cards is said once."""
    remarks = tuple(f"NAME{number:03}.MOV" for number in range(20))
    owed = replace(PLAN, copies=1)
    cards = [
        replace(GOOD, plan=replace(owed, roll=roll), not_listed=remarks)
        for roll in ("A001", "B001", "S001", "P001")
    ]
    lines = ending_lines(cards)
    assert len(lines) > 80
    assert last_words(lines) == [
        "A001: MATCHED. 2 files, 1.5 kB, on each of 2 drives, read back and equal.",
        "B001: MATCHED. 2 files, 1.5 kB, on each of 2 drives, read back and equal.",
        "S001: MATCHED. 2 files, 1.5 kB, on each of 2 drives, read back and equal.",
        "P001: MATCHED. 2 files, 1.5 kB, on each of 2 drives, read back and equal.",
        "Each card was read once.",
        "You may take the cards out. Do not format any before `ingest reuse` says so.",
        "The drives are done: eject them before you pull them.",
        "These destinations count as 1 copy; 2 are wanted.",
        "Do: offload the card to another physical drive too.",
    ]


def test_a_card_that_is_still_needed_comes_last_and_keeps_the_drives() -> None:
    """Whatever the order on the command line: only the other card may be taken out, and nobody is
    told to eject a drive that the same command needs again."""
    bad = replace(GOOD, problems=(problem("short"),))
    good = replace(GOOD, plan=replace(PLAN, roll="B001"))
    assert last_words(ending_lines([bad, good])) == [
        "B001: MATCHED. 2 files, 1.5 kB, on each of 2 drives, read back and equal.",
        "B001: read once.",
        "You may take the card of B001 out. Do not format it before `ingest reuse` says so.",
        "A001: PROBLEM. Card still needed: do not format it.",
        "1 problem, named above.",
        "Do: run the same command again; it goes on where it was.",
    ]


def test_what_the_cards_own_list_disputes_is_for_another_reader_and_then_for_a_person() -> None:
    """Running the same command again would tell the same."""
    verdict = last_words(ending_lines([replace(GOOD, problems=(problem("disputed", None),))]))
    assert "another reader" in verdict[-1] and "--viewed WHO" in verdict[-1]


def test_a_problem_is_named_with_file_state_and_drive() -> None:
    """Twenty at most, and how many more there are."""
    text = "\n".join(ending_lines([replace(GOOD, problems=(problem("mismatch"),))]))
    assert "A/C0001.MOV: mismatch on HERON, why" in text
    text = "\n".join(ending_lines([replace(GOOD, problems=(problem("changed", None),))]))
    assert "A/C0001.MOV: changed (card), why" in text
    many = tuple(replace(problem("short"), path=f"{n}.MOV") for n in range(1020))
    text = "\n".join(ending_lines([replace(GOOD, problems=many)]))
    assert "  19.MOV: short" in text
    assert "  20.MOV: short" not in text
    assert "1,000 more" in text


@pytest.mark.parametrize(
    ("states", "said"),
    [
        (("changed", "unreadable"), "Do: try another reader or cable, then run the same command"),
        (("appeared",), "Do: see that nothing writes to the card, then run the same command"),
    ],
)
def test_a_problem_of_the_card_says_what_to_do_with_it(states: tuple[str, ...], said: str) -> None:
    """In the last line; the same word about a copy on a drive says nothing of the card."""
    of_the_card = tuple(problem(one, None) for one in states)
    assert ending_lines([replace(GOOD, problems=of_the_card)])[-1].startswith(said)
    of_a_drive = tuple(problem(one) for one in states)
    last = ending_lines([replace(GOOD, problems=of_a_drive)])[-1]
    assert last.startswith("Do: run the same command again")


def test_a_full_drive_says_how_much_room_is_lacking_for_all_that_is_left() -> None:
    """Two cards to one drive: what both still have to bring, less the room that there is once."""

    def on_full(needed: int) -> Result:
        heron = replace(
            GOOD.drives[0], stopped="it is full", room_needed=needed, room_free=1_000_000
        )
        drives = (heron, GOOD.drives[1])
        return replace(
            GOOD, drives=drives, unfinished=True, problems=(problem("unverified"),) * 400
        )

    other = on_full(2_000_000)
    other = replace(other, plan=replace(PLAN, roll="B001"))
    assert last_words(ending_lines([on_full(4_000_000), other])) == [
        "A001: NOT FINISHED. Card still needed: do not format it.",
        "400 problems, named above.",
        "B001: NOT FINISHED. Card still needed: do not format it.",
        "400 problems, named above.",
        "HERON stopped: it is full; 5 MB more room is needed.",
        "Do: make room on HERON, then run the same command again; it goes on where it was.",
    ]
    assert document(other)["drives"][0]["room_needed"] == 2_000_000


def test_a_stopped_drive_says_why_and_what_to_do() -> None:
    """And that the same command goes on."""
    full = (replace(GOOD.drives[0], stopped="it is full"), GOOD.drives[1])
    lines = ending_lines([replace(GOOD, drives=full, unfinished=True)])
    assert lines[-2] == "HERON stopped: it is full."
    assert "run the same command again" in lines[-1]


def test_hostile_names_are_harmless_in_every_output() -> None:
    """Roll, production, card, drive, paths, reasons: on the screen and in the document."""
    inventory = replace(PLAN.inventory, root=HOSTILE, not_followed=(NotFollowed(HOSTILE, "link"),))
    plan = replace(
        PLAN,
        inventory=inventory,
        production=HOSTILE,
        roll=HOSTILE,
        camera=HOSTILE,
        card=replace(PLAN.card, label=HOSTILE),
        card_volume=replace(PLAN.card_volume, root=HOSTILE),
        drives=tuple(
            replace(one, folder=HOSTILE, volume=replace(one.volume, root=HOSTILE, device=HOSTILE))
            for one in PLAN.drives
        ),
    )
    result = replace(
        GOOD,
        plan=plan,
        problems=(Problem(HOSTILE, HOSTILE, "mismatch", HOSTILE),),
        not_listed=(HOSTILE,),
        drives=tuple(
            replace(one, name=HOSTILE, folder=HOSTILE, stopped=HOSTILE) for one in GOOD.drives
        ),
    )
    for lines in (
        ending_lines([result]),
        plan_lines(plan),
        ending_lines([replace(result, stopped=True)]),
    ):
        for line in lines:
            assert line.isprintable()
            line.encode("utf-8")
    for told in (document(result), plan_document(plan)):
        text = json.dumps(told)
        assert text.isascii()
        assert json.loads(text)["roll"] == HOSTILE


def test_litter_links_and_older_files_are_counted_in_the_plan() -> None:
    """What is not copied is said before it starts."""
    inventory = replace(
        PLAN.inventory,
        litter=(CardFile(".DS_Store", 1, 1),),
        not_followed=(NotFollowed("link", "link"),),
    )
    plan = replace(PLAN, inventory=inventory, older=(CardFile("old", 1, 1),))
    text = "\n".join(plan_lines(plan))
    for said in ("1 of system litter", "1 links or special files not followed", "1 older"):
        assert said in text
    assert plan_document(plan)["left_out"] == 1
    assert document(replace(GOOD, plan=plan))["older"] == 1


def test_a_copy_owed_is_said_in_the_plan_and_at_the_end() -> None:
    """Before and after, so that nobody wipes a card on one copy."""
    owed = replace(PLAN, copies=1)
    assert any("count as 1, 2 are wanted" in line for line in plan_lines(owed))
    assert any(
        "count as 1 copy; 2 are wanted" in line for line in ending_lines([replace(GOOD, plan=owed)])
    )
    assert not any("wanted" in line for line in plan_lines(PLAN) + ending_lines([GOOD]))


def test_screens_fit_eighty_columns_where_the_names_allow() -> None:
    """A small window beside the editing."""
    for lines in (plan_lines(PLAN), ending_lines([GOOD]), plan_lines(replace(PLAN, copies=1))):
        for line in lines:
            assert len(line) <= 80, line
