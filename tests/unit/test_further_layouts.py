"""Which roll a folder is, from its place."""

from __future__ import annotations

from datetime import date

import pytest

from ingest.jobs.further.layouts import Place, place_of
from ingest.settings import LAYOUT


@pytest.mark.parametrize("above", ["", "2026/", "a/b c/"])
def test_the_usual_layout_is_read_back(above: str) -> None:
    """Also below other folders."""
    place = place_of(f"{above}Kestrel Quay/D02_2026-03-15/A003", LAYOUT)
    assert place == Place("Kestrel Quay", 2, date(2026, 3, 15), "A003")


@pytest.mark.parametrize(
    "folder",
    ["", "A003", "X/A003", "P/D1_2026-99-99/A003", "P/Dx_2026-03-15/A", "P/D01_2026-03-15/A/B"],
)
def test_a_place_that_does_not_fit_says_nothing(folder: str) -> None:
    """Nothing is guessed."""
    assert place_of(folder, LAYOUT) == Place()


def test_another_layout_is_read_by_its_own_words() -> None:
    """Camera and card too; what an offload could never write is no layout."""
    layout = "{date}/{camera}/{production}-{roll} ({card})/{roll}"
    place = place_of("2026-03-15/A/Kestrel-A003 (sticker 7)/A003", layout)
    assert place == Place("Kestrel", None, date(2026, 3, 15), "A003", "A", "sticker 7")
    assert place_of("2026-03-15/-/K-A003 (s)/A003", layout).camera is None
    assert place_of("2026-03-15/A/K-A003 (s)/A004", layout) == Place()
    assert place_of("x", "{lens}") == Place()
    assert place_of("x", "{") == Place()


def test_names_with_newlines_and_bytes_that_are_no_text_are_names() -> None:
    """Exact, as on the drive."""
    name = b"K\xe9\n".decode("utf-8", "surrogateescape")
    assert place_of(f"{name}/D01_2026-03-15/A[1].*", LAYOUT).production == name
