"""Stills cut into tiles, laid out here by hand: the picture is all of them, never the first."""

from __future__ import annotations

import io
import random
from pathlib import Path

import av
import pytest
from made_heif import heif, jpeg_tile

from ingest.media.facts import ClipFacts, ClipKind
from ingest.media.health import Depth, Health, HealthState
from ingest.media.heif import read_heif
from ingest.media.judging import judge
from ingest.media.looking.viewing import view
from ingest.media.posters import draw
from ingest.media.reading.probe import probe

LIGHTS = (40, 90, 140, 190, 220, 60)
TILE = (64, 32)


@pytest.fixture(scope="module")
def tiles() -> list[bytes]:
    return [jpeg_tile(*TILE, light) for light in LIGHTS]


def put(folder: Path, content: bytes) -> Path:
    path = folder / "IMG_0001.HEIC"
    path.write_bytes(content)
    return path


def deep(path: Path) -> tuple[ClipFacts, Health]:
    facts = probe(path)
    return facts, judge(facts, view(path, facts, deep=True).seen, name=path.name)


def lights(poster: bytes, columns: int, rows: int) -> list[list[int]]:
    """Luma in the middle of each field of a grid laid over it."""
    with av.open(io.BytesIO(poster), "r", format="jpeg_pipe") as container:
        frame = next(container.decode(video=0)).reformat(format="gray")
    plane = frame.planes[0]
    content = bytes(plane)
    return [
        [
            content[
                (2 * row + 1) * frame.height // (2 * rows) * plane.line_size
                + (2 * column + 1) * frame.width // (2 * columns)
            ]
            for column in range(columns)
        ]
        for row in range(rows)
    ]


def test_the_size_is_the_pictures_and_not_a_tiles(tmp_path: Path, tiles: list[bytes]) -> None:
    """Three by two tiles of 64x32, of which 180x60 are shown; a quarter anti-clockwise is 270."""
    path = put(tmp_path, heif(tiles, columns=3, tile=TILE, size=(180, 60), quarters=1))
    with av.open(str(path)) as container:  # FFmpeg sees six pictures
        assert {(each.width, each.height) for each in container.streams.video} == {TILE}
    facts, health = deep(path)
    assert facts.kind is ClipKind.STILL
    assert (facts.width, facts.height, facts.rotation) == (180, 60, 270)
    assert (health.state, health.depth) == (HealthState.HEALTHY, Depth.DEEP)


def test_a_poster_shows_all_tiles_in_their_places_and_upright(
    tmp_path: Path, tiles: list[bytes]
) -> None:
    """Turned by a quarter anti-clockwise: the last column is the first row."""
    path = put(tmp_path, heif(tiles, columns=3, tile=TILE, size=(192, 64)))
    close = [pytest.approx(each, abs=6) for each in LIGHTS]
    assert lights(draw(path, probe(path)), 3, 2) == [close[:3], close[3:]]
    path = put(tmp_path, heif(tiles, columns=3, tile=TILE, size=(192, 64), quarters=1))
    assert lights(draw(path, probe(path)), 2, 3) == [
        [close[2], close[5]],
        [close[1], close[4]],
        [close[0], close[3]],
    ]


def test_its_own_thumbnail_is_the_poster(tmp_path: Path, tiles: list[bytes]) -> None:
    """It costs one small picture instead of fifty."""
    small = jpeg_tile(TILE[0] // 2, TILE[1] // 2, 120)
    path = put(tmp_path, heif(tiles, columns=3, tile=TILE, size=(192, 64), thumbnail=small))
    picture = read_heif(path)
    assert picture is not None
    assert picture.thumbnails == (200,)
    assert lights(draw(path, probe(path)), 1, 1) == [[pytest.approx(120, abs=4)]]


def test_a_lost_tile_breaks_the_picture_though_the_first_is_whole(
    tmp_path: Path, tiles: list[bytes]
) -> None:
    """What is missing is named; the rest is drawn."""
    lost = [*tiles[:5], b"no picture"]
    path = put(tmp_path, heif(lost, columns=3, tile=TILE, size=(192, 64)))
    facts, health = deep(path)
    assert health.state is HealthState.BROKEN
    (finding,) = health.findings
    assert finding.words.startswith("Its first frame can't be decoded: tile 6 of 6: ")
    assert lights(draw(path, facts), 3, 2)[0] == [pytest.approx(each, abs=6) for each in LIGHTS[:3]]


def test_a_picture_that_was_cut_is_broken_and_has_its_size(
    tmp_path: Path, tiles: list[bytes]
) -> None:
    """The boxes stand first; what they list lies past the end."""
    whole = heif(tiles, columns=3, tile=TILE, size=(192, 64))
    facts, health = deep(put(tmp_path, whole[: -len(tiles[-1])]))
    assert (facts.width, facts.height) == (192, 64)
    assert (health.state, [each.kind for each in health.findings]) == (
        HealthState.BROKEN,
        ["claims more"],
    )


def test_damage_anywhere_in_its_boxes_never_raises(tmp_path: Path, tiles: list[bytes]) -> None:
    """Seeded, and every cut of its boxes: sizes, counts, item numbers, places."""
    whole = heif(tiles, columns=3, tile=TILE, size=(192, 64), quarters=1, thumbnail=tiles[0])
    boxes = whole.index(b"mdat") - 4
    dice = random.Random(5)
    for _ in range(300):
        content = bytearray(whole)
        for _ in range(dice.randint(1, 6)):
            content[dice.randrange(boxes)] = dice.choice([0, 1, 0x7F, 0xFF, dice.randrange(256)])
        read_heif(put(tmp_path, bytes(content)))
    for end in range(0, boxes, 7):
        read_heif(put(tmp_path, whole[:end]))
