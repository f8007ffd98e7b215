"""`ingest handoff`: from the catalog to what an editor opens."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path
from urllib.parse import unquote

import opentimelineio as otio
import pytest

from fixtures.damage import flip_bit
from tests.conftest import Runner, Shoot


@pytest.fixture
def shot(
    ingest: Runner,
    shoot: Shoot,
    card: Callable[[str], Path],
    drives: tuple[Path, Path],
    desk: Path,
    apart: None,
) -> tuple[Path, Path]:
    """A roll of day 1 on two drives, linked to its takes."""
    (desk / "ingest.toml").write_text(
        'production = "Kestrel Quay"\ndays = [2026-03-14]\ndisplay = "{scene}-{take}-{camera}"\n'
    )
    ran = ingest("offload", card("DAY1/B001"), "--day", "1", "--to", drives[0], "--to", drives[1])
    assert ran.code == 0, ran.err
    assert ingest("slate", "load", shoot.slate_log).code in (0, 3)
    return drives


def test_a_timeline_of_the_clips_that_fit(
    ingest: Runner, shot: tuple[Path, Path], desk: Path
) -> None:
    """Named by the pattern, with the scene and the best path; read by OpenTimelineIO."""
    ran = ingest("handoff", "12A", "--to", desk / "12A.otio", "--json")
    assert ran.code == 0, ran.err
    timeline = otio.adapters.read_from_file(str(desk / "12A.otio"))
    clips = [clip for track in timeline.tracks for clip in track]
    assert [clip.name for clip in clips] == [one["name"] for one in ran.document["clips"]]
    assert {clip.metadata["ingest"]["scene"] for clip in clips} == {"12A"}
    assert all(clip.name.startswith("12A-") and clip.name.endswith("-B") for clip in clips)
    for clip in clips:
        place = Path(unquote(clip.media_reference.target_url.removeprefix("file://")))
        assert place.is_file() and str(place).startswith(str(shot[0]))
    again = ingest("handoff", "12A", "--to", desk / "12A.otio")
    assert again.code == 2 and "there already" in again.err


def test_a_clip_with_no_copy_that_can_be_read_is_told(
    ingest: Runner, shot: tuple[Path, Path], desk: Path
) -> None:
    """Exit 3; in the files it has no path, and the others do."""
    for drive in shot:
        next(drive.rglob("C0002.MP4")).unlink()
    ran = ingest("handoff", "--roll", "B001", "--to", desk / "all.csv")
    assert ran.code == 3
    assert "! B001/C0002: 1 file of it can't be read now." in ran.out
    with open(desk / "all.csv", encoding="utf-8-sig", newline="") as file:
        rows = {row["clip"]: row["path"] for row in csv.DictReader(file)}
    assert rows["B001/C0002"] == "" and Path(rows["B001/C0001"]).is_file()


def test_a_folder_gets_the_files_of_these_clips_compared_and_listed(
    ingest: Runner, shot: tuple[Path, Path], tmp_path: Path
) -> None:
    """The clip's own file and its companions, none of another clip; read back, in the catalog and
    in a hash list of its own; again does nothing; another clip joins it."""
    edit = tmp_path / "EDIT"
    edit.mkdir()
    ran = ingest("handoff", "--roll", "B001", "--text", "C0002", "--to", edit, "--json")
    assert ran.code == 0, ran.err
    assert ran.document["verdict"] == "matched"
    names = {path.name for path in edit.rglob("C0*")}
    assert names == {"C0002.MP4", "C0002M01.XML", "C0002T01.JPG"}
    again = ingest("handoff", "--roll", "B001", "--text", "C0002", "--to", edit)
    assert again.code == 0 and "NOTHING NEW" in again.out
    more = ingest("handoff", "--roll", "B001", "--text", "C0003", "--to", edit)
    assert more.code == 0, more.err
    lists = sorted(path.name for path in edit.rglob("*.mhl"))
    assert [name[:4] for name in lists] == ["0001", "0002"]
    audit = ingest("audit", edit, "--json")
    assert audit.code == 0, audit.out
    (roll,) = audit.document["drives"][0]["rolls"]
    assert (roll["matched"], roll["missing"], roll["unknown"]) == (6, 0, 0)


def test_a_source_that_went_bad_is_never_handed_over(
    ingest: Runner, shot: tuple[Path, Path], tmp_path: Path
) -> None:
    """Another drive steps in, and the bad copy is told and recorded (exit 3)."""
    edit = tmp_path / "EDIT"
    edit.mkdir()
    bad = next(shot[0].rglob("C0002.MP4"))
    flip_bit(bad)
    ran = ingest("handoff", "--roll", "B001", "--text", "C0002", "--to", edit)
    assert ran.code == 3
    assert "HERON" in ran.out and "mismatch" in ran.out
    good = next(shot[1].rglob("C0002.MP4"))
    assert next(edit.rglob("C0002.MP4")).read_bytes() == good.read_bytes()


def test_nothing_that_fits_writes_nothing(
    ingest: Runner, shot: tuple[Path, Path], desk: Path
) -> None:
    """A wrong scene is a wrong command line."""
    ran = ingest("handoff", "--scene", "99Z", "--to", desk / "x.otio")
    assert ran.code == 2 and not (desk / "x.otio").exists()


def test_a_folder_on_a_device_that_holds_the_copy_is_refused_unless_said(
    program: Runner, ingest: Runner, shot: tuple[Path, Path], tmp_path: Path
) -> None:
    """As a further copy: without the stand-ins for separate devices all of it is one disk."""
    edit = tmp_path / "EDIT"
    edit.mkdir()
    ran = program("handoff", "--roll", "B001", "--to", edit)
    assert ran.code == 2 and "--same-drive-ok" in ran.err
