"""`ingest mend`: what is damaged or missing is put back, and nothing is thrown away."""

from __future__ import annotations

import os
from contextlib import ExitStack
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from fixtures.damage import flip_bit
from ingest.catalog.catalog import Catalog
from ingest.catalog.records import NewLook, Observer
from ingest.copying import finishing
from ingest.evidence import Act, Against, Route, State
from tests.conftest import Runner
from tests.e2e.further import CLIPS, FOLDER, disks_apart, looks, offloaded, whole
from tests.faults.laboratory.loops import loop_drive


@pytest.fixture
def shelf(tmp_path: Path, ingest: Runner, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Card A003, offloaded to HERON and OTTER."""
    disks_apart(monkeypatch)
    offloaded(tmp_path, ingest)
    return tmp_path


def aside(place: Path, drive: str = "HERON") -> list[Path]:
    """Files that were set aside on the drive."""
    return sorted((place / drive).rglob("*.set-aside-*"))


def test_a_bit_flip_a_missing_and_a_short_copy_are_put_back(shelf: Path, ingest: Runner) -> None:
    """After an audit: each has its own evidence, the damaged are kept, the card is reusable."""
    heron = shelf / "HERON" / FOLDER
    flip_bit(heron / "CLIP/C0001.BIN")
    damaged = (heron / "CLIP/C0001.BIN").read_bytes()
    (heron / "CLIP/C0002.BIN").unlink()
    os.truncate(heron / "CLIP/C0003.BIN", 100)
    with open(heron / "note.txt", "ab") as file:
        file.write(b"more")
    assert ingest("audit", "HERON").code == 3
    assert ingest("reuse", shelf / "card").code == 3
    ran = ingest("mend", "HERON", "--json")
    assert ran.code == 0, ran.out
    told = ran.document
    assert (told["drive"], told["verdict"], told["problems"]) == ("HERON", "matched", [])
    assert {(one["path"], one["was"], one["from"]) for one in told["mended"]} == {
        (f"{FOLDER}/CLIP/C0001.BIN", "mismatch", "OTTER"),
        (f"{FOLDER}/CLIP/C0002.BIN", "missing", "OTTER"),
        (f"{FOLDER}/CLIP/C0003.BIN", "short", "OTTER"),
        (f"{FOLDER}/note.txt", "long", "OTTER"),
    }
    whole(shelf, "HERON", beside=3)
    kept = {file.name.partition(".set-aside-")[0]: file.read_bytes() for file in aside(shelf)}
    assert kept == {
        "C0001.BIN": damaged,
        "C0003.BIN": CLIPS["CLIP/C0003.BIN"][:100],
        "note.txt": b"smallmore",
    }
    run = looks(shelf, "HERON", "CLIP/C0001.BIN")[-1].run
    assert all(file.name.endswith(f".set-aside-{run[:8]}") for file in aside(shelf))
    *_, bad, written, read = looks(shelf, "HERON", "CLIP/C0001.BIN")
    assert (bad.state, written.act, read.act) == (State.MISMATCH, Act.WRITTEN, Act.READ_BACK)
    assert (read.state, read.against) == (State.MATCHED, Against.CATALOG)
    assert f"C0001.BIN.set-aside-{run[:8]}" in read.detail
    assert ingest("reuse", shelf / "card").code == 0
    assert ingest("audit", "HERON").code == 0
    assert ingest("mend", "HERON").out.startswith("HERON: NOTHING TO MEND.")


def test_the_hash_list_still_tells_the_truth(shelf: Path, ingest: Runner) -> None:
    """A mended copy is what the list on its drive says: no list is added."""
    flip_bit(shelf / "HERON" / FOLDER / "CLIP/C0001.BIN")
    ingest("audit", "HERON")
    before = sorted((shelf / "HERON").rglob("*.mhl"))
    assert ingest("mend", "HERON", "--json").document["hash_list"] == []
    assert sorted((shelf / "HERON").rglob("*.mhl")) == before
    assert not list((shelf / "HERON").rglob(".ingest-journal*"))


def test_on_the_screen_the_answer_comes_first(shelf: Path, ingest: Runner) -> None:
    """What was put back, from where, and where the damaged file is."""
    flip_bit(shelf / "HERON" / FOLDER / "CLIP/C0001.BIN")
    ingest("audit", "HERON")
    lines = ingest("mend", "HERON").out.splitlines()
    (kept,) = aside(shelf)
    assert lines == [
        "HERON: MENDED. 1 file put back, read back and equal to the first copy.",
        "  A003/CLIP/C0001.BIN: was mismatch, put back from OTTER",
        f"      what stood in its place is kept as {kept.name}",
    ]


def test_when_nothing_is_known_to_be_bad_then_it_says_audit_first(
    shelf: Path, ingest: Runner
) -> None:
    """It works on what is known: damage that nobody saw is not its business."""
    flip_bit(shelf / "HERON" / FOLDER / "CLIP/C0001.BIN")
    ran = ingest("mend", "HERON")
    assert ran.code == 0
    assert "ingest audit HERON" in ran.out
    assert ingest("mend", "HERON", "--json").document["verdict"] == "nothing"
    assert aside(shelf) == []


def test_when_the_source_is_bad_too_then_the_damaged_copy_stays_where_it_is(
    shelf: Path, ingest: Runner
) -> None:
    """Nothing is moved aside for a file that isn't proven; the new damage is recorded."""
    for drive in ("HERON", "OTTER"):
        flip_bit(shelf / drive / FOLDER / "CLIP/C0001.BIN")
    ingest("audit", "HERON")
    before = (shelf / "HERON" / FOLDER / "CLIP/C0001.BIN").read_bytes()
    ran = ingest("mend", "HERON")
    assert ran.code == 3
    assert ran.out.startswith("HERON: NOT ALL MENDED. 0 of 1 file put back")
    assert (shelf / "HERON" / FOLDER / "CLIP/C0001.BIN").read_bytes() == before
    assert aside(shelf) == []
    assert looks(shelf, "OTTER", "CLIP/C0001.BIN")[-1].state is State.MISMATCH


def test_when_the_other_copies_are_away_then_it_says_which_drive_to_plug_in(
    shelf: Path, ingest: Runner
) -> None:
    """Exit 3, since a copy is bad; the damaged one stays."""
    flip_bit(shelf / "HERON" / FOLDER / "CLIP/C0001.BIN")
    ingest("audit", "HERON")
    (shelf / "OTTER").rename(shelf / "away")
    ran = ingest("mend", "HERON")
    assert ran.code == 3
    assert "its other copies are on OTTER" in ran.out
    assert "Do: plug that drive in" in ran.out


def look(shelf: Path, path: str, **facts: Any) -> None:
    """One more look at HERON's copy, in another mount."""
    last = looks(shelf, "HERON", path)[-1]
    with Catalog.open(str(shelf / "catalog.sqlite3")) as catalog:
        drive = catalog.drive(name="HERON")
        assert drive is not None
        (copy,) = [
            one for one in catalog.copies(drive_id=drive.id) if one.path == f"{FOLDER}/{path}"
        ]
        new = NewLook(
            file_id=copy.file_id,
            drive_id=drive.id,
            path=copy.path,
            act=Act.AUDITED,
            state=State.MATCHED,
            route=Route.MEDIUM,
            against=Against.CATALOG,
            size=last.size,
            kind=last.kind,
            digest=last.digest,
            mount="another",
            at=datetime.now(UTC),
        )
        observer = Observer("Mira", "cart", "boot1")
        catalog.record_looks("b" * 16, observer, [replace(new, **facts)])


def test_a_drive_with_read_errors_is_not_mended(shelf: Path, ingest: Runner) -> None:
    """Refused before a byte is written, with what to do instead; good again, it is mended."""
    flip_bit(shelf / "HERON" / FOLDER / "CLIP/C0001.BIN")
    ingest("audit", "HERON")
    look(shelf, "note.txt", state=State.UNREADABLE, act=Act.LOOKED, kind=None, digest=None)
    ran = ingest("mend", "HERON")
    assert ran.code == 2
    assert "gave read errors" in ran.err
    assert "ingest copy --to NEW" in ran.err
    assert aside(shelf) == []


def test_a_doubtful_copy_is_left_to_an_audit_in_another_mount(shelf: Path, ingest: Runner) -> None:
    """Bad once and good since: nobody knows, so nothing is moved."""
    look(shelf, "note.txt", state=State.MISMATCH)
    look(shelf, "note.txt")
    ran = ingest("mend", "HERON")
    assert ran.code == 3
    assert "note.txt: doubtful" in ran.out
    assert "Do: unplug HERON, plug it in again, then ingest audit HERON" in ran.out
    whole(shelf, "HERON")


def test_a_run_cut_off_between_the_two_renames_is_gone_on_with(
    shelf: Path, ingest: Runner, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The damaged file is aside, the good one not there yet: the next run puts it there."""
    flip_bit(shelf / "HERON" / FOLDER / "CLIP/C0001.BIN")
    ingest("audit", "HERON")
    real = finishing.platforms.rename_new

    def rename_new(old: str, new: str, folder: int) -> bool:
        if new == "C0001.BIN":
            raise OSError(5, "Input/output error")
        return real(old, new, folder)

    with monkeypatch.context() as patch:
        patch.setattr(finishing.platforms, "rename_new", rename_new)
        ran = ingest("mend", "HERON")
    assert ran.code in (3, 4)
    assert not (shelf / "HERON" / FOLDER / "CLIP/C0001.BIN").exists()
    assert len(aside(shelf)) == 1
    assert ingest("mend", "HERON").code == 0
    whole(shelf, "HERON", beside=1)


def test_what_is_no_drive_to_mend_is_refused(shelf: Path, ingest: Runner) -> None:
    """Unknown, away, or named as its own source."""
    assert ingest("mend", "NOWHERE").code == 2
    assert ingest("mend", "HERON", "--from", "HERON").code == 2
    (shelf / "HERON").rename(shelf / "away")
    ran = ingest("mend", "HERON")
    assert ran.code == 2
    assert "not mounted" in ran.err


@pytest.mark.laboratory
def test_on_real_drives_a_mended_one_carries_the_card_to_reuse_again(
    tmp_path: Path, ingest: Runner
) -> None:
    """Three devices, one of them exFAT with its coarse times: copied on, damaged, mended, read
    back from the medium, and the card may be reused."""
    card = tmp_path / "card"
    card.mkdir()
    for path, data in CLIPS.items():
        (card / os.path.basename(path)).write_bytes(data)
        os.utime(card / os.path.basename(path), ns=(10**18, 10**18 + 123_456_789))
    with ExitStack() as stack:
        heron, otter, stoat = (
            stack.enter_context(loop_drive(64, fs, name=name))
            for name, fs in (("HERON", "ext4"), ("OTTER", "exfat"), ("STOAT", "ext4"))
        )
        words = ("--production", "Saltmarsh", "--day", "1", "--roll", "A003", "--to", heron)
        assert ingest("offload", card, *words, "--to", otter).code == 0
        assert ingest("copy", "--to", stoat, "--from", "OTTER").code == 0
        assert ingest("reuse", card).code == 0
        (file,) = heron.mount.rglob("C0001.BIN")
        flip_bit(file)
        assert ingest("audit", "HERON").code == 3
        assert ingest("reuse", card).code == 3
        assert ingest("mend", "HERON", "--from", "OTTER").code == 0
        assert file.read_bytes() == CLIPS["CLIP/C0001.BIN"]
        assert ingest("reuse", card).code == 0
