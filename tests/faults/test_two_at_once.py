"""Two offloads at the same time, to the same drives, through one catalog."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from laboratory import breaking
from laboratory.intake import (
    CardContent,
    Intake,
    check_true,
    check_whole,
    fill_card,
    leftovers,
    looks,
)
from laboratory.loops import MIB, Drive, loop_drive

pytestmark = [pytest.mark.laboratory, pytest.mark.long]

SIZES = {
    **{f"CLIP/A{number:03}.BIN": 6 * MIB + number for number in range(6)},
    **{f"STILLS/S{number:04}.DAT": 30_000 + number for number in range(60)},
}


@pytest.fixture
def pair() -> Iterator[tuple[Drive, Drive]]:
    with loop_drive(160, name="a") as a, loop_drive(160, name="b") as b:
        yield a, b


def card(
    tmp_path: Path, pair: tuple[Drive, Drive], name: str, seed: int
) -> tuple[Intake, CardContent]:
    """A card of the same names and sizes as every other here, with content of its own."""
    content = fill_card(tmp_path / name, SIZES, seed=seed)
    return Intake(tmp_path / name, pair, tmp_path / "catalog.db"), content


def check_roll(drive: Drive, roll: str, content: CardContent) -> None:
    """A roll's folder on a drive holds this card, whole."""
    (folder,) = drive.mount.glob(f"Salt/*/{roll}")
    there = {
        str(place.relative_to(folder)): place.read_bytes()
        for place in folder.rglob("*")
        if place.is_file() and place.parent.name != "ascmhl"
    }
    assert set(there) == set(content), f"{roll} on {drive}"
    assert all(there[path] == content[path] for path in content), f"{roll} on {drive}"


@pytest.mark.parametrize("known", [True, False], ids=["known drives", "new drives"])
def test_two_cards_to_the_same_drives_at_once_are_both_whole(
    known: bool, pair: tuple[Drive, Drive], tmp_path: Path
) -> None:
    """Same names, same sizes, other content: each in its own roll. On new drives one of the two
    may be told to come again, since both put their mark there at the same moment."""
    one, one_content = card(tmp_path, pair, "one", 1)
    two, two_content = card(tmp_path, pair, "two", 2)
    two.roll = "B001"
    if known:
        first, _ = card(tmp_path, pair, "zero", 3)
        first.roll = "Z001"
        assert first.run().code == 0
    processes = [one.start(), two.start()]
    done = [intake.end(process) for intake, process in zip((one, two), processes, strict=True)]
    if known:
        assert [each.code for each in done] == [0, 0], done
    assert all(each.code in (0, 2, 4) for each in done), done
    for intake, each in zip((one, two), done, strict=True):
        if each.code != 0:
            assert each.document["error"]["do"], each
            again = intake.run()
            assert again.code == 0, again
    for drive in pair:
        check_roll(drive, "A001", one_content)
        check_roll(drive, "B001", two_content)
        assert leftovers(drive.mount) == []
    matched = [look for look in looks(one.catalog) if look.state == "matched"]
    assert len(matched) >= 2 * 2 * len(SIZES)


def test_the_same_card_twice_at_once_is_refused_the_second_time_and_nothing_is_damaged(
    pair: tuple[Drive, Drive], tmp_path: Path
) -> None:
    """Somebody starts it on a second terminal while the first is at it."""
    first, content = card(tmp_path, pair, "one", 1)
    process = first.start()
    breaking.when(process, lambda: breaking.written(pair[0]) > 8 * MIB)
    second = first.run()
    done = first.end(process)
    assert done.code == 0, done
    assert second.code in (0, 2), second
    if second.code == 2:
        refused = second.document["error"]
        assert "another run" in refused["what"], second
        assert refused["do"], second
    else:
        # Let in when the first had ended: it finds everything there.
        assert second.document["verdict"] == "matched", second
    check_true(content, pair, first.catalog)
    check_whole(content, pair, first.catalog)
    again = first.run()
    assert again.code == 0, again
    check_whole(content, pair, first.catalog)


def test_the_same_card_started_twice_in_one_moment_is_copied_once_and_nothing_is_damaged(
    pair: tuple[Drive, Drive], tmp_path: Path
) -> None:
    """Both start together: whoever comes second is refused, or finds it done. On new drives it may
    be told to come again, since both put their mark there at the same moment."""
    first, content = card(tmp_path, pair, "one", 1)
    processes = [first.start(), first.start()]
    done = [first.end(process) for process in processes]
    for each in done:
        assert each.code == 0 or each.document["error"]["do"], each
    assert all(each.code in (0, 2, 4) for each in done), done
    check_true(content, pair, first.catalog)
    again = first.run()
    assert again.code == 0, again
    check_whole(content, pair, first.catalog)
