"""Probing in other processes: whatever a decoder does, every file gets its result."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from ingest import platforms
from ingest.media.facts import ClipKind
from ingest.media.workers import ProbeItem, ProbePool, ProbeResult, probe_many


def still(folder: Path, name: str) -> ProbeItem:
    """A file whose probing takes no decoder: it is text."""
    path = folder / name
    path.write_text("no picture")
    return ProbeItem(name, str(path), None)


def stuck(folder: Path, name: str = "stuck.mov") -> tuple[ProbeItem, Path]:
    """A file whose worker waits until it is killed: its poster's place is a pipe without reader.

    Facts come first; so it stands for a decoder that hangs while it draws.
    """
    path = folder / name
    path.write_bytes(jpeg())
    out = folder / "poster.jpg"
    os.mkfifo(f"{out}.unfinished")
    return ProbeItem(name, str(path), str(out)), out


def jpeg() -> bytes:
    import io

    import av

    target = io.BytesIO()
    with av.open(target, "w", format="mjpeg") as container:
        stream = container.add_stream("mjpeg", rate=1)
        stream.width, stream.height, stream.pix_fmt = 64, 48, "yuvj420p"
        frame = av.VideoFrame(64, 48, "yuvj420p")
        for plane in frame.planes:
            plane.update(b"\x80" * plane.buffer_size)
        container.mux(stream.encode(frame))
        container.mux(stream.encode())
    return target.getvalue()


def test_every_item_gets_one_result_and_its_poster(tmp_path: Path) -> None:
    """More files than workers; keys come back untouched, names may be any bytes."""
    items = []
    for number in range(12):
        path = tmp_path / f"\udcff {number}\n.jpg"
        path.write_bytes(jpeg())
        items.append(ProbeItem(f"key {number}", str(path), str(tmp_path / f"p{number}")))
    results = {each.key: each for each in probe_many(items, workers=3, timeout_s=60)}
    assert set(results) == {item.key for item in items}
    for item in items:
        result = results[item.key]
        assert (result.poster_made, result.problem) == (True, "")
        assert (result.facts.kind, result.facts.width) == (ClipKind.STILL, 64)
        assert item.poster_out is not None
        assert Path(item.poster_out).read_bytes().startswith(b"\xff\xd8")


def test_a_hung_decoder_is_ended_at_its_limit_and_the_next_file_is_probed(tmp_path: Path) -> None:
    """The facts that came before the hang are kept, and the hang is a doubt."""
    item, out = stuck(tmp_path)
    with ProbePool(workers=1, timeout_s=3) as pool:
        pool.submit(item)
        pool.submit(still(tmp_path, "next.mov"))
        first, second = list(pool.results())
    assert first.key == "stuck.mov"
    assert first.facts.width == 64
    assert not first.poster_made
    assert "no answer within 3 s" in first.problem
    assert any("No poster" in doubt for doubt in first.facts.doubts)
    assert not out.exists()
    assert not Path(f"{out}.unfinished").exists()
    assert second.problem == ""
    assert any("text" in doubt for doubt in second.facts.doubts)


def children() -> set[int]:
    """The processes that this one has started and that haven't ended."""
    tasks = Path("/proc/self/task").iterdir()
    return {int(each) for task in tasks for each in (task / "children").read_text().split()}


def child_of(pid: int) -> int:
    """The worker's process id, by the system's process table."""
    for _ in range(500):
        text = Path(f"/proc/{pid}/task").iterdir()
        children = [int(each) for task in text for each in (task / "children").read_text().split()]
        if children:
            return children[-1]
        time.sleep(0.02)
    raise AssertionError("no worker was started")


needs_proc = pytest.mark.skipif(
    not Path("/proc/self/task").exists(), reason="needs the process table as files"
)


@needs_proc
def test_a_crashed_decoder_loses_its_file_only(tmp_path: Path) -> None:
    """The worker is killed from outside as a crash would end it; another takes its place."""
    item, _ = stuck(tmp_path)
    with ProbePool(workers=1, timeout_s=60) as pool:
        pool.submit(item)
        worker = child_of(os.getpid())
        os.kill(worker, signal.SIGSEGV)
        pool.submit(still(tmp_path, "next.mov"))
        first, second = list(pool.results())
    assert "crashed (signal 11)" in first.problem
    assert first.facts.kind in (ClipKind.PICTURE, ClipKind.STILL)
    assert any("crashed" in doubt for doubt in first.facts.doubts)
    assert second.problem == ""


@needs_proc
def test_a_worker_that_was_got_ready_takes_the_first_file(tmp_path: Path) -> None:
    """It stands there before there is work, and no other is started for one file."""
    before = children()
    with ProbePool(workers=2, timeout_s=60) as pool:
        pool.get_ready()
        child_of(os.getpid())
        pool.submit(still(tmp_path, "first.mov"))
        (result,) = pool.results()
        assert len(children() - before) == 1
    assert result.problem == ""
    assert any("text" in doubt for doubt in result.facts.doubts)


def test_items_are_taken_while_results_come_in(tmp_path: Path) -> None:
    """The caller goes on with other work and looks in now and then."""
    with ProbePool(workers=2, timeout_s=60) as pool:
        assert pool.ready() == []
        got: list[ProbeResult] = []
        for number in range(6):
            pool.submit(still(tmp_path, f"{number}.mov"))
            got += pool.ready()
        got += pool.results()
        assert sorted(each.key for each in got) == [f"{number}.mov" for number in range(6)]
        assert list(pool.results()) == []


@needs_proc
def test_pools_that_share_their_workers_get_their_own_results(tmp_path: Path) -> None:
    """Equal keys in both; one pool's end leaves the other its worker."""
    before = children()
    with ProbePool(workers=1, timeout_s=60) as pool:
        first, second = pool.shared(), pool.shared()
        for number, each in enumerate((first, second)):
            folder = tmp_path / str(number)
            folder.mkdir()
            for name in ("a.mov", "b.mov"):
                each.submit(still(folder, name))
        assert sorted(each.key for each in first.results()) == ["a.mov", "b.mov"]
        first.close()
        with pytest.raises(ValueError, match="closed"):
            first.submit(still(tmp_path, "late.mov"))
        assert sorted(each.key for each in second.results()) == ["a.mov", "b.mov"]
        second.submit(still(tmp_path, "again.mov"))
        assert [each.key for each in second.results()] == ["again.mov"]
        assert list(pool.results()) == []
        assert len(children() - before) == 1


def test_what_a_closed_pool_left_in_the_line_is_not_probed(tmp_path: Path) -> None:
    """Its worker is the others' from then on."""
    item, out = stuck(tmp_path)
    with ProbePool(workers=1, timeout_s=60) as pool:
        left, other = pool.shared(), pool.shared()
        first, last = still(tmp_path, "first.mov"), still(tmp_path, "last.mov")
        pool.submit(first)
        left.submit(item)
        left.close()
        other.submit(last)
        assert [each.key for each in pool.results()] == ["first.mov"]
        assert [each.key for each in other.results()] == ["last.mov"]
    assert not out.exists()


def test_close_ends_a_busy_worker_at_once_and_refuses_more(tmp_path: Path) -> None:
    """Other processes are gone before done is said."""
    item, _ = stuck(tmp_path)
    pool = ProbePool(workers=1, timeout_s=600)
    pool.submit(item)
    pool.close()
    pool.close()
    with pytest.raises(ValueError, match="closed"):
        pool.submit(item)


def test_a_pool_needs_a_worker_and_a_limit() -> None:
    """Neither none nor for ever."""
    with pytest.raises(ValueError, match="worker"):
        ProbePool(workers=0, timeout_s=1)
    with pytest.raises(ValueError, match="limit"):
        ProbePool(workers=1, timeout_s=0)


def test_importing_the_workers_loads_no_decoder() -> None:
    """The decoders are the child's."""
    code = (
        "import sys, ingest.media.workers, ingest.card.clips; "
        "heavy = {'av', 'pymediainfo', 'wavinfo', 'exifread', 'lxml'} & set(sys.modules); "
        "assert not heavy, heavy"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


@needs_proc
def test_a_worker_dies_with_its_parent(tmp_path: Path) -> None:
    """The parent is killed while the decoder hangs: nobody is left behind."""
    item, _ = stuck(tmp_path)
    code = (
        "import sys; from ingest.media.workers import *; "
        "pool = ProbePool(workers=1, timeout_s=600); "
        "pool.submit(ProbeItem('k', sys.argv[1], sys.argv[2])); list(pool.results())"
    )
    parent = subprocess.Popen([sys.executable, "-c", code, item.path, item.poster_out or ""])
    worker = child_of(parent.pid)
    parent.kill()
    parent.wait()
    for _ in range(1000):
        status = Path(f"/proc/{worker}/stat")
        if not status.exists() or status.read_text().rpartition(")")[2].split()[0] == "Z":
            return
        time.sleep(0.02)
    os.kill(worker, signal.SIGKILL)
    raise AssertionError("the worker outlived its parent")


def test_a_machine_with_no_processor_to_spare_makes_no_clip_look_hung(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The reader stands behind everybody else: its limit, here far too short for its start,
    counts only the time that it could have used."""
    told = iter([0.0])
    monkeypatch.setattr(platforms, "waited_s", lambda pid: next(told, 1000.0))
    (result,) = probe_many([still(tmp_path, "good.mov")], workers=1, timeout_s=0.001)
    assert result.problem == ""
