"""Which roll a card is, from its own names.

That clip names begin with camera letter and roll number: ASC MHL v1.0 Appendix B names clips so
(A002C006_141024_R2EC.mov); the meaning of the parts is common practice, no source.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.card.rolls import Proposal, next_free, propose

A003 = ["A003/A003C001_260314_K7QD.mov", "A003/A003C002_260314_K7QD.mov", "STATUS.BIN"]


def roll(paths: list[str], label: str = "card", **said: object) -> Proposal:
    camera = said.get("camera")
    used = said.get("used", ())
    return propose(paths, label, camera=camera, used=used)  # type: ignore[arg-type]


def test_clip_names_tell_camera_and_roll() -> None:
    """The standard's own example, and ours."""
    assert roll(["Clips/A002C006_141024_R2EC.mov"]).roll == "A002"
    assert roll(A003) == Proposal("A003", "A", "from the clip names")


def test_clip_names_go_before_the_label() -> None:
    """A sticker may be an old one."""
    assert roll(A003, "B007").roll == "A003"


def test_most_of_the_clips_decide() -> None:
    """One stray clip of another camera changes nothing; half and half decides nothing."""
    assert roll([*A003, "B009C001_260314_AAAA.mov"]).roll == "A003"
    half = ["A003C001_260314_K7QD.mov", "B009C001_260314_AAAA.mov"]
    assert roll(half, "C004").roll == "C004"


@pytest.mark.parametrize(
    ("label", "proposed"),
    [("B002", "B002"), ("b2", "B002"), ("B-12", "B012"), ("B 7", "B007"), ("C1234", "C1234")],
)
def test_the_label_tells_where_the_clips_do_not(label: str, proposed: str) -> None:
    """Many cameras start every card at C0001."""
    assert roll(["CLIP/C0001.MP4"], label).roll == proposed


def test_a_used_name_moves_to_the_next_free_number() -> None:
    """And it is said why."""
    found = roll(A003, used=["A001", "A003", "A007", "B099"])
    assert (found.roll, found.camera) == ("A008", "A")
    assert "A003" in found.because


def test_a_name_used_in_other_letters_counts_as_used() -> None:
    """Some drives can't tell a003 from A003."""
    assert roll(A003, used=["a003"]).roll == "A004"


def test_the_camera_that_was_named_wins() -> None:
    """A person knows better than a clip name."""
    assert roll(A003, camera="C", used=["C004"]).roll == "C005"
    assert roll(A003, "C009", camera="C") == Proposal("C009", "C", "from the card's name")


@pytest.mark.parametrize(
    ("paths", "name"),
    [
        (["260314_001.WAV", "260314_002.WAV"], "S001"),
        (["DCIM/100NIMBR/NIMB0001.JPG"], "P001"),
        (["DCIM/100DRIFT/DRFT0001.MP4", "DCIM/100DRIFT/DRFT0001.JPG"], "X001"),
        (["notes.txt"], "X001"),
    ],
)
def test_the_kind_of_files_gives_a_letter_when_nothing_else_does(
    paths: list[str], name: str
) -> None:
    """Sound, stills, and unknown pictures, which are never taken for a camera's."""
    found = roll(paths)
    assert (found.roll, found.camera) == (name, None)


def test_the_next_number_keeps_its_width_and_goes_on_past_it() -> None:
    """B001, B002 -> B003; B999 -> B1000; gaps are never filled, since a roll may be elsewhere."""
    assert next_free("B", []) == "B001"
    assert next_free("B", ["B001", "B002", "A017"]) == "B003"
    assert next_free("B", ["B005"]) == "B006"
    assert next_free("B", ["B999"]) == "B1000"
    assert next_free("B", ["Bravo", "B 3"]) == "B004"


@given(st.lists(st.text(max_size=30), max_size=8), st.text(max_size=8), st.lists(st.text()))
def test_any_names_give_a_roll_that_is_not_used(
    paths: list[str], label: str, used: list[str]
) -> None:
    """Names on a card are somebody else's: nothing in them breaks the proposal."""
    found = propose(paths, label, camera=None, used=used)
    assert found.roll
    assert found.roll.casefold() not in {name.casefold() for name in used}
    assert propose([*paths], label, camera=None, used=[*used, found.roll]).roll != found.roll
