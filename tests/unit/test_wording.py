"""How text is folded: at words, under its mark, and never inside what somebody copies."""

from __future__ import annotations

import textwrap

from hypothesis import given
from hypothesis import strategies as st

from ingest.wording import alike, columns, folded, hanging, unfolded, whole

WORDS = st.lists(st.text("abc.,-/é", min_size=1, max_size=30), min_size=1, max_size=30)


@given(WORDS, st.integers(40, 100))
def test_when_no_word_is_too_long_then_it_folds_as_the_standard_library_does(
    words: list[str], width: int
) -> None:
    """Python's own `textwrap` is the judge, with words and hyphens left whole."""
    text = " ".join(words)
    theirs = textwrap.wrap(
        text,
        width,
        initial_indent="- ",
        subsequent_indent="  ",
        break_long_words=False,
        break_on_hyphens=False,
    )
    assert folded(text, width, "- ", "  ") == theirs


@given(st.lists(st.text("ab漢", min_size=1, max_size=120), min_size=1), st.integers(40, 100))
def test_whatever_the_words_no_line_is_too_long_that_holds_more_than_one(
    words: list[str], width: int
) -> None:
    """Nothing is lost, and only a word that fits nowhere goes past the edge, alone."""
    lines = hanging(f"  ! {' '.join(words)}", width)
    assert " ".join(lines).split() == ["!", *words]
    assert all(columns(line) <= width or " " not in line for line in lines)


def test_when_a_line_has_a_mark_then_it_hangs_under_its_first_word() -> None:
    """A list's dash, a finding's mark, a box, `Do:`, and a label with two blanks behind it."""
    text = "word " * 12
    for mark in ("- ", "  ! ", "    * ", "  [ ] ", "  Do: ", "Don't: ", "  Because: ", "To      "):
        first, *rest = hanging(mark + text, 40)
        assert first.startswith(f"{mark}word")
        assert rest
        assert all(line.startswith(" " * len(mark) + "word") for line in rest)
    assert hanging(f"  {text}", 40)[1].startswith("    word")
    assert hanging(text, 40, indent=0)[1].startswith("word")


def test_when_a_path_is_longer_than_the_line_then_it_stands_alone_at_the_edge() -> None:
    """So that it is copied whole, and nothing else with it."""
    path = "/media/ALBATROSS/" + "x" * 40
    assert hanging(f"    {path}  (ALBATROSS, matched)", 40) == [path, "      (ALBATROSS, matched)"]
    assert hanging(f"! HERON: {path}: missing", 40) == ["! HERON:", f"{path}:", "  missing"]


def test_when_a_path_has_blanks_then_no_line_ends_inside_it() -> None:
    """Its blanks are blanks again on the screen and in a pipe."""
    line = f"  kept here for the time being: {whole('/media/ALBA TROSS/Heron Row/A001')} (matched)"
    said = hanging(line, 60)
    assert said[1] == "    /media/ALBA TROSS/Heron Row/A001 (matched)"
    assert "/media/ALBA TROSS/Heron Row/A001" in unfolded(line)


def test_when_a_name_holds_the_mark_of_a_kept_blank_then_it_is_made_visible() -> None:
    """Nobody else's name can pass for a blank of ours."""
    assert unfolded(whole("A\x1f1")) == "A\\x1f1"


def test_wide_characters_take_two_columns_and_accents_none() -> None:
    """Unicode Standard Annex #11: U+6F22 is W; a combining accent is drawn over the letter."""
    assert (columns("漢字"), columns("e\u0301"), columns("abc")) == (4, 1, 3)


def test_a_command_to_type_stays_on_one_line_where_it_fits() -> None:
    """With its options and values, but not with the prose behind it."""
    do = "  Do: set A right before it rolls again, then: ingest wrap --settle A001/A001C003_260314"
    assert hanging(do, 80) == [
        "  Do: set A right before it rolls again, then:",
        "      ingest wrap --settle A001/A001C003_260314",
    ]
    mend = "ingest mend HERON puts it back, and then ingest audit reads it"
    assert hanging(mend, 40)[0] == "ingest mend HERON puts it back, and then"
    far = f"Do: ingest copy --roll {'A' * 60} --to DRIVE"
    assert len(hanging(far, 60)) > 1


def test_what_is_the_same_of_several_files_is_said_once_above_their_paths() -> None:
    """One file keeps its line; paths stay one a line, so that each can be found by grep."""
    found = [
        ("HERON", "A001/C1.MOV", "mismatch", "changed in place"),
        ("HERON", "A001/C2.MOV", "doubtful", "missing once"),
        ("HERON", "A001/C3.MOV", "doubtful", "missing once"),
        ("", "A001/C4.MOV", "missing", ""),
        ("", "A001/C5.MOV", "missing", ""),
    ]
    lines = [
        "! HERON: A001/C1.MOV: mismatch (changed in place)",
        "! HERON: 2 files: doubtful (missing once)",
        "    A001/C2.MOV",
        "    A001/C3.MOV",
        "! A001/C4.MOV: missing",
        "! A001/C5.MOV: missing",
    ]
    assert alike(found, 9) == lines
    assert alike(found, 2) == [*lines[:3], "  ... and 3 more (--json tells all)"]
