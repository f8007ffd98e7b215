"""Stills with EXIF laid out here by CIPA DC-008 (TIFF 6.0 directories), read by `probe`."""

from __future__ import annotations

import io
import random
import struct
from pathlib import Path

import av
import pytest

from ingest.media.facts import ClipKind
from ingest.media.posters import draw, poster
from ingest.media.reading.probe import probe

Entry = tuple[int, int, int, bytes]
"""Tag, type (2 ASCII, 3 SHORT, 4 LONG, 5 RATIONAL), count, value."""


def ascii_entry(tag: int, text: str) -> Entry:
    value = text.encode() + b"\0"
    return tag, 2, len(value), value


def ratios(tag: int, *pairs: tuple[int, int]) -> Entry:
    return tag, 5, len(pairs), b"".join(struct.pack("<II", *pair) for pair in pairs)


def short(tag: int, value: int) -> Entry:
    return tag, 3, 1, struct.pack("<H", value)


def long(tag: int, value: int) -> Entry:
    return tag, 4, 1, struct.pack("<I", value)


def directory(entries: list[Entry], at: int) -> bytes:
    """One TIFF directory standing at offset `at`, its longer values behind it."""
    entries = sorted(entries)
    place = at + 2 + 12 * len(entries) + 4
    rows, values = b"", b""
    for tag, kind, count, value in entries:
        rows += struct.pack("<HHI", tag, kind, count)
        if len(value) <= 4:
            rows += value.ljust(4, b"\0")
        else:
            rows += struct.pack("<I", place + len(values))
            values += value + b"\0" * (len(value) % 2)
    return struct.pack("<H", len(entries)) + rows + bytes(4) + values


def exif(main: list[Entry], photo: list[Entry], gps: list[Entry]) -> bytes:
    pointers = [long(0x8769, 0), long(0x8825, 0)]
    photo_at = 8 + len(directory(main + pointers, 8))
    gps_at = photo_at + len(directory(photo, photo_at))
    whole = directory([*main, long(0x8769, photo_at), long(0x8825, gps_at)], 8)
    return (
        b"II*\0"
        + struct.pack("<I", 8)
        + whole
        + directory(photo, photo_at)
        + directory(gps, gps_at)
    )


def jpeg(width: int = 96, height: int = 64) -> bytes:
    target = io.BytesIO()
    with av.open(target, "w", format="mjpeg") as container:
        stream = container.add_stream("mjpeg", rate=1)
        stream.width, stream.height, stream.pix_fmt = width, height, "yuvj420p"
        frame = av.VideoFrame(width, height, "yuvj420p")
        for plane in frame.planes:
            plane.update(bytes(index % 251 for index in range(plane.buffer_size)))
        container.mux(stream.encode(frame))
        container.mux(stream.encode())
    return target.getvalue()


def with_exif(picture: bytes, tiff: bytes) -> bytes:
    content = b"Exif\0\0" + tiff
    return picture[:2] + b"\xff\xe1" + struct.pack(">H", len(content) + 2) + content + picture[2:]


MAIN = [
    ascii_entry(0x010F, "Lumora"),
    ascii_entry(0x0110, "Lumora S2"),
    short(0x0112, 6),
    ascii_entry(0x0132, "2026:03:15 00:00:00"),
]
PHOTO = [
    ratios(0x829A, (1, 60)),
    ratios(0x829D, (28, 10)),
    short(0x8827, 400),
    ascii_entry(0x9003, "2026:03:14 10:20:30"),
    ascii_entry(0x9011, "+01:00"),
    ascii_entry(0xA431, "S2-0042"),
    ascii_entry(0xA434, "Lumora 35 mm"),
    short(0xA403, 1),
]
GPS = [
    ascii_entry(0x0001, "N"),
    ratios(0x0002, (48, 1), (30, 1), (0, 1)),
    ascii_entry(0x0003, "W"),
    ratios(0x0004, (11, 1), (15, 1), (0, 1)),
]


def put(folder: Path, content: bytes, name: str = "IMG_0001.JPG") -> Path:
    path = folder / name
    path.write_bytes(content)
    return path


def test_exif_gives_camera_exposure_and_date_as_written(tmp_path: Path) -> None:
    """CIPA DC-008 tags, laid out by hand; the zone stands in a tag of its own."""
    facts = probe(put(tmp_path, with_exif(jpeg(), exif(MAIN, PHOTO, GPS))))
    assert facts.doubts == ()
    assert facts.kind is ClipKind.STILL
    assert (facts.container, facts.width, facts.height) == ("JPEG", 96, 64)
    assert (facts.camera_make, facts.camera_model) == ("Lumora", "Lumora S2")
    assert (facts.camera_serial, facts.lens) == ("S2-0042", "Lumora 35 mm")
    assert (facts.exposure, facts.aperture, facts.iso) == ("1/60", "f/2.8", "400")
    assert facts.white_balance == "Manual"
    assert facts.recorded == "2026:03:14 10:20:30+01:00"
    assert facts.rotation == 90
    assert facts.location == "+48.500000-11.250000"


def test_a_time_without_zone_gets_none(tmp_path: Path) -> None:
    """The lack of a zone is a fact too; a date of zeros is no date."""
    photo = [entry for entry in PHOTO if entry[0] != 0x9011]
    facts = probe(put(tmp_path, with_exif(jpeg(), exif(MAIN, photo, GPS))))
    assert facts.recorded == "2026:03:14 10:20:30"
    zero = [ascii_entry(0x9003, "0000:00:00 00:00:00")]
    facts = probe(put(tmp_path, with_exif(jpeg(), exif([short(0x0112, 1)], zero, GPS))))
    assert (facts.recorded, facts.rotation) == (None, 0)


def test_the_poster_of_a_still_stands_upright(tmp_path: Path) -> None:
    """CIPA DC-008 orientation 6: the camera was turned, the poster is tall."""
    path = put(tmp_path, with_exif(jpeg(), exif(MAIN, PHOTO, GPS)))
    picture = tmp_path / "look.jpg"
    picture.write_bytes(draw(path, probe(path)))
    with av.open(str(picture)) as container:
        assert (container.streams.video[0].width, container.streams.video[0].height) == (320, 480)


def test_a_still_without_exif_has_its_size(tmp_path: Path) -> None:
    """What can be had is had, and nothing is made up."""
    facts = probe(put(tmp_path, jpeg()))
    assert (facts.width, facts.height, facts.recorded, facts.doubts) == (96, 64, None, ())


@pytest.mark.parametrize("name", ["IMG_0001.JPG", "IMG_0001.DNG"])
def test_a_cut_still_is_said_and_never_raises(tmp_path: Path, name: str) -> None:
    """Cut at every tenth, also under the name of a camera RAW."""
    whole = with_exif(jpeg(640, 480), exif(MAIN, PHOTO, GPS))
    for tenth in range(1, 10):
        path = put(tmp_path, whole[: len(whole) * tenth // 10], name)
        facts = probe(path)
        assert facts.kind is ClipKind.STILL
        assert any("cut short" in doubt for doubt in facts.doubts)
        poster(path, tmp_path / "o.jpg", facts)


LIES = {
    "a length of 4 GB": ((0x010F, 2, 0xFFFFFFFF, 26), "Image Make"),
    "a place beyond the file": ((0x010F, 2, 20, 0x7FFFFFFF), "Image Make"),
    "ratios without end": ((0x011A, 5, 0xFFFFFFF0, 26), "Image XResolution"),
}


@pytest.mark.parametrize(("entry", "named"), LIES.values(), ids=LIES.keys())
def test_exif_that_says_more_than_there_is_gives_the_rest_and_says_so(
    tmp_path: Path, entry: tuple[int, int, int, int], named: str
) -> None:
    """The size and orientation of the same directory are had; half a maker's name is none."""
    rows = struct.pack("<HHII", *entry) + struct.pack("<HHII", 0x0112, 3, 1, 6)
    tiff = b"II*\0" + struct.pack("<IH", 8, 2) + rows + bytes(4) + b"x" * 40
    facts = probe(put(tmp_path, with_exif(jpeg(), tiff)))
    assert (facts.width, facts.rotation, facts.camera_make) == (96, 90, None)
    assert facts.doubts == (f"Its EXIF says more than the file holds in {named}: left out.",)


@pytest.mark.parametrize("lie", ["a directory that leads to itself", "65,535 entries"])
def test_exif_without_end_comes_to_one(tmp_path: Path, lie: str) -> None:
    """What stands in it is had once."""
    turned = struct.pack("<HHII", 0x0112, 3, 1, 6)
    if lie.startswith("a directory"):
        rows = struct.pack("<H", 2) + struct.pack("<HHII", 0x8769, 4, 1, 8) + turned
        tiff = b"II*\0" + struct.pack("<I", 8) + rows + struct.pack("<I", 8)
    else:
        tiff = b"II*\0" + struct.pack("<IH", 8, 65535) + turned * 2000
    facts = probe(put(tmp_path, with_exif(jpeg(), tiff)))
    assert (facts.width, facts.rotation) == (96, 90)


@pytest.mark.parametrize("year", ["1904", "2106"])
def test_a_year_from_the_end_of_a_counter_is_kept_as_written(tmp_path: Path, year: str) -> None:
    """EXIF's date is text: it has no end."""
    facts = probe(
        put(
            tmp_path,
            with_exif(jpeg(), exif([ascii_entry(0x0132, f"{year}:02:07 06:28:15")], [], [])),
        )
    )
    assert facts.recorded == f"{year}:02:07 06:28:15"


def test_exif_that_lies_never_raises(tmp_path: Path) -> None:
    """Seeded damage inside the directories: lengths, offsets, types."""
    tiff = exif(MAIN, PHOTO, GPS)
    chance = random.Random(11)
    for _ in range(120):
        damaged = bytearray(tiff)
        for _ in range(chance.randint(1, 8)):
            damaged[chance.randrange(len(damaged))] = chance.choice([0, 1, 0x7F, 0xFF])
        path = put(tmp_path, with_exif(jpeg(), bytes(damaged)))
        assert probe(path).width == 96
