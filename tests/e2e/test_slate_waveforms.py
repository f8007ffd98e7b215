"""`ingest slate match` listens: scratch tracks of made footage against sound files.

Nothing else could link them: the clips have no timecode, and every file the same time.
"""

from __future__ import annotations

import hashlib
import json
import os
import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from fractions import Fraction

import av
import numpy as np
import pytest

from fixtures.sound import Recording, broadcast_wave, interleaved_24, scratch, waveform
from ingest.catalog.catalog import Catalog
from ingest.catalog.records import (
    CardSeen,
    ClipFile,
    ClipRole,
    NewClip,
    NewFile,
    NewLook,
    NewOffload,
    Observer,
)
from ingest.cli.main import run
from ingest.drives import mark
from ingest.evidence import Act, Against, Route, State
from ingest.media.reading.probe import probe

NOON = datetime(2026, 3, 14, 12, 0, tzinfo=UTC)
INES = Observer("ines", "cart-1", "5b1c")
RATE = 48000
LENGTH = 8 * RATE
WAVES = {take: waveform(f"take {take}", LENGTH, [RATE]) for take in ("1", "2")}
LATE = RATE * 3 // 25
"""Samples by which the cameras of take 2 began before the recorder: 3 frames at 25."""


def movie(path, samples):
    """A tiny MOV with 25 black frames a second and this scratch track (16 bit)."""
    with av.open(str(path), "w", format="mov") as out:
        picture = out.add_stream("mpeg4", rate=25, width=64, height=48, pix_fmt="yuv420p")
        sound = out.add_stream("pcm_s16le", rate=RATE, layout="mono")
        black = np.zeros((48, 64, 3), np.uint8)
        for number in range(len(samples) // 2 * 25 // RATE):
            frame = av.VideoFrame.from_ndarray(black, format="rgb24")
            frame.pts, frame.time_base = number, Fraction(1, 25)
            out.mux(picture.encode(frame))
        out.mux(picture.encode(None))
        frame = av.AudioFrame.from_ndarray(
            np.frombuffer(samples, np.int16)[None, :], format="s16", layout="mono"
        )
        frame.sample_rate, frame.pts, frame.time_base = RATE, 0, Fraction(1, RATE)
        out.mux(sound.encode(frame))
        out.mux(sound.encode(None))


def recording(path, take):
    """A recorder's file of take `take` of scene 12, its time reference of no use (0)."""
    told = Recording(
        path.name, "Saltmarsh", "12", take, "S01", False, "", ("boom",), Fraction(25), 0,
        datetime(2000, 1, 1), "Recorder", "1",
    )  # fmt: skip
    path.write_bytes(broadcast_wave(told, interleaved_24([WAVES[take]])))


@pytest.fixture
def place(tmp_path, capfdbinary):
    """A function that runs a command on two clips and two sound files on one drive."""
    root = tmp_path / "EMBER"
    for roll in ("A001", "S01"):
        (root / roll).mkdir(parents=True)
    before = bytes(2 * LATE)
    movie(root / "A001" / "C0001.MOV", before + scratch(WAVES["2"], 0, 6 * RATE))
    movie(root / "A001" / "C0002.MOV", scratch(WAVES["1"], RATE, 5 * RATE))
    recording(root / "S01" / "R1.WAV", "1")
    recording(root / "S01" / "R2.WAV", "2")
    catalog_path = str(tmp_path / "catalog.sqlite3")
    with Catalog.open(catalog_path) as catalog:
        drive = catalog.see_drive(mark(str(root), root.name))
        for roll, camera in (("A001", "A"), ("S01", None)):
            card = CardSeen("7", None, None, "sdd", "/media/card")
            offload = catalog.begin_offload(
                NewOffload(roll, "Saltmarsh", roll, 1, "2026-03-14", camera, card, INES, NOON, {})
            )
            files, looks, clips = [], [], []
            for name in sorted(os.listdir(root / roll)):
                path = f"{roll}/{name}"
                size = os.path.getsize(root / path)
                facts = probe(root / path)
                digest = hashlib.md5((root / path).read_bytes()).hexdigest()
                files.append(NewFile(name, size, 0, path, {"md5": digest}))
                clips.append(NewClip(name[:-4], (ClipFile(name, ClipRole.SPAN),), facts, None))
                look = NewLook(
                    0, drive.id, path, Act.READ_BACK, State.MATCHED, Route.MEDIUM, Against.CARD,
                    size, "md5", digest, "m1", NOON,
                )  # fmt: skip
                looks.append((name, look))
            catalog.record_copied(offload, files, looks)
            catalog.record_clips(offload.roll, clips)

    def command(*words):
        capfdbinary.readouterr()
        code = run([*words, "--catalog", catalog_path, "--json"])
        out, err = capfdbinary.readouterr()
        return int(code), json.loads(out), err.decode()

    command.root = root
    command.catalog = catalog_path
    command.log = tmp_path / "day1.csv"
    return command


def links_of(document):
    """By clip: its links as (take, sureness, basis), sound files left out."""
    found = {}
    for link in document["links"]:
        if link["clip"].startswith("A001"):
            told = (link["take"], link["sure"], link["basis"])
            found.setdefault(link["clip"], []).append(told)
    return found


def test_when_nothing_but_sound_tells_then_the_clips_link_by_it(place):
    """Each clip to its take, with the offset in frames."""
    _, document, told = place("slate", "match")
    assert links_of(document) == {
        "A001/C0001": [
            (
                "2",
                "likely",
                "the waveforms agree with S01/R2, which starts 3 frames after the picture",
            )
        ],
        "A001/C0002": [
            (
                "1",
                "likely",
                "the waveforms agree with S01/R1, which starts 25 frames before the picture",
            )
        ],
    }
    assert document["clips_without_take"] == []
    assert told == "Comparing waveforms: 2 clips with 2 sound files.\n"


def test_when_the_log_names_takes_then_sound_makes_them_sure_or_open(place):
    """The log has C0001 right; C0002 it puts into the other take. Each by its name alone."""
    place.log.write_text("scene,take,clip\n12,2,C0001\n12,2,C0002\n")
    place("slate", "load", str(place.log))
    _, document, _ = place("slate", "match")
    found = links_of(document)
    ((take, sure, basis),) = found["A001/C0001"]
    assert (take, sure) == ("2", "sure")
    assert basis.endswith("agree with S01/R2, which starts 3 frames after the picture")
    ((take, sure, basis),) = found["A001/C0002"]
    assert (take, sure) == ("2", "open")
    assert basis.endswith("; but the waveforms differ from S01/R2")
    (asked,) = document["questions"]
    assert asked["clip"] == "A001/C0002"
    assert [each["take"] for each in asked["answers"]] == ["2", "1"]
    assert "the waveforms agree with S01/R1" in asked["answers"][1]["basis"]


def test_when_it_is_matched_again_then_nothing_is_listened_to_again(place):
    """What was heard is kept by the files' content: the drive may be away by then."""
    _, before, told = place("slate", "match")
    assert told.startswith("Comparing waveforms: 2 clips")
    for path in place.root.glob("*/*.MOV"):
        path.unlink()
    _, after, told = place("slate", "match")
    assert told == ""
    assert after["links"] == before["links"]


def test_when_a_log_comes_in_later_then_what_was_heard_before_counts(place):
    """Loading listens to nothing, and still knows that C0002 doesn't hold take 2."""
    place.log.write_text("scene,take,clip\n12,2,C0001\n12,2,C0002\n")
    place("slate", "load", str(place.log))
    place("slate", "match")
    place.log.write_text("scene,take,clip,notes\n12,2,C0001,windy\n12,2,C0002,\n")
    _, document, told = place("slate", "load", str(place.log))
    assert told == ""
    found = links_of(document)
    assert found["A001/C0001"][0][1] == "sure"
    assert found["A001/C0002"][0][1] == "open"


def test_when_a_file_is_another_by_now_then_it_is_listened_to(place):
    """Of one name, and another content: nothing kept fits it."""
    place("slate", "match")
    with closing(sqlite3.connect(place.catalog)) as connection, connection:
        connection.execute("UPDATE file SET digests = replace(digests, 'md5', 'sha1')")
    _, _, told = place("slate", "match")
    assert told.startswith("Comparing waveforms: 2 clips")


def test_when_a_person_has_set_the_take_then_no_sound_changes_it(place):
    """By hand beats what is heard."""
    place("slate", "set", "A001/C0002", "--scene", "12", "--take", "2")
    _, document, _ = place("slate", "match")
    ((take, sure, basis),) = links_of(document)["A001/C0002"]
    assert (take, sure) == ("2", "sure")
    assert basis.startswith("set by hand")


def test_when_numpy_is_not_installed_then_it_is_said_and_matching_goes_on(place, monkeypatch):
    """One line with the remedy; the rest links as without sound."""
    monkeypatch.setattr("ingest.jobs.scratch_sound.find_spec", lambda name: None)
    _, document, told = place("slate", "match")
    assert links_of(document) == {}
    assert told == (
        "Waveforms were not compared: numpy and scipy not installed. "
        'Do: pip install "ingest[match]"\n'
    )


def test_when_a_clip_can_not_be_decoded_or_reached_then_it_is_said(place):
    """One clip is garbage, the other gone."""
    (place.root / "A001" / "C0001.MOV").write_bytes(b"garbage" * 100)
    (place.root / "A001" / "C0002.MOV").unlink()
    _, document, told = place("slate", "match")
    assert links_of(document) == {}
    assert told.splitlines()[1:] == [
        "Waveforms of 1 clip were not compared: clip or sound file is on no drive that is mounted.",
        "Waveforms: 1 file can't be decoded.",
    ]
