"""The report on paper: read back by pypdf, it says what the facts say."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
from pypdf import PdfReader

from ingest import wording as words
from ingest.names import shown
from ingest.report.facts import IntakeFacts
from ingest.report.pages import set_pages
from ingest.report.typesetting import Paper
from tests.unit.test_report_forms import HOSTILE, a_clip, make
from tests.unit.test_report_typesetting import a_png


def read(facts: IntakeFacts, paper: Paper = Paper.A4) -> PdfReader:
    return PdfReader(io.BytesIO(set_pages(facts, paper=paper, system_fonts=False)))


def text_of(reader: PdfReader) -> str:
    """All text without any white space: where lines break is the typesetter's business."""
    return re.sub(r"\s", "", "".join(page.extract_text() for page in reader.pages))


def squeezed(text: str) -> str:
    return re.sub(r"\s", "", text)


# Right-to-left text comes out of a PDF in no order that can be relied on.
IN_ORDER = {key: name for key, name in HOSTILE.items() if key not in ("Arabic", "many digits")}


@pytest.mark.parametrize("name", IN_ORDER.values(), ids=IN_ORDER.keys())
def test_a_hostile_name_is_only_text_on_paper(name: str) -> None:
    """It is shown in every place, with what no font here has as an escape."""
    text = text_of(read(make(name)))
    plain = text_of(read(make("plain")))
    beyond = {each for each in name if not each.isascii() and shown(each) == each}
    missing = [each for each in beyond if shown(each, each) in text]
    wanted = squeezed(shown(name, missing))
    assert text.count(wanted) >= plain.count("plain") * 0.8
    assert ("hasnofontfor" in text) == bool(missing)
    assert not re.search("[\x00-\x08\x0e-\x1f\x7f\u202a-\u202e\u2066-\u2069]", text)


def test_arabic_is_set_as_arabic() -> None:
    """Its letters are there, none is an escape: the typesetter's own fonts have them."""
    text = text_of(read(make(HOSTILE["Arabic"])))
    assert set(squeezed(HOSTILE["Arabic"])) <= set(text)
    assert r"\u06" not in text


def test_the_pages_tell_the_numbers_of_the_facts() -> None:
    """Verdict, remarks, problems, drives, clips and totals, in the words of the page."""
    facts = make()
    text = text_of(read(facts))
    (drive,) = facts.drives
    clip = facts.clips[0]
    for said in (
        facts.verdict,
        *(problem.what for problem in facts.problems),
        f"{drive.proven} of {drive.copies} read back past the cache, matched",
        "1 bad or gone",
        words.size(drive.bytes),
        words.size(drive.free or 0),
        "card read once",
        words.size(clip.bytes),
        clip.digest,
        words.length(clip.duration_seconds or Fraction(0)),
        "23.976 fps",
        "2 clips",
        "0 of 2",
        "circled",
        "look at it",
    ):
        assert squeezed(said) in text, said


def test_posters_are_in_it_as_they_are(tmp_path: Path) -> None:
    """The picture read out of the PDF has the poster's size; two clips, two frames."""
    poster = tmp_path / "one.png"
    poster.write_bytes(a_png())
    clips = tuple(replace(a_clip(f"C{n}", None), poster=poster) for n in (1, 2))
    reader = read(replace(make(), clips=clips))
    drawn = [
        each.get_object()
        for page in reader.pages
        for each in page["/Resources"].get("/XObject", {}).values()
    ]
    sizes = [(each["/Width"], each["/Height"]) for each in drawn if each["/Subtype"] == "/Image"]
    assert set(sizes) == {(8, 8)}
    # Each is drawn where its clip stands, with the words that a screen reader says.
    content = b"".join(page.get_contents().get_data() for page in reader.pages)
    assert content.count(b" Do") >= 2


def test_a_long_table_breaks_over_pages_with_its_heading() -> None:
    """Nothing is lost at the foot of a page, and every page of clips says what the columns are."""
    clips = tuple(a_clip(f"C{n:04}", "10:00:00:00") for n in range(120))
    for paper in Paper:
        reader = read(replace(make(), clips=clips), paper)
        text = text_of(reader)
        assert all(f"A001/C{n:04}" in text for n in range(120))
        pages = [page.extract_text() for page in reader.pages]
        full = [page for page in pages if page.count("A001/C0") > 3]
        assert len(full) > 3
        assert all("Timecode" in page and "Format" in page for page in full)


def test_with_nothing_in_the_catalog_there_are_still_pages() -> None:
    """An empty report is set too."""
    empty = replace(
        make(),
        drives=(), rolls=(), clips=(), files=(), offloads=(), cameras=(), days=(), scenes=(),
        problems=(), remarks=(),
    )  # fmt: skip
    text = text_of(read(empty))
    assert "Nodriveholdsacopy" in text
    assert "Nothingfoundthatneedsaperson" in text
