"""Reading clips while they come in: once for each content, spans put together, told when split."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import av
import pytest

from ingest.media import workers
from ingest.media.workers import ProbeItem
from tests.conftest import Runner

RATE = Fraction(25)


def clip(place: Path, timecode: str, frames: int = 10, shade: int = 90) -> None:
    """A small MOV (MPEG-4 picture) with a timecode track."""
    place.parent.mkdir(parents=True, exist_ok=True)
    with av.open(str(place), "w", format="mov") as container:
        container.metadata["timecode"] = timecode
        stream = container.add_stream("mpeg4", rate=RATE)
        stream.width, stream.height, stream.pix_fmt = 64, 48, "yuv420p"
        for number in range(frames):
            frame = av.VideoFrame(64, 48, "yuv420p")
            for plane in frame.planes:
                plane.update(bytes((shade + number + n) % 256 for n in range(plane.buffer_size)))
            frame.pts = number
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))


@pytest.fixture
def read(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Paths handed to the readers, in order."""
    seen: list[str] = []
    submit = workers.ProbePool.submit

    def noted(self: workers.ProbePool, item: ProbeItem) -> None:
        seen.append(item.path)
        submit(self, item)

    monkeypatch.setattr(workers.ProbePool, "submit", noted)
    return seen


def offload(ingest: Runner, card: Path, roll: str, drives: Sequence[Path], *more: str) -> str:
    ran = ingest(
        "offload", card, "--production", "Saltmarsh", "--roll", roll, "--camera", roll[0],
        "--day", "1", "--to", drives[0], "--to", drives[1], *more,
    )  # fmt: skip
    assert ran.code == 0, ran.err + ran.out
    return ran.out


def test_content_that_was_read_before_is_not_read_again(
    ingest: Runner, drives, apart: None, tmp_path: Path, read: list[str]
) -> None:
    """Another card, another roll, another name: facts, picture and health are taken over. What is
    new on it is read."""
    clip(tmp_path / "one" / "X0001.MOV", "10:00:00:00")
    offload(ingest, tmp_path / "one", "A001", drives)
    assert [Path(path).name for path in read] == ["X0001.MOV"]
    read.clear()
    (tmp_path / "two").mkdir()
    shutil.copy2(tmp_path / "one" / "X0001.MOV", tmp_path / "two" / "Y0007.MOV")
    clip(tmp_path / "two" / "Y0008.MOV", "11:00:00:00", shade=30)
    offload(ingest, tmp_path / "two", "B001", drives)
    assert [Path(path).name for path in read] == ["Y0008.MOV"]
    found = {
        one["clip"]: one
        for one in ingest("find", "--json", "--production", "Saltmarsh").document["clips"]
    }
    first, again = found["A001/X0001"], found["B001/Y0007"]
    for fact in ("start_timecode", "duration_seconds", "frame_rate", "codec", "width", "health"):
        assert again[fact] == first[fact]
    assert again["start_timecode"] == "10:00:00:00"


def test_no_reader_is_loaded_for_a_card_of_which_every_clip_is_known(
    ingest: Runner, drives, apart: None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It goes to another drive, and nothing of it must be read; for one new clip a reader waits."""
    loaded: list[str] = []
    really = workers.ProbePool.get_ready

    def get_ready(self: workers.ProbePool) -> None:
        loaded.append("reader")
        really(self)

    monkeypatch.setattr(workers.ProbePool, "get_ready", get_ready)
    card, third = tmp_path / "one", tmp_path / "THIRD"
    third.mkdir()
    clip(card / "X0001.MOV", "10:00:00:00")
    offload(ingest, card, "A001", drives)
    assert loaded == ["reader"]
    offload(ingest, card, "A001", (drives[0], third))
    assert (third / "Saltmarsh").is_dir() and loaded == ["reader"]
    clip(card / "X0002.MOV", "11:00:00:00", shade=30)
    offload(ingest, card, "A001", drives)
    assert loaded == ["reader"] * 2


def test_a_deep_look_reads_again(
    ingest: Runner, drives, apart: None, tmp_path: Path, read: list[str]
) -> None:
    """--deep asks for every frame: what was sampled once isn't enough."""
    clip(tmp_path / "one" / "X0001.MOV", "10:00:00:00")
    offload(ingest, tmp_path / "one", "A001", drives)
    (tmp_path / "two").mkdir()
    shutil.copy2(tmp_path / "one" / "X0001.MOV", tmp_path / "two" / "Y0007.MOV")
    read.clear()
    offload(ingest, tmp_path / "two", "B001", drives, "--deep")
    assert [Path(path).name for path in read] == ["Y0007.MOV"]


def test_a_clip_is_broken_only_when_another_copy_says_so_too(
    ingest: Runner,
    drives,
    apart: None,
    tmp_path: Path,
    read: list[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The drive that had it first is pulled, or gives nonsense, before the clip is read there."""
    torn = tmp_path / "torn.mov"
    submit = workers.ProbePool.submit

    def first_torn(self: workers.ProbePool, item: ProbeItem) -> None:
        submit(self, item if read else replace(item, path=str(torn)))

    monkeypatch.setattr(workers.ProbePool, "submit", first_torn)
    clip(tmp_path / "one" / "X0001.MOV", "10:00:00:00")
    torn.write_bytes((tmp_path / "one" / "X0001.MOV").read_bytes()[:2000])
    offload(ingest, tmp_path / "one", "A001", drives)
    first, second = map(Path, read)
    assert first == torn
    assert second.name == "X0001.MOV"
    (found,) = ingest("find", "--json", "--production", "Saltmarsh").document["clips"]
    assert found["health"]["state"] == "healthy"
    assert found["start_timecode"] == "10:00:00:00"


def test_a_clip_that_is_broken_on_the_card_is_asked_of_both_copies_and_told(
    ingest: Runner, drives, apart: None, tmp_path: Path, read: list[str]
) -> None:
    """Exit 3: the copies are equal, and neither plays."""
    place = tmp_path / "one" / "X0001.MOV"
    clip(place, "10:00:00:00")
    place.write_bytes(place.read_bytes()[:2000])
    ran = ingest(
        "offload", tmp_path / "one", "--production", "Saltmarsh", "--roll", "A001",
        "--camera", "A", "--day", "1", "--to", drives[0], "--to", drives[1],
    )  # fmt: skip
    assert ran.code == 3
    assert {Path(path).parents[3].name for path in read} == {drive.name for drive in drives}
    assert "X0001" in ran.out


def test_spans_are_one_clip_as_long_as_all_of_them_and_split_where_timecode_breaks(
    ingest: Runner, drives, apart: None, tmp_path: Path, read: list[str]
) -> None:
    """Two parts go on, the third is another recording: it says so, and has a picture of its own."""
    base = tmp_path / "card" / "A001C001_260314_K7QD"
    clip(Path(f"{base}_001.MOV"), "10:00:00:00")
    clip(Path(f"{base}_002.MOV"), "10:00:00:10")
    clip(Path(f"{base}_003.MOV"), "10:30:00:00", frames=15)
    offload(ingest, tmp_path / "card", "A001", drives)
    found = ingest("find", "--json", "--production", "Saltmarsh").document["clips"]
    assert [(one["clip"], one["duration_seconds"], len(one["files"])) for one in found] == [
        (f"A001/{base.name}_001", 0.8, 2),
        (f"A001/{base.name}_003", 0.6, 1),
    ]
    assert found[0]["start_timecode"] == "10:00:00:00"
    report = ingest("report", "--production", "Saltmarsh", "--out", tmp_path / "report")
    assert report.code in (0, 3)
    page = (tmp_path / "report" / "intake-report.json").read_text()
    assert "Its timecode does not go on from" in page


def test_an_image_sequence_is_one_clip_with_its_length_and_its_gaps(
    ingest: Runner, drives, apart: None, tmp_path: Path, desk: Path, read: list[str]
) -> None:
    """One frame is read, not every one; the length comes from the count at the project's rate."""
    (desk / "ingest.toml").write_text('production = "Saltmarsh"\nframe_rate = 25\n')
    folder = tmp_path / "card" / "PLATE"
    folder.mkdir(parents=True)
    codec = av.CodecContext.create("png", "w")
    codec.width, codec.height, codec.pix_fmt, codec.time_base = 16, 16, "rgb24", 1 / RATE
    frame = av.VideoFrame(16, 16, "rgb24")
    frame.planes[0].update(bytes(frame.planes[0].buffer_size))
    frame.pts = 0
    picture = b"".join(bytes(packet) for packet in (*codec.encode(frame), *codec.encode(None)))
    for number in (1, 2, 3, 5, *range(6, 16)):
        (folder / f"plate_{number:05}.png").write_bytes(picture)
    offload(ingest, tmp_path / "card", "P001", drives)
    assert len(read) == 1
    (found,) = ingest("find", "--json", "--production", "Saltmarsh").document["clips"]
    assert (found["clip"], found["duration_seconds"]) == ("P001/plate", 0.56)
    assert len(found["files"]) == 14
    assert found["health"] != "healthy"
    told = ingest("find", "--production", "Saltmarsh").out
    assert "note: Its numbering lacks 1 picture: 4." in told
    assert told.count("plate_") == 1
    assert "and 13 files more (--paths names all)" in told
    assert ingest("find", "--paths", "--production", "Saltmarsh").out.count("plate_") == 14


def test_a_rebuilt_catalog_reads_the_clips_from_the_drives_when_asked(
    ingest: Runner, drives, apart: None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Equal to what the offload read, spans put together; nothing is written to a drive, and no
    claim becomes evidence. A second time there is nothing left to read."""
    base = tmp_path / "card" / "A001C001_260314_K7QD"
    clip(Path(f"{base}_001.MOV"), "10:00:00:00")
    clip(Path(f"{base}_002.MOV"), "10:00:00:10")
    clip(tmp_path / "card" / "A001C002_260314_K7QD.MOV", "11:00:00:00", shade=30)
    offload(ingest, tmp_path / "card", "A001", drives)
    facts = ("clip", "start_timecode", "duration_seconds", "frame_rate", "codec", "files", "health")

    def known() -> list[dict[str, object]]:
        found = ingest("find", "--json", "--production", "Saltmarsh").document["clips"]
        return [{fact: one[fact] for fact in facts} for one in found]

    before = known()
    assert len(before) == 2
    lying = {path: path.stat().st_mtime_ns for root in drives for path in root.rglob("*")}
    (tmp_path / "new").mkdir()
    monkeypatch.setenv("INGEST_CATALOG", str(tmp_path / "new" / "catalog.sqlite3"))
    assert ingest("rebuild", *drives).code == 0
    assert known() == []
    ran = ingest("rebuild", *drives, "--clips", "--json")
    assert ran.document["clips"] == [{"roll": "Saltmarsh/A001", "clips": 2}]
    assert known() == before
    assert lying == {path: path.stat().st_mtime_ns for root in drives for path in root.rglob("*")}
    (roll,) = ingest("rolls", "--json").document["rolls"]
    assert roll["state"] == "unverified"
    assert ingest("rebuild", *drives, "--clips", "--json").document["clips"] == []
