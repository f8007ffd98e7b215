"""Does a mounted volume hold footage?"""

from __future__ import annotations

from pathlib import Path

import pytest

from ingest.card import finding
from ingest.card.finding import holds_footage


def put(root: Path, path: str) -> None:
    (root / path).parent.mkdir(parents=True, exist_ok=True)
    (root / path).write_bytes(b"x")


@pytest.mark.parametrize(
    "path", ["A001C001.MOV", "DCIM/100_X/IMG_1.JPG", "S001/12A-T01.wav", "a/b/c/d/e/clip.mxf"]
)
def test_a_picture_a_sound_or_a_still_anywhere_is_footage(tmp_path: Path, path: str) -> None:
    """By the ending of its name, in any case."""
    put(tmp_path, path)
    assert holds_footage(str(tmp_path))


@pytest.mark.parametrize(
    "path",
    [
        "papers/call sheet.pdf",
        "notes.txt",
        ".Trashes/501/old.mov",
        "._A001C001.MOV",
        "System Volume Information/x.mp4",
        "clip.mov/readme.txt",
    ],
)
def test_papers_and_litter_are_none(tmp_path: Path, path: str) -> None:
    """Nor what operating systems leave, nor a folder that is called like a clip."""
    put(tmp_path, path)
    assert not holds_footage(str(tmp_path))


def test_links_are_not_followed(tmp_path: Path) -> None:
    """What lies elsewhere is not on this volume."""
    put(tmp_path / "elsewhere", "clip.mov")
    volume = tmp_path / "volume"
    volume.mkdir()
    (volume / "link").symlink_to(tmp_path / "elsewhere")
    (volume / "clip.mov").symlink_to(tmp_path / "elsewhere" / "clip.mov")
    assert not holds_footage(str(volume))


def test_what_is_not_there_holds_none(tmp_path: Path) -> None:
    """A volume that has gone meanwhile."""
    assert not holds_footage(str(tmp_path / "gone"))


def test_a_huge_volume_is_given_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The answer may not take minutes."""
    monkeypatch.setattr(finding, "_MOST", 3)
    for name in ("a", "b", "c", "d", "z.mov"):
        put(tmp_path, name)
    assert not holds_footage(str(tmp_path))
