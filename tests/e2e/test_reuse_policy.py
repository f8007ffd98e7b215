"""Reuse by the policy of ingest.toml and by what people wrote down, typed and read."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.conftest import Runner, Shoot
from tests.e2e.further import disks_apart, offloaded


@pytest.fixture
def place(tmp_path: Path, ingest: Runner, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Roll A003 on HERON and OTTER."""
    disks_apart(monkeypatch)
    offloaded(tmp_path, ingest)
    return tmp_path


def policy(place: Path, text: str) -> None:
    toml = place / "desk" / "ingest.toml"
    toml.write_text('production = "Saltmarsh"\ndays = ["2026-03-02"]\n[policy]\n' + text)


def reasons(ingest: Runner, place: Path, *words: str) -> list[str]:
    ran = ingest("reuse", place / "card", "--json", *words)
    document = ran.document
    assert ran.code == (3 if document["verdict"] == "hold" else 0)
    if document["verdict"] == "reuse":
        return []
    return [f"{one['why']} -> {one['do']}" for one in document["reasons"]]


def test_the_policy_is_asked_and_an_option_beats_it(place: Path, ingest: Runner) -> None:
    """Copies, age, a second read, off-site: from [policy], unless said otherwise."""
    assert reasons(ingest, place) == []
    policy(place, "copies = 3\n")
    assert "3 asked for" in reasons(ingest, place)[0]
    assert reasons(ingest, place, "--copies", "2") == []
    policy(place, "read_twice = true\n")
    assert "read once" in reasons(ingest, place)[0]
    assert reasons(ingest, place, "--read-once") == []
    assert reasons(ingest, place, "--reread") == []
    policy(place, "offsite = 1\n")
    assert "where HERON is was never said" in reasons(ingest, place)[0]
    assert reasons(ingest, place, "--offsite", "0") == []


def test_an_off_site_demand_is_met_by_an_audit_there(place: Path, ingest: Runner) -> None:
    """Sent, received, read: only then. In transit it counts for nothing off-site."""
    policy(place, 'offsite = 1\nwords = "One copy leaves the town."\n')
    ingest("drives", "set", "HERON", "--where", "bag 1", "--no-offsite")
    ingest("drives", "set", "OTTER", "--sent", "the vault", "--by", "Rui")
    assert any("in transit to the vault" in one for one in reasons(ingest, place))
    ingest("drives", "set", "OTTER", "--received", "--offsite")
    assert any("not read since it came" in one for one in reasons(ingest, place))
    assert ingest("audit", "OTTER", "--again").code == 0
    ran = ingest("reuse", place / "card")
    assert ran.code == 0
    assert "1 of them off-site" in ran.out
    assert "The contract says: One copy leaves the town." in ran.out


def test_a_place_in_ingest_toml_alone_meets_no_off_site_demand(place: Path, ingest: Runner) -> None:
    """The file says where the drive lives, not that it is there while it is being filled."""
    policy(place, 'offsite = 1\n[drive.OTTER]\nwhere = "the vault"\noffsite = true\n')
    assert any("was never written down" in one for one in reasons(ingest, place))
    ingest("drives", "set", "OTTER", "--where", "the vault")
    assert ingest("audit", "OTTER", "--again").code == 0
    assert reasons(ingest, place) == []


def test_a_lost_drives_copy_holds_the_card(place: Path, ingest: Runner) -> None:
    """Even while something that bears its marker is mounted; found and read again it counts."""
    ingest("drives", "set", "OTTER", "--lost")
    assert any("OTTER is lost" in one for one in reasons(ingest, place))
    ingest("drives", "set", "OTTER", "--received")
    assert any("not read since" in one for one in reasons(ingest, place))
    ingest("audit", "OTTER", "--again")
    assert reasons(ingest, place) == []


def test_a_hold_by_hand_and_a_date_hold_the_card(place: Path, ingest: Runner) -> None:
    """Each with its reason and what to do; taken off, the card is free."""
    ingest("rolls", "set", "A003", "--hold", "sync to be checked", "--until", "2999-01-01")
    first, second = reasons(ingest, place)
    assert "sync to be checked" in first
    assert "kept until 2999-01-01" in second
    ingest("rolls", "set", "A003", "--no-hold", "--until", "")
    assert reasons(ingest, place) == []
    policy(place, "hold_until = 2999-01-01\n")
    assert "the policy keeps every card until 2999-01-01" in reasons(ingest, place)[0]
    policy(place, "hold_until = 2001-01-01\n")
    assert reasons(ingest, place) == []


def test_clips_that_can_t_be_decoded_hold_until_somebody_viewed_them(
    shoot: Shoot, tmp_path: Path, ingest: Runner, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the policy asks. Whoever viewed the roll before more clips came in hasn't viewed
    those."""
    disks_apart(monkeypatch)
    card = tmp_path / "card"
    shutil.copytree(shoot.cards["DAY1/DRONE"], card)
    clip = next(card.rglob("*.MP4"))
    odd = clip.with_name("SKIM0900.MP4")
    odd.write_bytes(b"not a picture " * 9000)
    for name in ("HERON", "OTTER"):
        (tmp_path / name).mkdir()
    policy(tmp_path, "viewed = true\n")
    words = ("--day", "1", "--roll", "D001", "--to", tmp_path / "HERON", "--to", tmp_path / "OTTER")
    assert ingest("offload", card, *words).code == 3, "a clip that doesn't play is said at once"
    held = reasons(ingest, tmp_path)
    assert len(held) == 1
    assert "SKIM0900" in held[0] and "--viewed WHO" in held[0]
    ingest("rolls", "set", "D001", "--viewed", "Marta")
    assert reasons(ingest, tmp_path) == []
    odd.with_name("SKIM0901.MP4").write_bytes(b"nor is this " * 9000)
    assert ingest("offload", card, *words).code == 3
    again = reasons(ingest, tmp_path)
    assert len(again) == 1
    assert "SKIM0901" in again[0]
