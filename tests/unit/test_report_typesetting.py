"""Pages set in type: whatever stands in a name is text, and nothing is lost without a word.

What was set is read back by pypdf, a library that has nothing to do with the typesetter.
"""

from __future__ import annotations

import io
import re
import struct
import sys
import zlib
from datetime import UTC, datetime

import pytest
from pypdf import PdfReader

from ingest.names import shown
from ingest.report import typesetting
from ingest.report.typesetting import CannotTypeset, Paper, Typeset, typeset

NOW = datetime(2026, 3, 14, 23, 10, tzinfo=UTC)
SOURCE = """
#import "/house.typ": *
#show: pages
#let facts = json("/facts.json")
#let places = json("/pictures.json")
= Names
#for name in facts.names [#name #parbreak()]
#for key in facts.keys { if key in places { image(places.at(key), alt: key, width: 2cm) } }
"""


def a_png() -> bytes:
    """A grey picture of 8 by 8 pixels (PNG, ISO/IEC 15948), made by hand."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        body = kind + data
        return struct.pack(">I", len(data)) + body + struct.pack(">I", zlib.crc32(body))

    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", struct.pack(">IIBBBBB", 8, 8, 8, 0, 0, 0, 0))
        + chunk(b"IDAT", zlib.compress((b"\0" + b"\x80" * 8) * 8))
        + chunk(b"IEND", b"")
    )


def set_names(*names: str, **options: object) -> tuple[Typeset, str]:
    """The document, and the text that pypdf finds in it, white space folded."""
    pictures = options.pop("pictures", {})
    made = typeset(
        SOURCE,
        {"names": names, "keys": list(pictures)},  # type: ignore[call-overload]
        title="Names",
        written=NOW,
        pictures=pictures,  # type: ignore[arg-type]
        system_fonts=False,
        **options,  # type: ignore[arg-type]
    )
    return made, text_of(made)


def text_of(made: Typeset) -> str:
    reader = PdfReader(io.BytesIO(made.pdf))
    return " ".join(" ".join(page.extract_text() for page in reader.pages).split())


@pytest.mark.parametrize(
    "name",
    [
        "#panic(1) $x$ *b* _i_ `r` <label> @ref // no",
        '] #import "/facts.json" [',
        "= heading",
        "one\ntwo\r\nthree\x1b[31m\x00",
        "gpj.\u202emov",
        "x" * 300,
        "caf\udce9.MOV",
        "\\u{7b2c}",
        "Ägir Ω Ж",
    ],
)
def test_a_name_is_text_and_shown(name: str) -> None:
    """Markup of the typesetter, control and direction characters, no place to break a line."""
    made, text = set_names(name)
    assert "".join(shown(name).split()) in text.replace(" ", "")
    assert made.escaped == frozenset()


def test_a_character_without_a_font_is_escaped_and_the_document_says_so() -> None:
    """ISO 19005-2 (PDF/A-2) allows no reference to a missing glyph (from memory); the
    typesetter's own fonts have no CJK and no emoji."""
    made, text = set_names("第三場", "plain", "🎬")
    assert made.escaped == frozenset("第三場🎬")
    for escape in (r"\u7b2c\u4e09\u5834", r"\U0001f3ac", "plain"):
        assert escape in text
    assert "has no font for 4 characters of the names" in text
    _, text = set_names("plain")
    assert "has no font" not in text


def test_the_typesetter_that_refuses_without_a_reason_costs_the_letters_not_the_document(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Were its words to change with a version, everything beyond ASCII would be escaped."""
    monkeypatch.setattr(typesetting, "_REFUSED", re.compile("(never said)"))
    made, text = set_names("Ä第")
    assert made.escaped == frozenset("Ä第")
    assert r"\u00c4\u7b2c" in text


def test_the_document_claims_what_it_is_and_is_tagged() -> None:
    """PDF/A-2a and PDF/UA-1 in its metadata (ISO 19005-2, 6.6.4; ISO 14289-1, clause 5: from
    memory), a structure tree, a language, and the date it was given."""
    made, _ = set_names("plain")
    reader = PdfReader(io.BytesIO(made.pdf))
    root = reader.trailer["/Root"]
    metadata = root["/Metadata"].get_data().decode("utf-8")
    assert "<pdfaid:part>2</pdfaid:part>" in metadata
    assert "<pdfaid:conformance>A</pdfaid:conformance>" in metadata
    assert "<pdfuaid:part>1</pdfuaid:part>" in metadata
    assert root["/MarkInfo"]["/Marked"]
    assert "/StructTreeRoot" in root
    assert root["/Lang"] == "en"
    assert reader.metadata is not None
    assert reader.metadata.title == "Names"
    assert reader.metadata.creation_date == NOW


@pytest.mark.parametrize(
    ("paper", "points"), [(Paper.A4, (595.28, 841.89)), (Paper.LETTER, (612, 792))]
)
def test_the_paper_is_the_one_asked_for(paper: Paper, points: tuple[float, float]) -> None:
    """ISO 216: A4 is 210 by 297 mm; ANSI Letter is 8.5 by 11 inches; a point is 1/72 inch."""
    made, text = set_names(*["plain"] * 80, paper=paper)
    reader = PdfReader(io.BytesIO(made.pdf))
    box = reader.pages[0].mediabox
    assert (float(box.width), float(box.height)) == pytest.approx(points, abs=0.02)
    pages = len(reader.pages)
    assert pages > 1
    assert f"Page 1 of {pages}" in text
    assert f"Page {pages} of {pages}" in text


def test_pictures_are_in_it_and_a_broken_one_is_named() -> None:
    """A poster that is cut off costs itself, nothing else."""
    good = a_png()
    pictures = {"one": good, "cut": good[:40], "noise": b"\xff\xd8\xff noise", "two": good}
    made, _ = set_names("plain", pictures=pictures)
    assert made.broken == {"cut", "noise"}
    (page,) = PdfReader(io.BytesIO(made.pdf)).pages
    drawn = [each.get_object() for each in page["/Resources"]["/XObject"].values()]
    assert {(each["/Width"], each["/Height"]) for each in drawn} == {(8, 8)}


def test_the_same_values_make_the_same_bytes() -> None:
    """Nothing of the moment or the machine's folders goes into it."""
    first, _ = set_names("plain", "Ω")
    second, _ = set_names("plain", "Ω")
    assert first.pdf == second.pdf


def test_without_the_typesetter_it_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    """The one dependency of this kind: named, with the command."""
    monkeypatch.setitem(sys.modules, "typst", None)
    with pytest.raises(CannotTypeset) as told:
        set_names("plain")
    assert told.value.do == "python -m pip install typst"


def test_a_source_that_is_wrong_is_an_error_of_ours() -> None:
    """No foreign error comes through."""
    with pytest.raises(CannotTypeset, match="unknown variable"):
        typeset("#nothing-of-the-kind", {}, title="x", written=NOW, system_fonts=False)
