"""Where a card's own hash lists stand in a roll's folder."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.manifest.card_chain import begin_with_card, card_chain
from ingest.manifest.history import read_history
from ingest.manifest.kept import card_path, in_history, kept_path
from ingest.manifest.model import ChainEntry
from ingest.manifest.writing import chain_xml

NAMES = st.sampled_from(
    ["ascmhl", "ASCMHL", "ascmhl_chain.xml", "card_ascmhl_chain.xml", "card_card_ascmhl_chain.xml"]
)
PATHS = st.lists(NAMES | st.text("abc_.", min_size=1), min_size=1, max_size=3).map("/".join)


@given(PATHS, PATHS)
def test_no_two_files_of_a_card_want_one_place(one: str, other: str) -> None:
    """And the card's name is known again from the place."""
    assert card_path(kept_path(one)) == one
    assert (kept_path(one) == kept_path(other)) == (one == other)


@pytest.mark.parametrize(
    ("path", "kept"),
    [
        ("ascmhl/ascmhl_chain.xml", "ascmhl/card_ascmhl_chain.xml"),
        ("ascmhl/0001_A003.mhl", "ascmhl/0001_A003.mhl"),
        ("CLIP/ascmhl/ascmhl_chain.xml", "CLIP/ascmhl/ascmhl_chain.xml"),
        ("ascmhl_chain.xml", "ascmhl_chain.xml"),
    ],
)
def test_only_the_chain_at_the_top_moves(path: str, kept: str) -> None:
    """Everything else stands where the card has it."""
    assert kept_path(path) == kept


def test_only_files_in_a_history_are_in_one() -> None:
    """A file called so, or a folder beginning so, is footage."""
    assert in_history("ascmhl/x")
    assert in_history("a/ascmhl/b/x")
    assert not in_history("ascmhl")
    assert not in_history("ascmhl2/x")


def test_the_drives_chain_begins_with_the_cards_once(tmp_path: Path) -> None:
    """And one that stands there is never replaced by it."""
    folder = tmp_path / "ascmhl"
    folder.mkdir()
    c4 = "c4" + "1" * 88
    data = chain_xml([ChainEntry(1, "0001_x.mhl", c4)])
    (folder / "card_ascmhl_chain.xml").write_bytes(data)
    handle = os.open(tmp_path, os.O_RDONLY)
    try:
        assert card_chain(handle).names == {"0001_x.mhl"}
        assert not (folder / "ascmhl_chain.xml").exists(), "looking writes nothing"
        assert begin_with_card(handle).names == {"0001_x.mhl"}
        assert (folder / "ascmhl_chain.xml").read_bytes() == data
        longer = chain_xml([ChainEntry(1, "0001_x.mhl", c4), ChainEntry(2, "0002_y.mhl", c4)])
        (folder / "ascmhl_chain.xml").write_bytes(longer)
        assert begin_with_card(handle).names == {"0001_x.mhl"}
        assert (folder / "ascmhl_chain.xml").read_bytes() == longer
        assert len(read_history(handle).generations) == 2
    finally:
        os.close(handle)
