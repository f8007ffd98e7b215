"""One set of facts drawn as page, sheets and JSON: the same numbers, and no name does any harm."""

from __future__ import annotations

import base64
import csv
import hashlib
import io
import json
import re
from dataclasses import replace
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from lxml import html

from ingest import wording as words
from ingest.assurance.footage.set_wrong import ASKED, USUAL, Difference
from ingest.evidence import Against, Route, State
from ingest.names import shown
from ingest.report.document import SCHEMA, facts_to_document, json_schema
from ingest.report.facts import (
    ClipLength,
    ClipLine,
    CopyLine,
    DayEnd,
    DriveLine,
    FileLine,
    IntakeFacts,
    OffloadLine,
    OpenLine,
    Problem,
    RollLine,
    SceneLine,
    Sum,
    TakeLine,
    Totals,
)
from ingest.report.page import render
from ingest.report.posters import choose, data_uri
from ingest.report.sheets import CLIP_COLUMNS, COPY_COLUMNS, clips_sheet, copies_sheet
from ingest.report.timeline import LEFT, draw

NOW = datetime(2026, 3, 14, 23, 10, tzinfo=UTC)

HOSTILE = {
    "markup": '"><b id=hurt>bold</b><img src=x onerror="hurt()">',
    "script": "</style></script><script>hurt()</script>",
    "template": "{{ 7 * 7 }}{% raw %}",
    "attribute": "' onmouseover=hurt() x='",
    "formula =": '=HYPERLINK("x","y")',
    "formula +": "+1+1",
    "formula -": "-1+1",
    "formula @": "@SUM(1)",
    "formula after a space": " =1+1",
    "full-width formula": "＝1+1",
    "tab": "\t=1+1",
    "carriage return": "\r=1+1",
    "right-to-left override": "clip\u202egpj.MOV",
    "isolate": "a\u2066b\u2069c",
    "newline": "one\ntwo,three\r\nfour",
    "escape codes": "\x1b[2J\x1b]0;title\x07\x9b31m",
    "nul and delete": "a\x00b\x7f",
    "long": "x" * 300,
    "many digits": "9" * 5000,
    "emoji": "🎬👩‍🎤",
    "CJK": "第三場　撮影",
    "Arabic": "المشهد الثالث",
    "not UTF-8": "caf\udce9.MOV",
    "lone surrogates": "\ud800x\udfff",
    "leading dash": "--out=/etc",
    "quotes": "a,\"b\";'c'",
    "line separator": "a\u2028b\u2029c",
}


def make(name: str = "plain") -> IntakeFacts:
    """Facts with this text in every place that somebody else fills."""
    copies = tuple(
        CopyLine(
            drive=f"{name}" if number == 1 else "Harbour 2",
            path=f"{name}/C1.MOV",
            state=State.MATCHED if number == 1 else State.MISMATCH,
            route=Route.MEDIUM,
            against=Against.CARD,
            at=NOW,
            why=name,
            device_key=f"disk {number}",
        )
        for number in (1, 2)
    )
    file = FileLine(name, name, 123_456_789, {"xxh128": "0" * 32, name: name}, copies)
    bare = FileLine(name, f"{name}.bin", 11, {}, ())
    clip = ClipLine(
        name=f"{name}/a{name}",
        roll=name,
        day=1,
        camera=name,
        kind="picture",
        display=name,
        takes=(TakeLine(name, name, name, "circled", "likely", name, name),),
        start_timecode=name,
        end_timecode=name,
        duration_seconds=Fraction(1001, 100),
        frame_rate=Fraction(24000, 1001),
        width=1920,
        height=1080,
        codec=name,
        container=name,
        recorded=name,
        doubts=(name,),
        health="look",
        findings=(name,),
        files=(file,),
    )
    timed = replace(clip, name=f"{name}/b", start_timecode="10:00:00:00", files=(), poster=None)
    drive = DriveLine(
        name=name,
        device=name,
        device_key=name,
        fs_type=name,
        root=name,
        mounted=True,
        copies=2,
        proven=1,
        cached=0,
        own_list=0,
        bad=1,
        waiting=0,
        bytes=123_456_789,
        oldest=NOW,
        newest=NOW,
        speed=Fraction(190_000_000),
        pace=name,
        free=2_000_000_000_000,
        where=name,
        once=1,
    )
    offload = OffloadLine(
        roll=name,
        card=name,
        who=name,
        machine=name,
        started=NOW,
        finished=NOW,
        verdict=name,
        card_read=1,
        files=2,
        known=0,
        bytes=123_456_800,
        seconds=1.5,
        left_out=1,
        litter=1,
        notes=(("link", name, name), (name, name, name)),
    )
    return IntakeFacts(
        production=name,
        scope=name,
        as_of=NOW,
        wanted=2,
        verdict=f"Not safe yet: {name} (as of 2026-03-14 23:10 UTC).",
        remarks=(name,),
        problems=(
            Problem("mismatch", name, name, items=(name,)),
            Problem("other", name, name, serious=False, items=(name,) * 20),
        ),
        totals=Totals(2, 123_456_800, 2, 1, 0, 2, 1, 1),
        drives=(drive,),
        rolls=(RollLine(name, 1, name, name, name, 2, 123_456_800, 2, 0, 1),),
        clips=(clip, timed),
        files=(file, bare),
        cameras=(Sum(name, 2, 2, 123_456_800, Fraction(20), 123_456_789),),
        days=(Sum(name, 2, 2, 123_456_800, Fraction(20), 123_456_789),),
        roll_sums=(Sum(name, 1, 1, 0, Fraction(0)), Sum(f"{name}2", 1, 1, 0, Fraction(0), 0, 1)),
        whole=Sum(
            "All",
            2,
            2,
            123_456_800,
            Fraction(20),
            123_456_789,
            1,
            ClipLength(name, Fraction(12)),
            ClipLength(name, Fraction(8)),
        ),
        differences=(
            Difference(name, "codec", name, name, ASKED, True, (name,) * 20),
            Difference(name, "audio channels", name, name, USUAL, False, (name,)),
        ),
        offloads=(offload,),
        day_end=DayEnd(
            1,
            (OpenLine(name, name, name, name, True), OpenLine("x", name, name, name)),
            ((name, name),),
            name,
        ),
        scenes=(SceneLine(name, 1, 1, 2, (name,), False, Fraction(20), (name,)),),
        cautions=(name,),
    )


def page_of(facts: IntakeFacts) -> tuple[str, Any]:
    text = render(facts)
    text.encode("utf-8")
    return text, html.document_fromstring(text, parser=html.HTMLParser(encoding="utf-8"))


def rows_of(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text, newline=""), strict=True))


@pytest.mark.parametrize("name", HOSTILE.values(), ids=HOSTILE.keys())
def test_a_hostile_name_is_only_text_in_the_page(name: str) -> None:
    """The page has the same elements and attributes as with a plain name, and shows the name."""
    text, page = page_of(make(name))
    _, plain = page_of(make("plain"))

    def skeleton(root: Any) -> list[tuple[str, tuple[str, ...]]]:
        # A take is written on its bar only where there is room for it.
        return [
            (each.tag, tuple(sorted(each.attrib)))
            for each in root.iter()
            if not each.get("class", "").startswith("take")
        ]

    assert skeleton(page) == skeleton(plain)
    assert [each.text for each in page.iter("script")] == [
        each.text for each in plain.iter("script")
    ]
    assert not re.search(
        "[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069]", text
    )
    # Every place shows it in full, but for the parser's folding of white space.
    whole = "".join(page.itertext())
    assert whole.count(shown(name)) >= 20


@pytest.mark.parametrize("name", HOSTILE.values(), ids=HOSTILE.keys())
def test_a_hostile_name_is_only_text_in_a_sheet(name: str) -> None:
    """No field begins as a formula, none breaks a row, and the name can be read back.

    The characters are those of the OWASP page on CSV injection (from memory).
    """
    facts = make(name)
    for text, columns, count in (
        (clips_sheet(facts), CLIP_COLUMNS, 2),
        (copies_sheet(facts), COPY_COLUMNS, 3),
    ):
        text.encode("utf-8")
        rows = rows_of(text)
        assert len(rows) == count
        assert text.count("\r\n") == text.count("\n") == count + 1
        for row in rows:
            assert tuple(row) == columns
            for value in row.values():
                assert not value.lstrip().startswith(tuple("=+-@\t\r\n＝＋－＠"))
                assert not re.search("[\x00-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]", value)
            assert row["production"].removeprefix("'") == shown(name).removeprefix("'")


@pytest.mark.parametrize("name", HOSTILE.values(), ids=HOSTILE.keys())
def test_a_hostile_name_survives_json(name: str) -> None:
    """Strict UTF-8, shown safely, exact bytes beside it where that changed the name."""
    text = json.dumps(facts_to_document(make(name)))
    again = json.loads(text)
    Draft202012Validator(json_schema()).validate(again)
    json.dumps(again, ensure_ascii=False).encode("utf-8")
    file = again["files"][0]
    assert file["path"] == shown(name)
    if "path_bytes" in file:
        assert bytes.fromhex(file["path_bytes"]).decode("utf-8", "surrogateescape") == name
    else:
        assert shown(name) == name or re.search("[\ud800-\udc7f\udd00-\udfff]", name)


def test_the_published_schema_is_one_and_leaves_nothing_open() -> None:
    """JSON Schema 2020-12; a field that it doesn't know, or one left out, is refused."""
    schema = json_schema()
    Draft202012Validator.check_schema(schema)
    document = facts_to_document(make())
    assert schema["properties"]["schema"]["const"] == document["schema"]
    judge = Draft202012Validator(schema)
    assert judge.is_valid(document)
    assert judge.is_valid({**document, "written": ["intake-report.json"]})
    assert not judge.is_valid({**document, "new": 1})
    assert not judge.is_valid({key: document[key] for key in document if key != "drives"})
    first = {**document["clips"][0], "bytes": "11"}
    assert not judge.is_valid({**document, "clips": [first]})


def test_the_forms_tell_the_same_numbers() -> None:
    """Sizes, counts, states and digests of page, sheets and JSON agree."""
    facts = make()
    document = facts_to_document(facts)
    _, page = page_of(facts)
    clips, copies = rows_of(clips_sheet(facts)), rows_of(copies_sheet(facts))
    assert document["schema"] == SCHEMA
    assert document["well"] is facts.well is False
    assert [clip["clip"] for clip in document["clips"]] == [row["clip"] for row in clips]
    assert [str(clip["bytes"]) for clip in document["clips"]] == [row["bytes"] for row in clips]
    assert [clip["frame_rate"] for clip in document["clips"]] == ["24000/1001"] * 2
    assert [row["frame_rate"] for row in clips] == ["24000/1001"] * 2
    flat = [
        (file["path"], str(file["size"]), copy["drive"], copy["state"])
        for file in document["files"]
        for copy in file["copies"] or [{"drive": "", "state": "no copy"}]
    ]
    assert flat == [(row["path"], row["size"], row["drive"], row["state"]) for row in copies]
    shown_rows = [
        # ROLL/NAME stands below the display name, where there is one.
        (row.findall(".//th//bdi")[-1].text, row.get("data-bytes"))
        for row in page.iterfind(".//tr[@class='clip']")
    ]
    assert sorted(shown_rows) == sorted((row["clip"], row["bytes"]) for row in clips)
    files = page.findall(".//table[@class='plain filelist']/tbody/tr")
    assert [(row.findtext("th"), row.findtext("td").replace(",", "")) for row in files] == [
        (file["path"], str(file["size"])) for file in document["files"]
    ]
    assert page.findtext(".//title") == "Intake report: plain"
    assert " ".join("".join(page.find(".//h1").itertext()).split()) == facts.verdict


def test_the_page_stands_alone_and_its_policy_allows_nothing_else() -> None:
    """No address outside; the hashes in the policy are those of the style and script in it.

    W3C Content Security Policy Level 3: a hash is that of the element's text, in base64.
    """
    text, page = page_of(make())
    policy = page.find(".//meta[@http-equiv='Content-Security-Policy']").get("content")
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    for tag in ("style", "script"):
        (inline,) = re.findall(f"<{tag}>(.*?)</{tag}>", text, re.DOTALL)
        digest = base64.b64encode(hashlib.sha256(inline.encode()).digest()).decode()
        assert f"{tag}-src 'sha256-{digest}'" in policy
    for element in page.iter():
        for name in ("src", "href", "action", "data", "poster", "srcset", "style"):
            assert element.get(name, "#").startswith(("#", "data:image/"))
    assert "url(" not in text
    assert "@import" not in text


def test_a_screen_reader_is_told_what_the_tables_are() -> None:
    """Language, one first heading, a caption and column headers for every table."""
    _, page = page_of(make())
    assert page.get("lang") == "en"
    assert len(page.findall(".//h1")) == 1
    for table in page.iter("table"):
        assert "".join(table.find("caption").itertext()).strip()
        assert all(head.get("scope") == "col" for head in table.iterfind("thead/tr/th"))
    labelled = {label.find(".//*[@id]").get("id") for label in page.iter("label")}
    fields = {field.get("id") for tag in ("input", "select") for field in page.iter(tag)}
    assert labelled == fields
    identifiers = [each.get("id") for each in page.iter() if each.get("id")]
    assert len(identifiers) == len(set(identifiers))
    for section in page.iter("section"):
        assert section.get("aria-labelledby") in identifiers


def test_with_nothing_in_the_catalog_there_is_still_a_page() -> None:
    """An empty report is drawn in every form."""
    empty = replace(
        make(), drives=(), rolls=(), clips=(), files=(), offloads=(), cameras=(), days=()
    )
    _, page = page_of(empty)
    assert "No drive holds a copy" in "".join(page.itertext())
    assert rows_of(clips_sheet(empty)) == rows_of(copies_sheet(empty)) == []


# The smallest picture that starts as JPEG does (ITU-T T.81, Annex B: SOI marker FF D8).
JPEG = b"\xff\xd8\xff\xe0" + b"\0" * 996


def clips_with_posters(folder: Path, number: int) -> list[ClipLine]:
    clips = []
    for each in range(number):
        poster = folder / f"{each}.jpg"
        poster.write_bytes(JPEG)
        clips.append(ClipLine(f"A001/C{each}", "A001", 1, "A", "picture", poster=poster))
    return clips


def test_posters_come_in_whole_and_only_pictures(tmp_path: Path) -> None:
    """What is gone, too large or no picture is counted, not embedded."""
    clips = clips_with_posters(tmp_path, 4)
    (tmp_path / "1.jpg").unlink()
    (tmp_path / "2.jpg").write_bytes(b"<svg onload=hurt()>")
    (tmp_path / "3.jpg").write_bytes(JPEG * 400)
    posters = choose(clips)
    assert list(posters.pictures) == ["A001/C0"]
    kind, _, data = data_uri(posters.pictures["A001/C0"]).partition(",")
    assert kind == "data:image/jpeg;base64"
    assert base64.b64decode(data) == JPEG
    assert (posters.left_out, posters.unreadable) == (1, 2)


def test_past_the_bound_an_even_choice_of_posters_is_taken_and_said(tmp_path: Path) -> None:
    """Half fit: about half are there, from beginning to end, and the page says so."""
    clips = clips_with_posters(tmp_path, 40)
    posters = choose(clips, max_total=20 * len(JPEG))
    kept = [int(name.removeprefix("A001/C")) for name in posters.pictures]
    assert len(kept) + posters.left_out == 40
    assert 18 <= len(kept) <= 20
    assert max(b - a for a, b in zip([-1, *kept], [*kept, 40], strict=True)) <= 3
    text = render(replace(make(), clips=tuple(clips)), posters)
    assert f"{posters.left_out} posters left out" in text


def a_clip(name: str, timecode: str | None, seconds: int = 60, **changes: Any) -> ClipLine:
    clip = ClipLine(
        f"A001/{name}",
        "A001",
        1,
        "A",
        "picture",
        start_timecode=timecode,
        duration_seconds=Fraction(seconds),
        frame_rate=Fraction(25),
    )
    return replace(clip, **changes)


def test_a_day_that_runs_past_midnight_is_drawn_in_one_piece() -> None:
    """23:50 comes before 00:40 on the shoot day, whatever the clock says."""
    (strip,) = draw([a_clip("C1", "23:50:00:00"), a_clip("C2", "00:40:00:00", 300)])
    first, second = strip.lanes[0].bars
    assert first.title.startswith("A001/C1")
    assert LEFT <= first.x < second.x
    assert second.x + second.width <= 1000
    # Positions are to scale: 50 minutes between the starts, 5 minutes long.
    assert (second.x - first.x) / second.width == pytest.approx(10)
    assert strip.ticks[0].label == "23:50" or strip.ticks[0].label < "23:50"


@pytest.mark.parametrize("timecode", [None, "", "25:00:00:00", "10:61:00:00", "word", "1:2:3:4"])
def test_a_clip_without_a_usable_timecode_is_counted_not_drawn(timecode: str | None) -> None:
    """Nothing is guessed."""
    (strip,) = draw([a_clip("C1", "10:00:00:00"), a_clip("C2", timecode)])
    assert strip.unplaced == 1
    assert [len(lane.bars) for lane in strip.lanes] == [1]
    assert draw([a_clip("C2", timecode)]) == ()


def test_sound_and_cameras_have_lanes_of_their_own() -> None:
    """One lane a camera, one a sound recorder; a circled take is marked."""
    take = (TakeLine("12A", "3", rating="circled"),)
    (strip,) = draw(
        [
            a_clip("C1", "10:00:00:00", takes=take),
            a_clip("C2", "10:00:10;00", camera="B"),
            a_clip("T1", "10:00:00:00", camera=None, kind="sound", roll="S001"),
        ]
    )
    assert [lane.name for lane in strip.lanes] == ["Camera A", "Camera B", "Sound S001"]
    assert [lane.bars[0].circled for lane in strip.lanes] == [True, False, False]
    assert strip.lanes[0].marks[0].label == "12A"


def test_sizes_lengths_and_rates_read_as_the_trade_writes_them() -> None:
    """Decimal units; 24000/1001 is written 23.976 (common practice, no source)."""
    assert [words.size(n) for n in (0, 1, 999, 1000, 999_499, 999_500, 1_200_000_000_000)] == [
        "0 bytes", "1 byte", "999 bytes", "1 kB", "999 kB", "1 MB", "1.2 TB",
    ]  # fmt: skip
    assert words.rate(Fraction(24000, 1001)) == "23.976"
    assert words.rate(Fraction(30000, 1001)) == "29.97"
    assert words.rate(Fraction(25)) == "25"
    assert words.length(Fraction(599, 10)) == "59.9 s"
    assert words.length(Fraction(3723)) == "1:02:03"
    assert sorted(["12B", "9", "12", "12A", "100"], key=words.natural) == [
        "9", "12", "12A", "12B", "100",
    ]  # fmt: skip
