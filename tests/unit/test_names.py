"""Names that somebody else chose: kept exactly, shown safely."""

from __future__ import annotations

import shlex
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest import names


@given(st.binary(max_size=300))
def test_any_bytes_come_back_exactly(raw: bytes) -> None:
    """UTF-8 or not, the medium's own bytes are kept."""
    assert names.to_bytes(names.from_bytes(raw)) == raw


@given(st.binary(max_size=300).map(names.from_bytes))
def test_nothing_shown_can_move_a_cursor_or_break_a_line(name: str) -> None:
    """No control, direction, separator or undecodable character reaches a screen."""
    for character in names.shown(name):
        assert unicodedata.category(character) not in ("Cc", "Cs", "Zl", "Zp")
        assert character not in "\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"
    names.shown(name).encode("utf-8")


@given(st.binary(max_size=100).map(names.from_bytes))
def test_what_is_shown_may_be_shown_again(name: str) -> None:
    """An error that quotes a shown name passes through once more on its way out."""
    assert names.shown(names.shown(name)) == names.shown(name)


@pytest.mark.parametrize(
    "name",
    [
        "A001C001_260314_K7QD.mov",
        "two words",
        "Szene 12ä – Fähre",
        "back\\slash",
        "=1+2",
        "-rf",
        "",
    ],
)
def test_an_ordinary_name_is_shown_as_it_is(name: str) -> None:
    """A name without anything dangerous to a screen isn't changed."""
    assert names.shown(name) == name


@pytest.mark.parametrize(
    ("raw", "seen"),
    [
        (b"line\nbreak", "line\\nbreak"),
        (b"tab\there", "tab\\there"),
        (b"return\r", "return\\r"),
        (b"\x1b[31mred", "\\x1b[31mred"),
        (b"bell\x07", "bell\\x07"),
        (b"del\x7f", "del\\x7f"),
        ("c1\u009b".encode(), "c1\\x9b"),
        (b"not\xffutf8", "not\\xffutf8"),
        ("rev\u202etxt.exe".encode(), "rev\\u202etxt.exe"),
        ("sep\u2028".encode(), "sep\\u2028"),
        (b"both\\and\n", "both\\\\and\\n"),
    ],
)
def test_a_dangerous_character_becomes_visible(raw: bytes, seen: str) -> None:
    """Each kind by the escape that a reader of the screen knows."""
    assert names.shown(names.from_bytes(raw)) == seen


@pytest.mark.parametrize(
    ("name", "word"),
    [("A001", "A001"), ("CARD 12", "'CARD 12'"), ("it's", "'it'\"'\"'s'"), ("a\nb", "'a\\nb'")],
)
def test_a_name_that_is_to_be_typed_is_one_word_to_a_shell(name: str, word: str) -> None:
    """And nothing in it is more than text, to the shell or to the screen."""
    assert names.typed(name) == word
    assert shlex.split(names.typed(name)) == [names.shown(name)]
