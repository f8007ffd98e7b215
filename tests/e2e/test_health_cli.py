"""Clips that don't play: found while they come in, said at the end, and a reason to hold."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from ingest import drives as looking
from ingest.jobs import known, reuse
from tests.conftest import Ran, Runner

pytestmark = pytest.mark.usefixtures("drives_apart")

ROLL = "B001"


@pytest.fixture
def drives_apart(monkeypatch: pytest.MonkeyPatch) -> None:
    """HERON and OTTER look like devices of their own; the card stays a folder on the system's disk,
    or the whole of that would be judged."""
    real = looking.look_at

    def look_at(path: str) -> looking.Volume:
        seen = real(path)
        name = os.path.basename(seen.root)
        if name not in ("HERON", "OTTER"):
            return seen
        return replace(seen, disks=(f"disk-{name}",), serial=f"serial-{name}", system=False)

    for module in (looking, known, reuse):
        if hasattr(module, "look_at"):
            monkeypatch.setattr(module, "look_at", look_at)


def cut_by_a_dead_battery(card: Path) -> Path:
    """The index of such a file is written when the recording is closed (ISO/IEC 14496-12 moov)."""
    (clip,) = card.rglob("C0004.MP4")
    whole = clip.read_bytes()
    index = whole.index(b"moov") - 4
    clip.write_bytes(whole[: index * 9 // 10])
    return clip


def offload(ingest: Runner, card: Path, drives: tuple[Path, Path], *more: str) -> Ran:
    words = ["offload", str(card), "--production", "P", "--day", "1", "--roll", ROLL]
    for drive in drives:
        words += ["--to", str(drive)]
    return ingest(*words, "--camera", "B", *more)


def health_of(document: dict[str, object]) -> dict[str, dict[str, object]]:
    every = document["health"]
    assert isinstance(every, list)
    return {one["clip"]: one for one in every}


def test_a_clip_cut_by_a_dead_battery_is_said_and_holds_its_card_until_someone_viewed_it(
    ingest: Runner, card: Callable[[str], Path], drives: tuple[Path, Path]
) -> None:
    """Its copies are bit for bit the card's; the card may still mend it, so it is kept."""
    place = card("DAY1/B001")
    cut_by_a_dead_battery(place)
    ran = offload(ingest, place, drives, "--json")
    assert ran.code == 3
    assert ran.document["verdict"] == "matched"
    health = health_of(ran.document)
    assert health["B001/C0004"]["state"] == "broken"
    assert health["B001/C0003"]["state"] == "healthy"
    named = ingest("rolls", "--roll", ROLL)
    assert "BROKEN B001/C0004" in named.out
    assert health_of(ingest("rolls", "--json").document["rolls"][0])["B001/C0004"]["state"] == (
        "broken"
    )
    evening = ingest("wrap", "--production", "P", "--day", "1")
    assert "nothing of it could be decoded" in " ".join(evening.out.split())
    told = ingest("reuse", place)
    assert told.code == 3
    flat = " ".join(told.out.split())
    assert "B001/C0004: is broken, and nobody has viewed it (It has no index" in flat
    assert ingest("rolls", "set", ROLL, "--viewed", "Ines").code == 0
    assert ingest("reuse", place).code == 0


@pytest.mark.parametrize("word", ["viewed", "settled"])
def test_a_broken_clip_of_another_day_is_open_until_somebody_viewed_or_settled_it(
    ingest: Runner, desk: Path, card: Callable[[str], Path], drives: tuple[Path, Path], word: str
) -> None:
    """Where things stand on a day on which nothing came in; its copies are all good."""
    (desk / "ingest.toml").write_text('production = "P"\ndays = ["2026-03-14"]\n')
    place = card("DAY1/B001")
    cut_by_a_dead_battery(place)
    assert offload(ingest, place, drives).code == 3
    (found,) = ingest("--json").document["open"]
    assert found["kind"] == "broken"
    assert found["what"] == "B001: 1 clip is broken (B001/C0004)"
    assert "ingest rolls set B001 --viewed WHO" in found["do"]
    if word == "viewed":
        ingest("rolls", "set", ROLL, "--viewed", "Ines")
    else:
        ingest("wrap", "--day", "1", "--settle", "B001/C0004", "--note", "take 2 is the one")
    assert ingest("--json").document["open"] == []


def test_the_end_of_an_offload_names_the_broken_clip_and_what_to_do(
    ingest: Runner, card: Callable[[str], Path], drives: tuple[Path, Path]
) -> None:
    """Broken ones, those to look at, and those that nobody decoded."""
    place = card("DAY1/B001")
    cut_by_a_dead_battery(place)
    ran = offload(ingest, place, drives)
    assert "BROKEN B001/C0004" in ran.out
    assert "a dead battery" in ran.out
    assert "--viewed WHO" in ran.out


def test_a_clip_whose_middle_is_damaged_is_found_by_a_deep_audit_only(
    ingest: Runner, card: Callable[[str], Path], drives: tuple[Path, Path]
) -> None:
    """What a quick look does not see is pinned down; a deep one names it, and it holds."""
    place = card("DAY1/A001")
    clip = max(place.rglob("*C006*.mov"), key=lambda each: each.stat().st_size)
    content = bytearray(clip.read_bytes())
    third = len(content) * 33 // 100
    content[third : third + 40] = bytes(40)
    clip.write_bytes(content)
    words = ["offload", str(place), "--production", "P", "--day", "1", "--roll", "A001"]
    for drive in drives:
        words += ["--to", str(drive)]
    ran = ingest(*words, "--json")
    assert ran.code == 0
    (name,) = (clip for clip in health_of(ran.document) if "C006" in clip)
    assert health_of(ran.document)[name]["state"] == "healthy"
    deep = ingest("audit", "--deep", "--json")
    assert deep.code == 3
    found = health_of(deep.document)
    assert found[name]["state"] == "broken"
    assert found[name]["depth"] == "deep"
    assert [each for each, one in found.items() if one["state"] == "broken"] == [name]
    assert ingest("reuse", place).code == 3
    shown = ingest("find", "--json", name.rpartition("/")[2])
    assert shown.document["clips"][0]["health"]["state"] == "broken"


def test_a_date_far_from_the_shoot_day_is_said_where_the_days_are_known(
    ingest: Runner, desk: Path, card: Callable[[str], Path], drives: tuple[Path, Path]
) -> None:
    """No reason to hold, and no alarm where only the day of coming in is known."""
    (desk / "ingest.toml").write_text('production = "P"\ndays = ["2026-05-01"]\n')
    ran = offload(ingest, card("DAY1/B001"), drives, "--json")
    assert ran.code == 0
    (finding,) = health_of(ran.document)["B001/C0001"]["findings"]
    assert finding["kind"] == "date"
    assert "2026-03-14" in finding["words"]


def test_an_offload_with_deep_decodes_every_frame_of_every_clip(
    ingest: Runner, card: Callable[[str], Path], drives: tuple[Path, Path]
) -> None:
    """As many frames as the clip says, stills too."""
    place = card("DAY1/STILLS")
    clip = card("DAY1/DRONE")
    shutil.copytree(clip, place / "DRONE")
    words = ["offload", str(place), "--production", "P", "--day", "1", "--roll", "P001", "--deep"]
    for drive in drives:
        words += ["--to", str(drive)]
    ran = ingest(*words, "--json")
    assert ran.code == 0
    health = health_of(ran.document)
    assert {one["depth"] for one in health.values()} == {"deep"}
    assert {one["state"] for one in health.values()} == {"healthy"}
    assert all(one["frames"] for one in health.values())
