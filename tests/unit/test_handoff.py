"""What an editor takes, judged by the OpenTimelineIO library and by Python's csv."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path
from urllib.parse import unquote_to_bytes, urlsplit

import opentimelineio as otio
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.catalog.records import (
    Clip,
    ClipFile,
    ClipRole,
    Rating,
    Roll,
    Sure,
    TakeLink,
)
from ingest.errors import UsageError
from ingest.handoff.selection import HandedClip, Part, Span, span_of
from ingest.handoff.table import COLUMNS, to_csv
from ingest.handoff.timeline import to_otio
from ingest.jobs.handoff import Form, form_of, write_form
from ingest.media.facts import AudioTrack, ClipFacts, ClipKind, SoundNotes
from ingest.media.timecode import from_label
from ingest.names import shown, to_bytes

FILM = Fraction(24000, 1001)
ROLL = Roll(1, "Salt and Lanterns", "A001", 1, "2026-03-14", "A", "A-01")
PICTURE = ClipFacts(
    kind=ClipKind.PICTURE,
    codec="ProRes",
    frame_rate=FILM,
    duration_frames=100,
    start_timecode="10:00:00:12",
)
HOSTILE = [
    "a\nb.mov",
    "\x1b[2J.mov",
    '"},{"x":"<script>.mov',
    "=1+1.mov",
    "-rf.mov",
    "gpj.\u202evom",
    "caf\udce9.mov",
    "第三場🎬.mov",
    "50%#?.mov",
    "n" * 250,
]


def a_clip(name: str = "C0001", facts: ClipFacts = PICTURE) -> Clip:
    return Clip(1, ROLL, name, (ClipFile(f"{name}.mov", ClipRole.SPAN),), facts, None)


def a_take() -> TakeLink:
    return TakeLink(1, "12A", "3", "7", Rating.CIRCLED, Sure.SURE, "by hand", "soft")


def handed(
    name: str = "12A-3",
    *,
    place: str | None = "/media/HERON/C0001.mov",
    facts: ClipFacts = PICTURE,
    clip: Clip | None = None,
) -> HandedClip:
    part = Part("CLIP/C0001.mov", place, "HERON" if place else "", "matched", span_of(facts))
    return HandedClip(name, clip or a_clip(facts=facts), (a_take(),), (part,))


def read(data: bytes) -> otio.schema.Timeline:
    """The file as the library reads it."""
    timeline = otio.adapters.read_from_string(data.decode("ascii"), "otio_json")
    assert isinstance(timeline, otio.schema.Timeline)
    return timeline


def clips_of(data: bytes) -> Sequence[otio.schema.Clip]:
    timeline = read(data)  # children live no longer than it does
    return [clip.clone() for track in timeline.tracks for clip in track]


# Times --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rate", "label"),
    [
        (Fraction(24), "01:00:00:00"),
        (Fraction(25), "23:59:59:24"),
        (FILM, "10:49:36:13"),
        (Fraction(30000, 1001), "10:00:00;02"),
        (Fraction(60000, 1001), "09:59:59:59"),
        (Fraction(50), "00:00:00:00"),
    ],
)
def test_the_library_reads_the_start_timecode_and_rate_as_the_camera_wrote_them(
    rate: Fraction, label: str
) -> None:
    """OpenTimelineIO's own `to_timecode`, drop-frame among them; the rate is the nearest double
    of the exact fraction, which stands beside it."""
    facts = ClipFacts(
        kind=ClipKind.PICTURE, frame_rate=rate, duration_frames=77, start_timecode=label
    )
    (clip,) = clips_of(to_otio([handed(facts=facts)], "x"))
    start = clip.available_range().start_time
    assert otio.opentime.to_timecode(start, start.rate, ";" in label) == label
    assert start.value == from_label(label, rate).frames
    assert clip.available_range().duration.value == 77
    assert Fraction(start.rate).limit_denominator(1001) == rate
    assert Fraction(clip.metadata["ingest"]["frame_rate"]) == rate


def test_sound_counts_samples_from_its_time_reference() -> None:
    """EBU Tech 3285: samples since midnight, which may lie between two frames."""
    facts = ClipFacts(
        kind=ClipKind.SOUND,
        duration_seconds=Fraction(96001, 48000),
        audio=(AudioTrack(channels=2, sample_rate=48000),),
        sound=SoundNotes(time_reference=1_735_689_601),
    )
    assert span_of(facts) == Span(1_735_689_601, 96001, Fraction(48000))
    (clip,) = clips_of(to_otio([handed(facts=facts)], "x"))
    assert clip.available_range().start_time.value == 1_735_689_601
    timeline = read(to_otio([handed(facts=facts)], "x"))
    assert timeline.tracks[0].kind == "Audio"


def test_a_further_file_starts_where_the_one_before_ended_unless_it_says_otherwise() -> None:
    """A long recording in several files is one run of timecode."""
    first = span_of(PICTURE)
    assert first is not None
    quiet = ClipFacts(kind=ClipKind.PICTURE, frame_rate=FILM, duration_frames=5)
    own = ClipFacts(
        kind=ClipKind.PICTURE, frame_rate=FILM, duration_frames=5, start_timecode="11:00:00:00"
    )
    assert span_of(quiet, first) == Span(first.end, 5, FILM)
    assert span_of(own, first) == Span(from_label("11:00:00:00", FILM).frames, 5, FILM)


@pytest.mark.parametrize(
    "facts",
    [
        ClipFacts(kind=ClipKind.STILL),
        ClipFacts(kind=ClipKind.PICTURE, frame_rate=FILM),
        ClipFacts(kind=ClipKind.PICTURE, duration_seconds=Fraction(4)),
        ClipFacts(kind=ClipKind.SOUND, duration_seconds=Fraction(4)),
    ],
)
def test_what_has_no_length_that_is_known_is_not_given_one(facts: ClipFacts) -> None:
    """It is in the table, with empty times, and not on the timeline."""
    assert span_of(facts) is None
    assert clips_of(to_otio([handed(facts=facts)], "x")) == []
    assert len(to_csv([handed(facts=facts)]).splitlines()) == 2


@given(st.integers(0, 2_000_000), st.integers(1, 500_000), st.sampled_from([24, 25, 30, 50, 60]))
def test_counts_come_back_exactly(start: int, length: int, base: int) -> None:
    """A double holds every whole number that a day of frames can reach (IEEE 754)."""
    rate = Fraction(base * 1000, 1001)
    part = Part("x.mov", "/x.mov", "HERON", "matched", Span(start, length, rate))
    (clip,) = clips_of(to_otio([HandedClip("x", a_clip(), (), (part,))], "x"))
    span = clip.available_range()
    assert (span.start_time.value, span.duration.value) == (start, length)
    assert span.start_time.rate == span.duration.rate == float(rate)


# What it says -------------------------------------------------------------------------------------


def test_scene_take_and_rating_are_in_the_metadata_and_the_path_is_the_files() -> None:
    """What an editor sorts by, and a URL that leads to the very file."""
    (clip,) = clips_of(to_otio([handed()], "Salt and Lanterns"))
    told = clip.metadata["ingest"]
    assert (clip.name, told["scene"], told["take"], told["shot"]) == ("12A-3", "12A", "3", "7")
    assert (told["rating"], told["clip"], told["copy"]) == ("circled", "A001/C0001", "matched")
    assert clip.media_reference.target_url == "file:///media/HERON/C0001.mov"
    assert told["takes"][0]["note"] == "soft"


def test_a_file_that_cannot_be_read_now_is_a_missing_reference() -> None:
    """Its place on the timeline stays, and no path is made up."""
    (clip,) = clips_of(to_otio([handed(place=None)], "x"))
    assert isinstance(clip.media_reference, otio.schema.MissingReference)
    assert clip.available_range().duration.value == 100
    (row,) = csv.DictReader(io.StringIO(to_csv([handed(place=None)]).decode("utf-8-sig")))
    assert row["path"] == ""


def test_each_file_of_a_long_recording_is_a_clip_of_its_own() -> None:
    """Named by its number, at its own time."""
    parts = tuple(
        Part(f"C1_{n}.mov", f"/m/C1_{n}.mov", "HERON", "matched", Span(100 * n, 100, FILM))
        for n in range(3)
    )
    data = [HandedClip("12A-3", a_clip(), (), parts)]
    assert [clip.name for clip in clips_of(to_otio(data, "x"))] == [
        "12A-3 (1 of 3)", "12A-3 (2 of 3)", "12A-3 (3 of 3)",
    ]  # fmt: skip
    rows = list(csv.DictReader(io.StringIO(to_csv(data).decode("utf-8-sig"))))
    assert [(row["part"], row["parts"], row["start"]) for row in rows] == [
        ("1", "3", "0"), ("2", "3", "100"), ("3", "3", "200"),
    ]  # fmt: skip


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_are_harmless_and_the_path_stays_exact(name: str) -> None:
    """Both forms; the URL leads to the exact bytes of the name, and no field runs as a formula."""
    place = f"/media/HERON/{name}"
    one = handed(name, place=place, clip=a_clip(name))
    (clip,) = clips_of(to_otio([one], name))
    assert clip.name == shown(name)
    assert unquote_to_bytes(urlsplit(clip.media_reference.target_url).path) == to_bytes(place)
    text = to_csv([one]).decode("utf-8-sig")
    (row,) = csv.DictReader(io.StringIO(text, newline=""))
    assert tuple(row) == COLUMNS
    assert row["name"].lstrip("'") == shown(name)
    assert not row["name"].startswith(("=", "-", "+", "@"))
    assert "\x1b" not in text and "\u202e" not in text


# Writing ------------------------------------------------------------------------------------------


def test_the_form_is_told_by_the_ending() -> None:
    """Anything else is a folder."""
    assert [form_of(one) for one in ("a.otio", "a.CSV", "a", "/media/EDIT", "a.otio/b")] == [
        Form.OTIO, Form.CSV, Form.FILES, Form.FILES, Form.FILES,
    ]  # fmt: skip


def test_a_file_that_is_there_is_never_replaced(tmp_path: Path) -> None:
    """Somebody may have worked on it; nothing is left beside it."""
    target = tmp_path / "x.otio"
    write_form(str(target), b"one")
    with pytest.raises(UsageError, match="there already"):
        write_form(str(target), b"two")
    assert [path.name for path in tmp_path.iterdir()] == ["x.otio"]
    assert target.read_bytes() == b"one"
    with pytest.raises(UsageError):
        write_form(str(tmp_path / "no" / "x.otio"), b"one")


def test_the_json_is_plain_ascii_and_says_its_schemas() -> None:
    """Every object names one (OpenTimelineIO, Serialized Data Documentation)."""
    data = to_otio([handed()], "x")
    data.decode("ascii")

    def schemas(value: object) -> set[str]:
        if isinstance(value, dict):
            own = {value["OTIO_SCHEMA"]} if "OTIO_SCHEMA" in value else set()
            return own.union(*map(schemas, value.values()))
        return set().union(*map(schemas, value)) if isinstance(value, list) else set()

    assert schemas(json.loads(data)) == {
        "Timeline.1", "Stack.1", "Track.1", "Clip.2", "ExternalReference.1", "TimeRange.1",
        "RationalTime.1",
    }  # fmt: skip
