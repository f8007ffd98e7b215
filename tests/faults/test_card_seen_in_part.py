"""A card of which only a part can be seen is held: the rest would go with it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from laboratory.loops import loop_drive, need_tool, run

from tests.conftest import Runner
from tests.e2e.further import disks_apart

pytestmark = pytest.mark.laboratory


@contextmanager
def mounted_at(source: Path, point: Path) -> Iterator[None]:
    """A folder seen at another one."""
    run("mount", "--bind", source, point)
    try:
        yield
    finally:
        run("umount", point)


def test_what_a_mount_leaves_out_or_hides_holds_the_card(
    tmp_path: Path, ingest: Runner, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One folder of it mounted elsewhere, and another volume mounted on one of its folders."""
    need_tool("mkfs.ext4")
    disks_apart(monkeypatch)
    (tmp_path / "desk" / "ingest.toml").write_text('production = "Saltmarsh"\n')
    for name in ("HERON", "OTTER", "part", "elsewhere"):
        (tmp_path / name).mkdir()
    with loop_drive(16, "ext4", name="green") as drive:
        card = Path(drive.mount)
        (card / "CLIP").mkdir()
        (card / "CLIP" / "C0001.BIN").write_bytes(b"first clip " * 900)
        to = ("--to", tmp_path / "HERON", "--to", tmp_path / "OTTER")
        assert ingest("offload", card, "--day", "1", "--roll", "A001", *to).code == 0
        (card / "note.txt").write_bytes(b"never copied")
        with mounted_at(card / "CLIP", tmp_path / "part"):
            ran = ingest("reuse", tmp_path / "part", "--json")
        assert ran.code == 3
        assert "only a folder of the card is mounted there" in ran.out
        (card / "note.txt").unlink()
        assert ingest("reuse", card).code == 0
        (card / "MORE").mkdir()
        with mounted_at(tmp_path / "elsewhere", card / "MORE"):
            ran = ingest("reuse", card, "--json")
        assert ran.code == 3
        assert "MORE: another volume is mounted on it" in ran.out
