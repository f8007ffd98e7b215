"""What is done on the drives when all is copied: each drive for itself."""

from __future__ import annotations

import errno
import os
import threading
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta, timezone
from pathlib import Path

import pytest

from ingest.catalog.catalog import Catalog
from ingest.catalog.records import Observer
from ingest.copying.roll_folder import RollFolder
from ingest.copying.values import Event
from ingest.jobs.offloading import drives_closed
from ingest.jobs.offloading.preparing import prepare
from ingest.jobs.offloading.running import run_offload
from ingest.jobs.offloading.values import Phase, Request, Result
from ingest.media import crew
from ingest.settings import Settings

NOON = datetime(2026, 3, 14, 12, 0, tzinfo=timezone(timedelta(hours=1)))
DRIVES = ("HERON", "OTTER", "STOAT")


@pytest.fixture
def catalog(tmp_path: Path) -> Iterator[Catalog]:
    with Catalog.open(str(tmp_path / "catalog.sqlite3")) as catalog:
        yield catalog


def offload(
    place: Path,
    catalog: Catalog,
    stop: threading.Event | None = None,
    tell: Callable[[Event | Phase], None] = lambda event: None,
    suffix: str = "bin",
) -> Result:
    """A card of two files onto three drives."""
    for name in (*DRIVES, "card"):
        (place / name).mkdir()
    for number in (1, 2):
        (place / "card" / f"A001C00{number}_260314_K7QD.{suffix}").write_bytes(b"x" * 5000)
    request = Request(
        card=str(place / "card"),
        to=tuple(str(place / name) for name in DRIVES),
        now=NOON,
        settings=Settings(),
        production="Kestrel Quay",
        same_drive_ok=True,
        system_disk_ok=True,
    )
    return run_offload(
        prepare(request, catalog),
        catalog,
        Observer("Wren Castellane", "cart", "boot1"),
        run="0" * 16,
        tell=tell,
        stop=stop or threading.Event(),
    )


def on_otter(monkeypatch: pytest.MonkeyPatch, error: BaseException) -> list[bool]:
    """OTTER's list fails so; whether each list's thread would let the program end."""
    lets_go: list[bool] = []
    real = drives_closed.list_roll

    def list_roll(folder: RollFolder, *words: object) -> object:
        lets_go.append(threading.current_thread().daemon)
        if folder.destination.name == "OTTER":
            raise error
        return real(folder, *words)  # type: ignore[arg-type]

    monkeypatch.setattr(drives_closed, "list_roll", list_roll)
    return lets_go


def test_a_drive_whose_list_fails_leaves_the_others_theirs(
    tmp_path: Path, catalog: Catalog, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is told as stopped, and the run as unfinished."""
    lets_go = on_otter(monkeypatch, OSError(errno.EIO, os.strerror(errno.EIO)))
    result = offload(tmp_path, catalog)
    assert [bool(drive.stopped) for drive in result.drives] == [False, True, False]
    assert "the hash list can't be written" in result.drives[1].stopped
    assert result.unfinished
    assert [Path(path).is_file() for path in result.hash_lists] == [True, True]
    assert len(lets_go) == 3


def test_a_bug_in_one_drives_list_is_seen(
    tmp_path: Path, catalog: Catalog, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not taken for a list that was written."""
    on_otter(monkeypatch, ZeroDivisionError("a bug"))
    with pytest.raises(ZeroDivisionError):
        offload(tmp_path, catalog)


def test_a_drive_that_hangs_at_its_list_does_not_hold_the_program(
    tmp_path: Path, catalog: Catalog, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A thread that is no daemon is waited for when the program ends, however it ends."""
    lets_go = on_otter(monkeypatch, OSError(errno.EIO, os.strerror(errno.EIO)))
    offload(tmp_path, catalog)
    assert lets_go == [True, True, True]


@pytest.mark.parametrize("asked", [True, False])
def test_a_drive_that_hangs_at_its_list_is_given_up(
    tmp_path: Path, catalog: Catalog, monkeypatch: pytest.MonkeyPatch, asked: bool
) -> None:
    """When somebody asks to stop, or when its time is up; the others have their lists."""
    awake = threading.Event()
    real = drives_closed.list_roll

    def list_roll(folder: RollFolder, *words: object) -> object:
        if folder.destination.name == "OTTER":
            awake.wait()
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return real(folder, *words)  # type: ignore[arg-type]

    monkeypatch.setattr(drives_closed, "list_roll", list_roll)
    stop = threading.Event()

    def tell(event: Event | Phase) -> None:
        if asked and event is Phase.LISTING:
            stop.set()

    if not asked:
        monkeypatch.setattr(drives_closed, "_PATIENCE", 5.0)
    try:
        result = offload(tmp_path, catalog, stop, tell)
    finally:
        awake.set()
    assert result.stopped is asked
    assert result.unfinished
    assert [bool(drive.stopped) for drive in result.drives] == [False, True, False]
    assert "no answer" in result.drives[1].stopped
    assert len(result.hash_lists) == 2


def test_asked_to_stop_while_clips_are_read_it_doesnt_wait_for_the_readers(
    tmp_path: Path, catalog: Catalog, monkeypatch: pytest.MonkeyPatch
) -> None:
    """None is recorded, so that the next run reads them."""
    monkeypatch.setattr(crew, "_CHILD", "import time; time.sleep(600)")
    stop = threading.Event()
    result = offload(
        tmp_path,
        catalog,
        stop,
        tell=lambda event: stop.set() if event is Phase.READING_CLIPS else None,
        suffix="mov",
    )
    assert result.stopped
    assert result.clips == 0
    assert catalog.clips(catalog.rolls()) == ()
    assert len(result.hash_lists) == 3
