"""`ingest reuse`, from the command line to the card and the drives."""

from __future__ import annotations

import errno
import json
import os
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from ingest import checksums
from ingest.catalog.catalog import Catalog
from ingest.catalog.records import (
    CardSeen,
    Drive,
    NewFile,
    NewLook,
    NewOffload,
    Observer,
    OffloadEnd,
)
from ingest.cli.main import run
from ingest.copying.reading import open_root, sample
from ingest.copying.samples import pieces
from ingest.drives import look_at, mark
from ingest.evidence import Act, Against, Route, State
from ingest.jobs import around
from ingest.jobs.around import Around

FOLDER = "Saltmarsh/D01_2026-03-02/A003"
CLIPS = {"C0001.MOV": bytes(range(251)) * 4000, "SUB/C0002.MOV": b"second clip " * 3000, "E": b""}
MIRA = Observer("Mira", "cart", "boot1")


@dataclass
class Shelf:
    """A card, two folders that stand in for drives, and a catalog that knows of them."""

    place: Path
    drives: dict[str, Drive]

    @property
    def card(self) -> Path:
        return self.place / "card"

    def root(self, drive: str = "HERON") -> Path:
        return self.place / drive

    def copy(self, name: str = "C0001.MOV", drive: str = "HERON") -> Path:
        return self.root(drive) / FOLDER / name

    def reuse(self, *words: str) -> int:
        return self.run("reuse", str(self.card), *words)

    def run(self, *words: str) -> int:
        return run([*words, "--catalog", str(self.place / "catalog.sqlite3")])


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    """Roll A003, written to both drives and read back."""
    drives = {}
    with Catalog.open(str(tmp_path / "catalog.sqlite3")) as catalog:
        for name in ("card", "HERON", "OTTER"):
            root = tmp_path / name
            folder = "" if name == "card" else FOLDER
            for path, data in CLIPS.items():
                file = root / folder / path
                file.parent.mkdir(parents=True, exist_ok=True)
                file.write_bytes(data)
                os.utime(file, ns=(1_772_452_800 * 10**9, 1_772_452_800 * 10**9))
            if folder:
                drives[name] = catalog.see_drive(mark(str(root), name))
        _record(catalog, drives)
    return Shelf(tmp_path, drives)


def _record(catalog: Catalog, drives: dict[str, Drive]) -> None:
    now = datetime.now(UTC)
    offload = catalog.begin_offload(
        NewOffload(
            run="0" * 16,
            production="Saltmarsh",
            roll="A003",
            day=1,
            date="2026-03-02",
            camera="A",
            card=CardSeen("A003", None, None, "sdx", "/media/card"),
            observer=MIRA,
            started=now,
        )
    )
    files, looks = [], []
    root = drives["HERON"].root
    volume = look_at(root)
    handle = open_root(root)
    for path, data in CLIPS.items():
        digests = {}
        for kind in checksums.DEFAULT_KINDS:
            checksum = checksums.new(kind)
            checksum.update(data)
            digests[kind] = checksum.hexdigest()
        samples = sample(handle, f"{FOLDER}/{path}", volume)
        files.append(NewFile(path, len(data), 1_772_452_800 * 10**9, samples, digests))
        for drive in drives.values():
            for act in (Act.WRITTEN, Act.READ_BACK):
                good = act is Act.READ_BACK
                looks.append(
                    (
                        path,
                        NewLook(
                            file_id=0,
                            drive_id=drive.id,
                            path=f"{FOLDER}/{path}",
                            act=act,
                            state=State.MATCHED if good else State.UNVERIFIED,
                            route=Route.MEDIUM if good else None,
                            against=Against.CARD if good else Against.NOTHING,
                            size=len(data),
                            kind="xxh128" if good else None,
                            digest=digests["xxh128"] if good else None,
                            mount="mount1",
                            at=now,
                        ),
                    )
                )
    os.close(handle)
    catalog.record_copied(offload, files, looks)
    catalog.end_offload(offload, OffloadEnd(now, "matched", 1, 1.0, 1, 3, 0, 0, ()))


def answer(capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    document = json.loads(capsys.readouterr().out)
    assert isinstance(document, dict)
    return document


@pytest.fixture
def separate(monkeypatch: pytest.MonkeyPatch) -> None:
    """As if each drive were a disk of its own."""
    monkeypatch.setattr("ingest.assurance.devices.same_device", lambda one, other: one == other)


def reasons(document: dict[str, Any]) -> str:
    assert all(reason["why"] and reason["do"] for reason in document["reasons"])
    return " | ".join(f"{reason['why']} -> {reason['do']}" for reason in document["reasons"])


def test_when_two_folders_of_one_disk_then_hold(
    shelf: Shelf, capsys: pytest.CaptureFixture[str]
) -> None:
    """Two folders on one disk are one copy, however good."""
    assert shelf.reuse("--json") == 3
    document = answer(capsys)
    assert (document["card"], document["verdict"]) == ("A003", "hold")
    assert "separate" in reasons(document)


@pytest.mark.usefixtures("separate")
def test_when_all_is_proven_then_it_may_be_reused(
    shelf: Shelf, capsys: pytest.CaptureFixture[str]
) -> None:
    """The document of the interface, and the first line and cautions on the screen."""
    before = snapshot(shelf.place)
    assert shelf.reuse("--json") == 0
    document = answer(capsys)
    assert (document["card"], document["rolls"], document["verdict"]) == (
        "A003",
        ["A003"],
        "reuse",
    )
    assert sorted(file["path"] for file in document["files"]) == sorted(CLIPS)
    for file in document["files"]:
        assert [(copy["drive"], copy["state"]) for copy in file["copies"]] == [
            ("HERON", "matched"),
            ("OTTER", "matched"),
        ]
        assert all(datetime.fromisoformat(copy["at"]).tzinfo for copy in file["copies"])
    assert shelf.reuse() == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].startswith("A003: MAY BE REUSED ")
    assert any("in the camera it goes into, never in the computer" in line for line in lines)
    assert any("say no" in line for line in lines)
    assert snapshot(shelf.place) == before, "it must not touch the card or a drive"


def snapshot(place: Path) -> dict[str, tuple[int, int]]:
    """Every file and folder of card and drives, with size and time."""
    return {
        str(path): (path.lstat().st_size, path.lstat().st_mtime_ns)
        for top in ("card", "HERON", "OTTER")
        for path in sorted((place / top).rglob("*"))
    }


@pytest.mark.usefixtures("separate")
def test_when_a_clip_was_never_copied_then_hold(
    shelf: Shelf, capsys: pytest.CaptureFixture[str]
) -> None:
    """One new clip, with a hostile name, holds the card."""
    (shelf.card / "C0003\n\x1b[2J.MOV").write_bytes(b"new")
    assert shelf.reuse() == 3
    out = capsys.readouterr().out
    assert out.startswith("A003: HOLD, DO NOT FORMAT ")
    assert "C0003\\n\\x1b[2J.MOV: never copied" in out
    assert "\x1b" not in out


@pytest.mark.usefixtures("separate")
def test_when_reformatted_with_equal_names_sizes_and_times_then_hold(
    shelf: Shelf, capsys: pytest.CaptureFixture[str]
) -> None:
    """Counters, sizes and clocks repeat after a format: content decides."""
    file = shelf.card / "C0001.MOV"
    info = file.stat()
    file.write_bytes(file.read_bytes()[::-1])
    os.utime(file, ns=(info.st_atime_ns, info.st_mtime_ns))
    assert shelf.reuse("--json") == 3
    assert "other content" in reasons(answer(capsys))


@pytest.mark.usefixtures("separate")
def test_when_one_byte_between_the_samples_changed_then_only_reread_sees_it(
    shelf: Shelf, capsys: pytest.CaptureFixture[str]
) -> None:
    """What samples can't see is part of the promise, and so is what --reread sees."""
    file = shelf.card / "C0001.MOV"
    info = file.stat()
    data = bytearray(file.read_bytes())
    place = _between_samples(len(data))
    data[place] ^= 1
    file.write_bytes(data)
    os.utime(file, ns=(info.st_atime_ns, info.st_mtime_ns))
    assert shelf.reuse() == 0
    capsys.readouterr()
    assert shelf.reuse("--reread", "--json") == 3
    assert "other content" in reasons(answer(capsys))


def _between_samples(size: int) -> int:
    """A place in a file of this size that no sample covers."""
    ends = [start + length for start, length in pieces(size)]
    starts = [start for start, _ in pieces(size)]
    return next(end for end, start in zip(ends, starts[1:], strict=False) if start > end)


@pytest.mark.usefixtures("separate")
def test_when_a_copy_is_gone_then_hold_and_bad_news_stands(
    shelf: Shelf, capsys: pytest.CaptureFixture[str]
) -> None:
    """What is seen now goes before old evidence, is recorded, and does not go away by itself."""
    aside = shelf.place / "aside"
    shelf.copy().rename(aside)
    assert shelf.reuse("--json") == 3
    assert "the copy on HERON is missing" in reasons(answer(capsys))
    aside.rename(shelf.copy())
    assert shelf.reuse("--json") == 3
    assert "the copy on HERON is missing" in reasons(answer(capsys))
    assert shelf.run("audit", "HERON") == 3
    capsys.readouterr()
    assert shelf.reuse("--json") == 3
    assert "found bad once" in reasons(answer(capsys))


@pytest.mark.usefixtures("separate")
def test_when_an_audit_found_damage_then_hold(
    shelf: Shelf, capsys: pytest.CaptureFixture[str]
) -> None:
    """Rot between the samples: the audit sees it, and the card is held."""
    file = shelf.copy()
    data = bytearray(file.read_bytes())
    info = file.stat()
    place = _between_samples(len(data))
    data[place] ^= 1
    file.write_bytes(data)
    os.utime(file, ns=(info.st_atime_ns, info.st_mtime_ns))
    assert shelf.reuse() == 0
    assert shelf.run("audit") == 3
    capsys.readouterr()
    assert shelf.reuse("--json") == 3
    assert "the copy on HERON is mismatch" in reasons(answer(capsys))


@pytest.mark.usefixtures("separate")
def test_when_a_drive_is_away_then_hold(shelf: Shelf, capsys: pytest.CaptureFixture[str]) -> None:
    """Only drives that are here count; what to plug in is said."""
    shelf.root("OTTER").rename(shelf.place / "away")
    assert shelf.reuse("--json") == 3
    assert "OTTER is not mounted -> plug" in reasons(answer(capsys))


@pytest.mark.usefixtures("separate")
def test_litter_links_and_what_disappeared_are_no_reason(
    shelf: Shelf, capsys: pytest.CaptureFixture[str]
) -> None:
    """System litter is not footage, a link holds none, and what is gone can't be lost again."""
    (shelf.card / ".DS_Store").write_bytes(b"view")
    (shelf.card / "link").symlink_to("C0001.MOV")
    (shelf.card / "SUB" / "C0002.MOV").unlink()
    assert shelf.reuse("--json") == 0
    document = answer(capsys)
    assert document["litter"] == 1
    assert document["not_followed"] == [{"path": "link", "kind": "link"}]
    assert len(document["files"]) == 2


@pytest.mark.usefixtures("separate")
def test_several_cards_are_judged_each(shelf: Shelf, capsys: pytest.CaptureFixture[str]) -> None:
    """One card that holds makes the whole answer a hold."""
    other = shelf.place / "other"
    other.mkdir()
    (other / "C0009.MOV").write_bytes(b"new")
    assert shelf.reuse(str(other), "--json") == 3
    document = answer(capsys)
    assert document["verdict"] == "hold"
    assert [one["verdict"] for one in document["cards"]] == ["reuse", "hold"]


@pytest.mark.parametrize(
    ("card", "said"),
    [("nowhere", "no card"), ("catalog.sqlite3", "not a card"), ("HERON", "which is no card")],
)
def test_what_is_no_card_is_refused(
    shelf: Shelf, capsys: pytest.CaptureFixture[str], card: str, said: str
) -> None:
    """Absent, a file, a drive: exit 2, and what to do."""
    assert shelf.run("reuse", str(shelf.place / card)) == 2
    assert said in capsys.readouterr().err


def test_a_card_that_cant_be_opened_is_refused_in_words(
    shelf: Shelf, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A folder without leave to read it, or a reader that fails: no failure of the program."""
    card = str(shelf.place / "card")
    opened = os.open

    def failing(path: Any, flags: int, mode: int = 0o777, *, dir_fd: int | None = None) -> int:
        if path == card:
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), path)
        return opened(path, flags, mode, dir_fd=dir_fd)

    monkeypatch.setattr(os, "open", failing)
    assert shelf.run("reuse", card) == 2
    assert capsys.readouterr().err.splitlines() == [
        f"The card at {card} can't be looked at: Permission denied.",
        "Do: check that it is plugged in and mounted, then run the same command again",
    ]


@pytest.mark.parametrize("there", [True, False])
def test_with_no_card_named_the_cards_that_are_here_are_judged(
    shelf: Shelf,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    there: bool,
) -> None:
    """The mounted volumes that hold footage and are no drive; none: how to name one."""
    code = shelf.reuse()
    named = capsys.readouterr().out
    cards = (look_at(str(shelf.card)),) if there else ()
    monkeypatch.setattr(around, "look_around", lambda catalog: Around(cards, (), (), ()))
    assert shelf.run("reuse") == (code if there else 2)
    told = capsys.readouterr()
    if there:
        assert told.out.splitlines()[0] == named.splitlines()[0]
    else:
        assert "ingest reuse CARD" in told.err
