"""The demo's cards and its log: every link against what the maker of the cards knows."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from pathlib import Path

    from tests.conftest import Runner, Shoot

CARDS = (
    ("DAY1/A001", "A001", 1, ("--camera", "A")),
    ("DAY1/B001", "B001", 1, ("--camera", "B")),
    ("DAY1/DRONE", "D001", 1, ("--camera", "D")),
    ("DAY1/SOUND", "S001", 1, ()),
    ("DAY1/STILLS", "P001", 1, ()),
)


@pytest.mark.long
def test_the_demos_cards_link_without_a_wrong_link_and_the_drones_by_its_clock_alone(
    ingest: Runner, shoot: Shoot, tmp_path: Path
) -> None:
    """The log names no clip of the drone, only the minute; nobody logged its second flight."""
    drive = tmp_path / "HERON"
    drive.mkdir()
    for key, roll, day, more in CARDS:
        words = ("--roll", roll, "--day", str(day), "--production", "Kestrel Quay", *more)
        ran = ingest(
            *("offload", shoot.cards[key], "--to", drive, "--system-disk-ok", "--json"), *words
        )
        assert ran.document["verdict"] == "matched"
    told = ingest("slate", "load", shoot.slate_log, "--production", "Kestrel Quay", "--json")
    links = told.document["links"]
    truth = {
        clip["clip"]: {(take["scene"], take["take"]) for take in clip["takes"]}
        for clip in shoot.truth["clips"]
    }
    assert links
    for link in links:
        assert (link["scene"], link["take"]) in truth[link["clip"]], link
    linked = {(link["clip"], link["scene"], link["take"]) for link in links}
    rolls = {roll for _, roll, _, _ in CARDS}
    due = {
        (clip, scene, take)
        for clip, takes in truth.items()
        for scene, take in takes
        if clip.split("/")[0] in rolls
    }
    assert linked == due
    (flight,) = (link for link in links if link["clip"].startswith("D001/"))
    assert flight["clip"] == "D001/SKIM0001"
    assert flight["sure"] == "likely"
    assert "camera D's clock, its offset worked out" in flight["basis"]
    assert "D001/SKIM0002" in told.document["clips_without_take"]
    (clock,) = (each for each in told.document["clocks"] if each["device"] == "D")
    # The log tells minutes, and the file's clock is told in UTC with no zone known here.
    seen = clock["slow_seconds"] % 3600
    assert min(seen, 3600 - seen) < 60
