"""What a policy and a person's word ask of a card, beyond good copies: places, holds, viewing."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest

from ingest.assurance.reuse import (
    CardFound,
    CopyNow,
    DriveNow,
    FileNow,
    Hold,
    Known,
    Looked,
    Policy,
    Undecoded,
    Verdict,
    judge_card,
)
from ingest.assurance.state import CopyState
from ingest.catalog.custody_records import DrivePlace, Standing
from ingest.catalog.records import Drive, FileRecord, Look, Observer
from ingest.drives import Volume
from ingest.evidence import Act, Against, Route, State

NOW = datetime(2026, 3, 2, 20, 0, tzinfo=UTC)
INES = Observer("ines", "cart-1", "5b1c")
READ = 40
"""Id of the look at each copy."""


def drive(name: str, here: bool = True, **place: object) -> DriveNow:
    known = Drive(1, name, name, None, name, name, "ext4", f"/media/{name}", NOW, NOW)
    volume = Volume(
        root=f"/media/{name}",
        mount_point=f"/media/{name}",
        fs_type="ext4",
        source="/dev/x1",
        fs_uuid=None,
        disks=(name,),
        serial=name,
        device=name,
        mount="11",
        st_dev=7,
        total=1,
        free=1,
        read_only=False,
        system=False,
        rotational=None,
    )
    told = DrivePlace(known, **place)  # type: ignore[arg-type]
    return DriveNow(
        name,
        name,
        volume if here else None,
        place=told,
        where=told.where if told.standing is Standing.KEPT else None,
        offsite=told.offsite,
    )


def file(*drives: DriveNow) -> FileNow:
    look = Look(
        READ,
        1,
        "a0",
        Act.READ_BACK,
        State.MATCHED,
        Route.MEDIUM,
        Against.CARD,
        5,
        "md5",
        "m",
        "41",
        NOW,
        "",
        INES,
    )
    state = CopyState(
        State.MATCHED, Route.MEDIUM, Against.CARD, NOW - timedelta(hours=1), "read back", look
    )
    record = FileRecord(1, 1, 1, "C0001.MOV", 5, 5, "aa", {"md5": "m"})
    copies = tuple(
        CopyNow(each, "P/A003/C0001.MOV", state, Looked(None) if each.volume else None)
        for each in drives
    )
    return FileNow("C0001.MOV", 5, 5, "aa", candidates=(Known(record, "A003", copies),))


def judge(*drives: DriveNow, policy: Policy | None = None, **found: object) -> Verdict:
    card = CardFound("A003", NOW, (file(*drives),), **found)  # type: ignore[arg-type]
    return judge_card(card, policy or Policy())


def told(verdict: Verdict) -> str:
    assert verdict.verdict == "hold"
    assert all(reason.why and reason.do for reason in verdict.reasons)
    return " | ".join(f"{reason.why} -> {reason.do}" for reason in verdict.reasons)


HERON = drive("HERON", where="bag 1", offsite=False, arrived=1)
VAULT = drive("OTTER", where="the vault", offsite=True, arrived=READ - 1)
OFFSITE = Policy(offsite=1)


def test_a_copy_that_was_read_at_an_off_site_place_meets_the_demand() -> None:
    """Written down when it came there, read since, and still one of two good copies."""
    assert judge(HERON, VAULT, policy=OFFSITE).verdict == "reuse"


@pytest.mark.parametrize(
    ("other", "why", "do"),
    [
        (drive("OTTER"), "where OTTER is was never said", "--where PLACE --offsite"),
        (
            drive("OTTER", standing=Standing.SENT, sent_to="the vault", where="bag 2", arrived=1),
            "in transit to the vault",
            "--received",
        ),
        (
            drive("OTTER", where="the vault", arrived=1),
            "nothing says whether the vault",
            "offsite = true",
        ),
        (
            drive("OTTER", where="bag 2", offsite=False, arrived=1),
            "OTTER is at bag 2, which is not off-site",
            "--sent",
        ),
        (
            drive("OTTER", where="the vault", offsite=True),
            "when OTTER came to the vault was never written down",
            "--where PLACE",
        ),
        (
            drive("OTTER", where="the vault", offsite=True, arrived=READ),
            "not read since it came to the vault",
            "ingest audit",
        ),
    ],
)
def test_anything_less_than_read_there_holds(other: DriveNow, why: str, do: str) -> None:
    """Each with what to do; without the demand the same two copies are enough."""
    said = told(judge(HERON, other, policy=OFFSITE))
    assert why in said and do in said
    assert judge(HERON, other).verdict == "reuse"


def test_an_off_site_drive_that_is_not_here_counts_only_as_last_read() -> None:
    """The usual case: it is in the vault. Whoever asks says that this will do."""
    away = drive("OTTER", here=False, where="the vault", offsite=True, arrived=READ - 1)
    near = drive("STOAT", where="bag 2", offsite=False, arrived=1)
    said = told(judge(HERON, near, away, policy=OFFSITE))
    assert "OTTER is not mounted, and it is the off-site one -> " in said
    assert "--offline-ok" in said
    assert judge(HERON, near, away, policy=Policy(offsite=1, offline_ok=True)).verdict == "reuse"


@pytest.mark.parametrize("end", [Standing.DEAD, Standing.LOST])
def test_a_drive_that_is_gone_counts_for_no_copy(end: Standing) -> None:
    """Even when what looks like it is mounted."""
    assert str(end) in told(judge(HERON, drive("OTTER", standing=end)))


def test_a_drive_that_was_found_again_counts_once_it_was_read_since() -> None:
    """Evidence of before tells nothing of now."""
    back = drive("OTTER", counts_after=READ)
    assert "not read since" in told(judge(HERON, back))
    assert judge(HERON, drive("OTTER", counts_after=READ - 1)).verdict == "reuse"


def test_a_persons_hold_holds_with_its_reason() -> None:
    """Whatever the copies are; only for a roll that is on the card."""
    hold = Hold(1, "A003", "the client wants to see it", "ines")
    said = told(judge(HERON, VAULT, holds=(hold,)))
    assert "A003 is held by ines: the client wants to see it" in said
    assert "ingest rolls set A003 --no-hold" in said
    assert judge(HERON, VAULT, holds=(replace(hold, roll_id=2),)).verdict == "reuse"


@pytest.mark.parametrize(("today", "verdict"), [(31, "hold"), (30, "hold"), (1, "reuse")])
def test_a_date_holds_until_it_has_come(today: int, verdict: str) -> None:
    """By the production's own calendar day: until the first of June means free on that day."""
    day = date(2026, 6, 1) if today == 1 else date(2026, 5, today)
    kept = (Hold(1, "A003", until=date(2026, 6, 1)),)
    assert judge(HERON, VAULT, holds=kept, today=day).verdict == verdict
    until = Policy(hold_until=date(2026, 6, 1))
    assert judge(HERON, VAULT, policy=until, today=day).verdict == verdict


def test_a_clip_that_can_t_be_decoded_holds_only_where_the_policy_asks() -> None:
    """And only when it is on the card; viewed ones are not handed in."""
    clip = Undecoded(1, "A003/C0001", "C0001.MOV")
    said = told(judge(HERON, VAULT, policy=Policy(viewed=True), undecoded=(clip,)))
    assert "A003/C0001: can't be decoded here, and nobody has viewed it" in said
    assert "ingest rolls set A003 --viewed WHO" in said
    assert judge(HERON, VAULT, undecoded=(clip,)).verdict == "reuse"
    gone = replace(clip, path="C0009.MOV")
    assert judge(HERON, VAULT, policy=Policy(viewed=True), undecoded=(gone,)).verdict == "reuse"


def test_what_people_write_is_shown_safely() -> None:
    """A reason or a place can't move the cursor."""
    hold = Hold(1, "A\x1b[2J", "wait\nDo: format it", "in\x07es")
    said = told(judge(drive("H\n", where="bag\x1b"), VAULT, policy=OFFSITE, holds=(hold,)))
    assert said.isprintable()
