"""Facts as JSON: nothing is lost on the way, and another version's document can be read."""

from __future__ import annotations

import json
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.media.facts import ClipFacts, ClipKind, Colour, SoundNotes
from ingest.media.facts_json import facts_from_json, facts_to_json


@given(st.builds(ClipFacts))
def test_facts_written_to_json_come_back_equal(facts: ClipFacts) -> None:
    """Every field of every class, through real JSON text."""
    assert facts_from_json(json.loads(json.dumps(facts_to_json(facts)))) == facts


def test_full_facts_come_back_equal() -> None:
    """A worked example: fractions as text, nested parts as objects."""
    facts = ClipFacts(
        kind=ClipKind.SOUND,
        frame_rate=Fraction(24000, 1001),
        colour=Colour(primaries="BT.709"),
        sound=SoundNotes(scene="12A", take="03", circled=True, tracks=("Boom", "")),
        doubts=("The file ends early.",),
        extra={"Key": "Wert äöü"},
    )
    document = facts_to_json(facts)
    assert document["frame_rate"] == "24000/1001"
    assert document["kind"] == "sound"
    assert facts_from_json(json.loads(json.dumps(document))) == facts


def test_unknown_keys_are_ignored_and_absent_ones_take_their_default() -> None:
    """A document of a newer version, then one of an older."""
    document = facts_to_json(ClipFacts(codec="AVC", colour=Colour(matrix="BT.709")))
    document["from_the_future"] = {"a": 1}
    document["kind"] = "hologram"
    assert isinstance(document["colour"], dict)
    document["colour"]["gamut"] = "wide"
    assert facts_from_json(document) == ClipFacts(codec="AVC", colour=Colour(matrix="BT.709"))
    assert facts_from_json({}) == ClipFacts()


@pytest.mark.parametrize(
    "document",
    [
        {"width": "wide"},
        {"width": True},
        {"frame_rate": "24/0"},
        {"frame_rate": 23.976},
        {"audio": {"channels": 2}},
        {"audio": ["stereo"]},
        {"doubts": [1]},
        {"extra": ["a"]},
        {"variable_rate": "no"},
        {"colour": "red"},
    ],
)
def test_a_key_with_the_wrong_kind_of_value_is_named(document: dict[str, object]) -> None:
    """Damage is said, with the key, instead of guessed away."""
    with pytest.raises(ValueError, match=next(iter(document))):
        facts_from_json(document)
