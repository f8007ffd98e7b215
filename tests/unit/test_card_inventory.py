"""What is on a card: everything, and what is not copied is named."""

from __future__ import annotations

import os
import socket
from pathlib import Path

import pytest

from ingest.card.inventory import CardFile, Inventory, NotFollowed, Unreadable, inventory
from ingest.card.litter import IGNORE_PATTERNS, is_litter
from ingest.errors import BadCard

TIME = 1_773_500_000_123_456_789


def put(place: Path, data: bytes = b"x") -> Path:
    place.parent.mkdir(parents=True, exist_ok=True)
    place.write_bytes(data)
    os.utime(place, ns=(TIME, TIME))
    return place


def paths(seen: Inventory) -> list[str]:
    return [file.path for file in seen.files]


def test_every_regular_file_is_seen_with_size_and_time(tmp_path: Path) -> None:
    """Hidden and empty ones too, in the order of their bytes."""
    put(tmp_path / "CLIPS" / "C0001.MOV", b"12345")
    put(tmp_path / ".cardid")
    put(tmp_path / "STATUS.BIN", b"")
    put(tmp_path / "clips" / "deep" / "er" / "x")
    seen = inventory(str(tmp_path))
    assert seen.files == (
        CardFile(".cardid", 1, TIME),
        CardFile("CLIPS/C0001.MOV", 5, TIME),
        CardFile("STATUS.BIN", 0, TIME),
        CardFile("clips/deep/er/x", 1, TIME),
    )
    assert seen.bytes == 7
    assert not (seen.litter or seen.not_followed or seen.unreadable or seen.empty_folders)


def test_names_keep_their_exact_bytes(tmp_path: Path) -> None:
    """Not UTF-8, 255 bytes, newline, leading dash, markup, formula: none is changed."""
    raw = [
        b"\xff\xfe.mov",
        b"n" * 255,
        b"two\nlines",
        b"-rf",
        b"<b>x",
        b"=1+1",
        b"\x1b[2J",
        b"a\\b",
    ]
    for name in raw:
        put(Path(os.fsdecode(os.fsencode(tmp_path) + b"/" + name)))
    assert sorted(map(os.fsencode, paths(inventory(str(tmp_path))))) == sorted(raw)


def test_empty_folders_are_kept(tmp_path: Path) -> None:
    """A folder that only holds empty folders is not listed itself; the lowest one is."""
    put(tmp_path / "CLIP" / "C0001.MP4")
    (tmp_path / "PROXY").mkdir()
    (tmp_path / "A" / "B").mkdir(parents=True)
    assert inventory(str(tmp_path)).empty_folders == ("A/B", "PROXY")


def test_a_folder_with_litter_alone_counts_as_empty(tmp_path: Path) -> None:
    """What is left of it after the litter is a folder, and it is kept."""
    put(tmp_path / "x")
    put(tmp_path / "SUB" / ".DS_Store")
    put(tmp_path / "SUB2" / ".Trashes" / "gone.mov")
    seen = inventory(str(tmp_path))
    assert seen.empty_folders == ("SUB", "SUB2")
    assert sorted(file.path for file in seen.litter) == ["SUB/.DS_Store", "SUB2/.Trashes/gone.mov"]


def test_links_and_special_files_are_named_and_not_followed(tmp_path: Path) -> None:
    """A link may point anywhere; a pipe would wait for ever."""
    outside = put(tmp_path / "outside" / "secret")
    card = tmp_path / "card"
    put(card / "C0001.MOV")
    (card / "file-link").symlink_to(outside)
    (card / "folder-link").symlink_to(outside.parent)
    (card / "broken-link").symlink_to("nowhere")
    (card / "loop").symlink_to(".")
    os.mkfifo(card / "pipe")
    with socket.socket(socket.AF_UNIX) as server:
        server.bind(str(card / "sock"))
        seen = inventory(str(card))
    assert paths(seen) == ["C0001.MOV"]
    assert set(seen.not_followed) == {
        NotFollowed("file-link", "link"),
        NotFollowed("folder-link", "link"),
        NotFollowed("broken-link", "link"),
        NotFollowed("loop", "link"),
        NotFollowed("pipe", "pipe"),
        NotFollowed("sock", "socket"),
    }


def test_a_card_named_by_a_link_is_looked_at(tmp_path: Path) -> None:
    """Only below the card links aren't followed; a mount point is often named by one."""
    put(tmp_path / "card" / "C0001.MOV")
    (tmp_path / "link").symlink_to("card")
    assert paths(inventory(str(tmp_path / "link"))) == ["C0001.MOV"]


def test_litter_is_counted_and_left_out(tmp_path: Path) -> None:
    """Whole folders of it too, whatever lies in them."""
    put(tmp_path / "C0001.MOV")
    for name in (
        ".DS_Store",
        "._C0001.MOV",
        "SUB/Thumbs.db",
        ".Trashes/501/old.mov",
        ".Spotlight-V100/deep/er",
        "System Volume Information/WPSettings.dat",
        "$RECYCLE.BIN/S-1-5/x",
        ".Trash-1000/files/x",
    ):
        put(tmp_path / name)
    seen = inventory(str(tmp_path))
    assert paths(seen) == ["C0001.MOV"]
    assert len(seen.litter) == 8


@pytest.mark.parametrize(
    ("name", "folder"),
    [
        ("DS_Store", False),
        ("Trashes", True),
        (".Trashes", False),
        (".DS_Store", True),
        (".cardid", False),
        ("C0001._MOV", False),
        ("thumbs.db.mov", False),
        (".Trashed-C0001.MOV", True),
    ],
)
def test_what_only_looks_like_litter_is_footage(name: str, folder: bool) -> None:
    """In doubt a file is copied."""
    assert not is_litter(name, folder=folder)


def test_every_litter_name_is_an_ignore_pattern() -> None:
    """The hash list says the same as the copy."""
    assert {".DS_Store", ".Trashes/", ".Trash-*/", "._*", "System Volume Information/"} <= set(
        IGNORE_PATTERNS
    )
    for pattern in IGNORE_PATTERNS:
        name = pattern.removesuffix("/").replace("*", "501")
        assert is_litter(name, folder=pattern.endswith("/")), pattern


@pytest.mark.parametrize("kind", ["absent", "empty", "folders only", "a file", "a broken link"])
def test_what_is_no_card_is_refused(tmp_path: Path, kind: str) -> None:
    """One clear line, and never advice that could wipe something."""
    place = tmp_path / "card"
    if kind == "empty":
        place.mkdir()
    elif kind == "folders only":
        (place / "DCIM" / "100NIMBR").mkdir(parents=True)
    elif kind == "a file":
        put(place)
    elif kind == "a broken link":
        place.symlink_to("nowhere")
    with pytest.raises(BadCard) as told:
        inventory(str(place))
    assert str(place) in told.value.what
    assert told.value.do


def test_an_empty_card_warns_before_it_is_formatted(tmp_path: Path) -> None:
    """Empty may mean that another card was meant."""
    with pytest.raises(BadCard) as told:
        inventory(str(tmp_path))
    assert "format" in told.value.dont


def test_a_card_with_litter_alone_is_empty(tmp_path: Path) -> None:
    """There is nothing on it that anybody would miss."""
    put(tmp_path / ".DS_Store")
    with pytest.raises(BadCard, match="empty"):
        inventory(str(tmp_path))


def test_a_folder_that_cannot_be_listed_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nobody knows what is in it; the rest of the card is still seen. The listing is made to
    fail here, since root may list everything."""
    put(tmp_path / "C0001.MOV")
    shut = (tmp_path / "SHUT").resolve()
    put(shut / "C0002.MOV")
    real = os.listdir

    def listdir(place: int) -> list[str]:
        if os.readlink(f"/proc/self/fd/{place}") == str(shut):
            raise OSError(5, "Input/output error")
        return real(place)

    monkeypatch.setattr(os, "listdir", listdir)
    seen = inventory(str(tmp_path))
    assert paths(seen) == ["C0001.MOV"]
    assert seen.unreadable == (Unreadable("SHUT", "Input/output error"),)


def test_looking_changes_no_time(tmp_path: Path) -> None:
    """No file is opened, so no access time moves."""
    place = put(tmp_path / "C0001.MOV")
    before = place.stat()
    inventory(str(tmp_path))
    after = place.stat()
    assert (after.st_atime_ns, after.st_mtime_ns) == (before.st_atime_ns, before.st_mtime_ns)
