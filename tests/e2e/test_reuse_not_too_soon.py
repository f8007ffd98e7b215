"""A card that somebody would lose: `ingest reuse` and `ingest kit` hold it, each for its reason."""

from __future__ import annotations

import errno
import os
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from ingest.jobs.offloading import card_again
from tests.conftest import Ran, Runner
from tests.e2e.further import disks_apart, offloaded


@pytest.fixture
def place(tmp_path: Path, ingest: Runner, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Card A003 on HERON and OTTER."""
    disks_apart(monkeypatch)
    offloaded(tmp_path, ingest)
    return tmp_path


def other_card(place: Path, *names: str) -> Path:
    """Another card, with one clip of each name."""
    card = place / "other" / "card"
    card.mkdir(parents=True)
    for name in names:
        (card / name).write_bytes(name.encode() * 9000)
    return card


def held(ran: Ran) -> str:
    """Why a card is held."""
    assert (ran.code, ran.document["verdict"]) == (3, "hold")
    return " | ".join(reason["why"] for reason in ran.document["reasons"])


def packed(ingest: Runner, label: str) -> dict[str, Any]:
    """How the bag has a card."""
    kit = ingest("kit", "--production", "Saltmarsh", "--json").document
    cards = [*kit["other_cards"], *(card for one in kit["devices"] for card in one["cards"])]
    (card,) = [one for one in cards if one["card"] == label]
    assert isinstance(card, dict)
    return card


def test_a_hold_binds_the_card_though_it_came_in_for_another_production_too(
    place: Path, ingest: Runner
) -> None:
    """All of it is known as two rolls: a hold on either counts, with more on it than that too."""
    (place / "card" / "CLIP" / "C0004.BIN").write_bytes(b"fourth clip " * 70_000)
    to = ("--to", place / "HERON", "--to", place / "OTTER")
    words = ("--production", "Overleaf", "--day", "1", "--roll", "Z001", *to)
    assert ingest("offload", place / "card", *words).code == 0
    assert ingest("reuse", place / "card").code == 0
    assert packed(ingest, "card")["state"] == "ready"
    assert ingest("rolls", "set", "A003", "--hold", "sync to be checked").code == 0
    assert "A003 is held by" in held(ingest("reuse", place / "card", "--json"))
    assert packed(ingest, "card")["state"] == "hold"
    assert ingest("rolls", "set", "A003", "--no-hold").code == 0
    assert ingest("rolls", "set", "Z001", "--until", "2999-01-01").code == 0
    assert "the card of Z001 is kept until" in held(ingest("reuse", place / "card", "--json"))


def test_a_hold_on_another_productions_roll_of_the_same_name_is_none(
    place: Path, ingest: Runner
) -> None:
    """Rolls that share a little companion and their name are still two."""
    card = other_card(place, "C0101.BIN")
    shutil.copy2(place / "card" / "note.txt", card)
    to = ("--to", place / "HERON", "--to", place / "OTTER")
    words = ("--production", "Overleaf", "--day", "1", "--roll", "A003", *to)
    assert ingest("offload", card, *words).code == 0
    assert ingest("rolls", "set", "Overleaf/A003", "--hold", "theirs").code == 0
    assert ingest("reuse", place / "card").code == 0
    assert "A003 is held by" in held(ingest("reuse", card, "--json"))


def test_a_drive_whose_hardware_is_another_drive_now_counts_for_nothing(
    place: Path, ingest: Runner
) -> None:
    """HERON is formatted some day and used again: what was read on it then is gone."""
    shutil.rmtree(place / "HERON")
    (place / "HERON").mkdir()
    assert ingest("reuse", place / "card", "--offline-ok").code == 0  # nothing tells yet
    with closing(sqlite3.connect(place / "catalog.sqlite3")) as base:
        base.execute("UPDATE drive SET last_seen = '2026-03-02T20:00:00.000000+00:00'")
        base.commit()
    words = ("--roll", "A004", "--card", "green", "--to", place / "HERON", "--to", place / "OTTER")
    assert ingest("offload", other_card(place, "C0101.BIN"), *words).code == 0
    why = held(ingest("reuse", place / "card", "--offline-ok", "--json"))
    assert "HERON: its hardware came in as another drive since" in why
    assert "A003: one copy" in ingest("rolls").out
    assert packed(ingest, "card")["state"] == "hold"


def test_a_file_whose_second_read_failed_was_read_once(
    place: Path, ingest: Runner, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Twice is asked for, and the reader failed at one file the second time."""
    real = card_again.read_cold

    def failing(root: int, path: str, *more: Any) -> Any:
        if path == "C0101.BIN":
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return real(root, path, *more)

    monkeypatch.setattr(card_again, "read_cold", failing)
    with (place / "desk" / "ingest.toml").open("a") as settings:
        settings.write("[policy]\nread_twice = true\n")
    card = other_card(place, "C0101.BIN", "C0102.BIN")
    to = ("--to", place / "HERON", "--to", place / "OTTER")
    ran = ingest("offload", card, "--reread", "--roll", "A004", "--card", "green", *to)
    assert ran.code == 3
    why = held(ingest("reuse", card, "--json"))
    assert why == "C0101.BIN: the card was read once, and twice is asked for"
    assert ingest("reuse", card, "--reread").code == 0
    assert ingest("reuse", card).code == 0


def test_a_copy_that_is_what_is_named_as_the_card_does_not_count(
    place: Path, ingest: Runner
) -> None:
    """The roll's own folder on a drive, named in place of the card, its hash lists taken away."""
    to = ("--to", place / "HERON", "--to", place / "OTTER")
    words = ("--day", "1", "--roll", "card", "--card", "green", *to)
    assert ingest("offload", other_card(place, "C0101.BIN"), *words).code == 0
    copy = place / "HERON" / "Saltmarsh" / "D01_2026-03-02" / "card"
    shutil.rmtree(copy / "ascmhl")
    why = held(ingest("reuse", copy, "--json"))
    assert "the copy on HERON lies in the folder that is judged as the card" in why


def test_what_is_known_from_hash_lists_alone_is_not_called_other_content(
    place: Path, ingest: Runner
) -> None:
    """The catalog is lost and rebuilt, the drives are audited: the card was read by no run that is
    known. Offloaded again, it may go."""
    (place / "catalog.sqlite3").unlink()
    assert ingest("rebuild", place / "HERON", place / "OTTER").code == 0
    assert ingest("audit", "HERON", "OTTER").code == 0
    for words in ((), ("--reread",)):
        why = held(ingest("reuse", place / "card", *words, "--json"))
        assert "known as A003 from hash lists alone" in why
        assert "other content" not in why
    clip = place / "card" / "CLIP" / "C0001.BIN"
    clip.write_bytes(clip.read_bytes()[::-1])
    why = held(ingest("reuse", place / "card", "--reread", "--json"))
    assert "C0001.BIN: has the name and size of a file copied as A003, but other content" in why
    to = ("--to", place / "HERON", "--to", place / "OTTER")
    assert ingest("offload", place / "card", *to).code == 0
    assert ingest("reuse", place / "card").code == 0
