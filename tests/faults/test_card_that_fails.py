"""A card with a bad spot, and a card that changes while it is being copied."""

from __future__ import annotations

import os
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from laboratory import breaking
from laboratory.failing import build
from laboratory.intake import Done, Intake, check_true, check_whole, fill_card, final_files, looks
from laboratory.loops import MIB, Drive, loop_drive, run
from laboratory.medium import extents

from ingest.copying.buffers import MEMORY

pytestmark = [pytest.mark.laboratory, pytest.mark.long]

SIZES = {
    **{f"CLIP/A{number:03}.BIN": 7 * MIB + number for number in range(8)},
    **{f"STILLS/S{number:04}.DAT": 30_000 + number for number in range(50)},
}

LONG = SIZES | {f"CLIP/B{number:03}.BIN": 7 * MIB + number for number in range(12)}
"""Far more than the memory that is read ahead: the last file can't have been read when the first
are being written."""


@pytest.fixture
def pair() -> Iterator[tuple[Drive, Drive]]:
    with loop_drive(192, name="a") as a, loop_drive(192, name="b") as b:
        yield a, b


def card_problems(done: Done) -> dict[str, str]:
    """What the document says of the card, by path."""
    return {one["path"]: one["state"] for one in done.document["problems"] if one["drive"] is None}


@pytest.mark.parametrize("name", ["A003.BIN", "S0010.DAT"], ids=["long", "small"])
def test_a_bad_spot_is_named_all_else_is_copied_and_reading_again_takes_just_that_file(
    name: str, pair: tuple[Drive, Drive], tmp_path: Path
) -> None:
    """One block of one file can't be read (the read call fails with EIO), until it can again."""
    content = fill_card(tmp_path / "card", SIZES)
    path = next(one for one in content if one.endswith(name))
    bad = 3 * MIB if name.startswith("A") else 8192
    library = build(tmp_path)
    intake = Intake(tmp_path / "card", pair, tmp_path / "catalog.db")
    broken = Intake(
        intake.card,
        pair,
        intake.catalog,
        environment={
            "LD_PRELOAD": str(library),
            "FAILING_UNREADABLE": f"{name}:{bad}:{bad + 4096}",
        },
    )
    done = broken.run()
    assert done.code in (3, 4), done
    assert card_problems(done) == {path: "unreadable"}, done
    check_true(content, pair, intake.catalog)
    check_whole(content, pair, intake.catalog, clean=False, lost={path})
    for drive in pair:
        kept = final_files(drive.mount)[f"{path}.damaged"].read_bytes()
        assert kept[:bad] == content[path][:bad]
        assert kept[bad : bad + 4096] == bytes(4096)
        assert kept[bad + 4096 :] == content[path][bad + 4096 :]
    assert not [look for look in looks(intake.catalog) if look.file == path]
    assert f"at {bad}+4096" in next(
        one["detail"] for one in done.document["problems"] if one["path"] == path
    ), done
    again = intake.run()
    assert again.code == 0, again
    check_whole(content, pair, intake.catalog)


def test_a_card_whose_end_has_died_gives_all_that_it_still_can(
    pair: tuple[Drive, Drive], tmp_path: Path
) -> None:
    """A real device that ends in the middle of its last file; then the card reads again."""
    with loop_drive(96, name="card", options="noatime") as card:
        content = fill_card(card.mount, SIZES)
        run("rmdir", card.mount / "lost+found")
        run("sync", "--file-system", card.mount)
        places = {path: extents(card.mount / path) for path in content if path.startswith("CLIP/")}
        path, on_device, length = max(
            ((one, at, length) for one in places for _, at, length in places[one]),
            key=lambda found: found[1],
        )
        cut = on_device + length // 2 // MIB * MIB
        whole = card.image.read_bytes()
        run("mount", "-o", "remount,ro", card.mount)
        with open(card.image, "r+b") as file:
            file.truncate(cut)
        run("losetup", "--set-capacity", card.device)
        intake = Intake(card.mount, pair, tmp_path / "catalog.db")
        done = intake.run()
        assert done.code in (3, 4), done
        lost = set(card_problems(done))
        assert path in lost, done
        assert all(state == "unreadable" for state in card_problems(done).values()), done
        check_true(content, pair, intake.catalog)
        check_whole(content, pair, intake.catalog, clean=False, lost=lost)
        readable = bytearray(len(content[path]))
        for in_file, on_device, length in places[path]:
            piece = slice(in_file, in_file + max(0, min(length, cut - on_device)))
            readable[piece] = content[path][piece]
        for drive in pair:
            kept = final_files(drive.mount)[f"{path}.damaged"].read_bytes()
            assert kept == readable, "not everything that could be read was kept"
        run("umount", card.mount)
        card.image.write_bytes(whole)
        run("losetup", "--set-capacity", card.device)
        run("mount", "-t", "ext4", card.device, card.mount)
        again = intake.run()
        assert again.code == 0, again
        check_whole(content, pair, intake.catalog)


# The card changes ---------------------------------------------------------------------------------


def grows(card: Path, last: str) -> None:
    with open(card / last, "ab") as file:
        file.write(b"one more take")


def vanishes(card: Path, last: str) -> None:
    os.unlink(card / last)


def is_written_over(card: Path, last: str) -> None:
    with open(card / last, "r+b") as file:
        file.seek(5000)
        file.write(b"\0another\0")


def appears(card: Path, last: str) -> None:
    (card / last).with_name("Z999.BIN").write_bytes(b"a take that was shot meanwhile")


def becomes_a_link(card: Path, last: str) -> None:
    os.rename(card / last, card / "elsewhere")
    os.symlink("/etc/hostname", card / last)


@pytest.mark.parametrize(
    ("change", "states"),
    [
        (grows, {"changed"}),
        (vanishes, {"changed", "vanished"}),
        (is_written_over, {"changed"}),
        (appears, {"appeared"}),
        (becomes_a_link, {"unreadable", "changed", "vanished"}),
    ],
)
def test_a_card_that_changes_while_it_is_copied_is_said_and_never_called_matched(
    change: Callable[[Path, str], None],
    states: set[str],
    pair: tuple[Drive, Drive],
    tmp_path: Path,
) -> None:
    """Somebody records on, or deletes, while the card is being copied: exit 3, the file named,
    every other file copied."""
    card = tmp_path / "card"
    content = fill_card(card, LONG)
    last = max(content)
    intake = Intake(card, pair, tmp_path / "catalog.db")
    process = intake.start()
    breaking.when(process, lambda: breaking.written(pair[0]) > 2 * MIB)
    os.kill(process.pid, signal.SIGSTOP)
    try:
        assert last not in final_files(pair[0].mount), "it was too quick to be caught"
        change(card, last)
    finally:
        os.kill(process.pid, signal.SIGCONT)
    done = intake.end(process)
    assert done.code == 3, done
    assert done.document["verdict"] == "problem", done
    changed = "STILLS/Z999.BIN" if change is appears else last
    told = card_problems(done)
    assert changed in told and told[changed] in states, done
    rest = {one: data for one, data in content.items() if one != changed}
    for drive in pair:
        files = final_files(drive.mount)
        assert set(rest) <= set(files)
        assert changed not in files
        for path in rest:
            assert files[path].read_bytes() == content[path]
    if change is not appears:
        wrong = [look for look in looks(intake.catalog) if look.file == last]
        assert not wrong, "there is evidence for a file that the card did not give"


def test_a_file_that_grows_is_in_after_the_next_run(
    pair: tuple[Drive, Drive], tmp_path: Path
) -> None:
    """The take that was still being recorded: the same command later brings it in whole."""
    card = tmp_path / "card"
    content = fill_card(card, LONG)
    last = max(content)
    intake = Intake(card, pair, tmp_path / "catalog.db")
    process = intake.start()
    breaking.when(process, lambda: breaking.written(pair[0]) > 2 * MIB)
    grows(card, last)
    done = intake.end(process)
    assert done.code == 3, done
    content[last] = (card / last).read_bytes()
    again = intake.run()
    assert again.code == 0, again
    check_whole(content, pair, intake.catalog)


def test_a_card_that_is_pulled_in_the_middle_is_said_and_gone_on_with(tmp_path: Path) -> None:
    """Its device gives nothing any more; put back, the same command copies the rest. It holds
    far more than the memory that is read ahead."""
    sizes = {f"CLIP/A{number:03}.BIN": 9 * MIB + number for number in range(28)}
    assert sum(sizes.values()) > 3 * MEMORY
    with (
        loop_drive(400, name="card", options="noatime") as card,
        loop_drive(400, name="a") as a,
        loop_drive(400, name="b") as b,
    ):
        pair = (a, b)
        content = fill_card(card.mount, sizes)
        run("rmdir", card.mount / "lost+found")
        run("sync", "--file-system", card.mount)
        run("mount", "-o", "remount,ro", card.mount)
        whole = card.image.read_bytes()
        intake = Intake(card.mount, pair, tmp_path / "catalog.db")
        process = intake.start()
        breaking.when(process, breaking.some_files(pair[0], 1))
        os.kill(process.pid, signal.SIGSTOP)
        with open(card.image, "r+b") as file:
            file.truncate(0)
        run("losetup", "--set-capacity", card.device)
        os.kill(process.pid, signal.SIGCONT)
        done = intake.end(process)
        assert done.code in (3, 4), done
        check_true(content, pair, intake.catalog)
        subprocess.run(["umount", card.mount], check=True)
        card.image.write_bytes(whole)
        run("losetup", "--set-capacity", card.device)
        time.sleep(0.1)
        run("mount", "-t", "ext4", card.device, card.mount)
        again = intake.run()
        assert again.code == 0, again
        check_whole(content, pair, intake.catalog)
