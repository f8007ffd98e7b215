"""Which drive is this: what can be told from folders alone, and what two volumes have in common."""

from __future__ import annotations

import json
import os
from dataclasses import replace
from pathlib import Path

import pytest

from ingest import drives, platforms
from ingest.drives import MARKER, Volume, card_at, look_at, mark, recognise, same_device
from ingest.errors import BadDestination, IngestError

VOLUME = Volume(
    root="/media/larch",
    mount_point="/media/larch",
    fs_type="ext4",
    source="/dev/sdb1",
    fs_uuid="aa",
    disks=("sdb",),
    serial="S1",
    device="sdb (S1)",
    mount="1",
    st_dev=1,
    total=100,
    free=50,
    read_only=False,
    system=False,
    rotational=False,
)
OTHER = replace(VOLUME, root="/media/fir", fs_uuid="bb", disks=("sdc",), serial="S2", st_dev=2)


def test_when_disks_and_serials_differ_then_two_devices_are_told_apart() -> None:
    """The one way to two devices."""
    assert not same_device(VOLUME, OTHER)
    assert not same_device(replace(VOLUME, serial=None), replace(OTHER, serial=None))


@pytest.mark.parametrize(
    ("one", "other"),
    [
        pytest.param(VOLUME, replace(OTHER, disks=("sda", "sdb")), id="a disk in common"),
        pytest.param(replace(VOLUME, disks=()), OTHER, id="the first unknown"),
        pytest.param(VOLUME, replace(OTHER, disks=()), id="the second unknown"),
        pytest.param(VOLUME, replace(OTHER, serial="S1"), id="one serial"),
        pytest.param(
            replace(VOLUME, enclosures=("usb2/2-1",)),
            replace(OTHER, enclosures=("usb2/2-1",)),
            id="one box",
        ),
    ],
)
def test_when_two_volumes_are_not_shown_to_differ_then_they_are_the_same_device(
    one: Volume, other: Volume
) -> None:
    """Unknown means same, in both directions."""
    assert same_device(one, other)
    assert same_device(other, one)


def test_when_two_shares_come_from_one_server_then_they_are_one_device(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A share's device is its server, whatever the name of the share."""

    def look(server: str, share: str) -> Volume:
        mount = platforms.Mount(
            str(tmp_path), f"{server}:{share}", "nfs4", (), None, None, "5", False, None, 9,
            server=server,
        )  # fmt: skip
        monkeypatch.setattr(platforms, "mount_of", lambda folder, root: mount)
        return look_at(str(tmp_path))

    one, two, far = look("192.0.2.7", "/a"), look("192.0.2.7", "/b"), look("192.0.2.8", "/a")
    assert one.disks == ("192.0.2.7",)
    assert same_device(one, two)
    assert not same_device(one, far)


def test_when_the_engine_can_t_run_here_then_the_first_look_says_what_is_lacking(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On such a system nothing is started."""
    monkeypatch.setattr(platforms, "lacking", lambda: "Folders can't be held open here.")
    with pytest.raises(IngestError, match="Folders can't be held open"):
        look_at(str(tmp_path))


def test_when_there_is_no_folder_then_none_is_made(tmp_path: Path) -> None:
    """A drive's root is never created: its absence means that the drive is not there."""
    gone = tmp_path / "drive"
    with pytest.raises(BadDestination, match="no folder at"):
        look_at(str(gone))
    with pytest.raises(BadDestination):
        mark(str(gone), "Larch")
    assert not gone.exists()


def test_when_a_file_is_named_then_it_is_no_drive(tmp_path: Path) -> None:
    """A file is not a folder."""
    (tmp_path / "file").touch()
    with pytest.raises(BadDestination, match="is a file"):
        look_at(str(tmp_path / "file"))


def test_when_a_link_is_named_then_the_folder_behind_it_is_looked_at(tmp_path: Path) -> None:
    """Two names of one folder are one root."""
    (tmp_path / "real").mkdir()
    (tmp_path / "link").symlink_to("real")
    one, other = look_at(str(tmp_path / "link")), look_at(str(tmp_path / "real"))
    assert one.root == other.root == str(tmp_path / "real")
    assert one.mount == other.mount


def test_when_the_folder_lies_beside_home_and_temp_then_it_is_the_system_s(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The file system of the temporary folder needs a word of consent."""
    monkeypatch.setattr(drives.tempfile, "gettempdir", lambda: str(tmp_path))
    assert look_at(str(tmp_path)).system


def test_when_room_is_asked_then_it_is_what_a_user_may_still_write(tmp_path: Path) -> None:
    """f_bavail, not f_bfree (statvfs(3)); the free room of a shared machine moves."""
    volume = look_at(str(tmp_path))
    told = os.statvfs(tmp_path)
    assert volume.total == told.f_blocks * told.f_frsize
    assert 0 <= volume.free <= told.f_bfree * told.f_frsize + 512 * 1024 * 1024


def test_when_a_drive_is_marked_twice_then_its_first_name_and_id_stay(tmp_path: Path) -> None:
    """A marker is never written over."""
    first = mark(str(tmp_path), "Larch")
    second = mark(str(tmp_path), "Fir")
    assert first == second == recognise(str(tmp_path))
    assert (second.name, len(second.marker)) == ("Larch", 32)
    assert os.listdir(tmp_path) == [MARKER]


def test_when_another_run_marks_the_drive_at_the_same_moment_then_its_marker_holds(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One drive has one id, whoever was first."""
    rename = platforms.rename_new

    def late(old: str, new: str, folder: int) -> bool:
        (tmp_path / MARKER).write_text(json.dumps({"drive": "first", "name": "Fir"}))
        return rename(old, new, folder)

    monkeypatch.setattr(platforms, "rename_new", late)
    seen = mark(str(tmp_path), "Larch")
    assert (seen.marker, seen.name) == ("first", "Fir")
    assert os.listdir(tmp_path) == [MARKER]


def test_when_two_drives_are_marked_then_their_ids_differ(tmp_path: Path) -> None:
    """Same name, different drives."""
    for name in "ab":
        (tmp_path / name).mkdir()
    one, other = (mark(str(tmp_path / name), "Larch") for name in "ab")
    assert one.marker != other.marker


@pytest.mark.parametrize(
    "text",
    [
        "",
        "not json",
        "[]",
        "null",
        '{"drive": "a"}',
        '{"drive": "", "name": "x"}',
        '{"drive": 1, "name": "x"}',
        '{"drive": "a", "name": null}',
        '{"drive": "a", "name": "\\ud800"}',
        '{"drive": "a\\u0000", "name": "x"}',
        b"\xff\xfe",
        "[" * 40_000,
        '{"drive": "a", "name": "' + "x" * 70_000 + '"}',
    ],
    ids=range(13),
)
def test_when_a_marker_can_t_be_understood_then_the_drive_has_none(
    tmp_path: Path, text: str | bytes
) -> None:
    """It says nothing that could be trusted; and nothing is written over it."""
    raw = text if isinstance(text, bytes) else text.encode()
    (tmp_path / MARKER).write_bytes(raw)
    assert recognise(str(tmp_path)) is None
    with pytest.raises(BadDestination, match="can't be understood"):
        mark(str(tmp_path), "Larch")
    assert (tmp_path / MARKER).read_bytes() == raw
    assert os.listdir(tmp_path) == [MARKER]


def test_when_the_marker_is_a_link_a_pipe_or_a_folder_then_it_is_neither_followed_nor_waited_for(
    tmp_path: Path,
) -> None:
    """A drive may hold anything."""
    (tmp_path / "elsewhere").write_text(json.dumps({"drive": "a", "name": "x"}))
    (tmp_path / MARKER).symlink_to("elsewhere")
    assert recognise(str(tmp_path)) is None
    (tmp_path / MARKER).unlink()
    os.mkfifo(tmp_path / MARKER)
    assert recognise(str(tmp_path)) is None
    (tmp_path / MARKER).unlink()
    (tmp_path / MARKER).mkdir()
    assert recognise(str(tmp_path)) is None


def test_when_a_card_is_a_subfolder_then_it_has_no_identity_of_a_medium(tmp_path: Path) -> None:
    """UUID and serial are the whole volume's, not a folder's."""
    card = card_at(str(tmp_path), "A017")
    assert (card.label, card.fs_uuid, card.serial) == ("A017", None, None)
