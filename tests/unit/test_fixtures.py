"""The demo cards are what their truth says, by the word of libraries that did not write them."""

from __future__ import annotations

import csv
import hashlib
import importlib.util
import json
import os
import re
import struct
import sys
from array import array
from collections.abc import Iterator
from datetime import datetime
from fractions import Fraction
from pathlib import Path
from types import ModuleType
from typing import Any

import av
import exifread
import pytest
import wavinfo

ROOT = Path(__file__).resolve().parents[2]

# Folder and file names of still-camera cards: CIPA DC-009 (DCF), as restated publicly.
DCF_FOLDER = re.compile(r"[1-9][0-9]{2}[0-9A-Z_]{5}", re.ASCII | re.IGNORECASE)
DCF_FILE = re.compile(
    r"[0-9A-Z_]{4}(?!0000)[0-9]{4}\.[A-Z0-9]{3}", re.ASCII | re.IGNORECASE
)  # fmt: skip
# ASC MHL v1.0 Appendix B shows clip names of this form; what the parts mean: common practice.
CAMERA_A = re.compile(r"([A-Z])([0-9]{3})C([0-9]{3})_([0-9]{6})_([0-9A-Z]{4})\.[A-Za-z0-9]+")


def load(name: str) -> ModuleType:
    """A module of fixtures/ by its path, as the demo and other tests may load it."""
    path = ROOT / "fixtures" / f"{name}.py"
    spec = importlib.util.spec_from_file_location(f"fixtures_{name}", path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def shoot(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """The cards, made once for this file."""
    return load("make_cards").make_cards(tmp_path_factory.mktemp("shoot"))


def clips(shoot: Any, kind: str, camera: str | None = None) -> list[dict[str, Any]]:
    """Clips of the truth, which must be there."""
    found = [
        clip
        for clip in json.loads(shoot.expected.read_text("utf-8"))["clips"]
        if clip["kind"] == kind and camera in (None, clip["camera"])
    ]
    assert found
    return found


def file_of(shoot: Any, clip: dict[str, Any]) -> Path:
    path: Path = shoot.cards[clip["card"]] / clip["file"]
    return path


def frame_number(label: str, count: int = 24) -> int:
    """Non-drop label to frames (SMPTE ST 12-1, as restated publicly)."""
    hours, minutes, seconds, frames = map(int, label.split(":"))
    return (hours * 3600 + minutes * 60 + seconds) * count + frames


def files_below(folder: Path) -> Iterator[tuple[str, bytes, int]]:
    for path in sorted(folder.rglob("*")):
        content = path.read_bytes() if path.is_file() else b"folder"
        yield str(path.relative_to(folder)), content, path.stat().st_mtime_ns


def test_every_picture_clip_has_the_rate_length_size_and_codec_told(shoot: Any) -> None:
    """FFmpeg reads and decodes each clip whole, and agrees with the truth."""
    for clip in clips(shoot, "picture"):
        with av.open(str(file_of(shoot, clip))) as container:
            video = container.streams.video[0]
            assert video.average_rate == Fraction(clip["frame_rate"]), clip["clip"]
            assert video.codec_context.name == clip["codec"]
            assert (video.width, video.height) == (clip["width"], clip["height"])
            assert video.duration * video.time_base == Fraction(clip["duration_seconds"])
            assert sum(1 for _ in container.decode(video)) == clip["frames"] == video.frames


def test_every_timecode_track_starts_at_the_label_told(shoot: Any) -> None:
    """Cameras A and B carry a timecode track; the drone carries none."""
    for clip in clips(shoot, "picture"):
        with av.open(str(file_of(shoot, clip))) as container:
            tracks = [s for s in container.streams if s.type == "data"]
            found = [track.metadata.get("timecode") for track in tracks]
        assert found == ([] if clip["camera"] == "D" else [clip["start_timecode"]])


def test_sound_on_camera_is_there_except_on_the_mos_clip_and_the_drone(shoot: Any) -> None:
    """Channels and samples of the scratch track are those told."""
    silent = set()
    for clip in clips(shoot, "picture"):
        with av.open(str(file_of(shoot, clip))) as container:
            if not container.streams.audio:
                silent.add(clip["clip"])
                assert clip["audio_channels"] == 0
                continue
            audio = container.streams.audio[0]
            assert audio.channels == clip["audio_channels"]
            assert audio.rate == clip["sample_rate"] == 48000
            samples = sum(frame.samples for frame in container.decode(audio))
            # AAC comes in blocks of 1024 (ISO/IEC 14496-3), so that the end is not exact.
            assert abs(samples - clip["samples"]) <= (1024 if clip["camera"] == "B" else 0)
    assert silent == {"A001/A001C006_260314_K7QD", "D001/SKIM0001", "D001/SKIM0002"}


def test_one_clip_only_was_left_at_29_97(shoot: Any) -> None:
    """All others have the project's rate."""
    wrong = [c["clip"] for c in clips(shoot, "picture") if c["frame_rate"] != "24000/1001"]
    assert wrong == ["A001/A001C003_260314_K7QD"]


def test_sound_files_say_the_same_in_bext_ixml_and_truth(shoot: Any) -> None:
    """Scene, take, tape, circled, tracks, time reference, by wavinfo."""
    for clip in clips(shoot, "sound"):
        told = clip["sound"]
        wave = wavinfo.WavInfoReader(str(file_of(shoot, clip)))
        assert (wave.fmt.sample_rate, wave.fmt.bits_per_sample) == (48000, 24)
        assert wave.fmt.channel_count == clip["audio_channels"]
        assert wave.data.frame_count == clip["samples"]
        assert wave.bext.version == 1
        assert wave.bext.time_reference == clip["time_reference"]
        assert f"{wave.bext.originator_date} {wave.bext.originator_time}" == clip["recorded"]
        lines = wave.bext.description.split("\r\n")
        assert f"sSCENE={told['scene']}" in lines and f"sTAKE={told['take']}" in lines
        ixml = wave.ixml
        assert (ixml.scene, ixml.take, ixml.tape) == (told["scene"], told["take"], told["tape"])
        assert [track.name for track in ixml.track_list] == told["tracks"]
        tree = ixml.parsed
        assert tree.findtext("CIRCLED") == ("TRUE" if told["circled"] else "FALSE")
        assert tree.findtext("TAKE_TYPE") == told["take_type"]
        assert tree.findtext("SPEED/TIMECODE_RATE") == "24000/1001"
        stamp = "SPEED/TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_"
        high, low = int(tree.findtext(stamp + "HI")), int(tree.findtext(stamp + "LO"))
        assert high * 2**32 + low == clip["time_reference"]


def test_a_time_reference_is_the_label_in_real_seconds(shoot: Any) -> None:
    """48,000 samples a second at 24000/1001 are 2002 a frame (exact arithmetic)."""
    for clip in clips(shoot, "sound"):
        seconds = Fraction(clip["time_reference"], 48000)
        assert int(seconds * Fraction(24000, 1001)) == frame_number(clip["start_timecode"])


def test_the_bext_chunk_lies_as_published(shoot: Any) -> None:
    """EBU Tech 3285: time reference at 338, version at 346, 602 bytes before the history."""
    clip = clips(shoot, "sound")[0]
    raw = file_of(shoot, clip).read_bytes()
    assert struct.unpack("<I", raw[4:8])[0] == len(raw) - 8
    start = raw.index(b"bext") + 8
    low, high, version = struct.unpack_from("<IIH", raw, start + 338)
    assert (high << 32 | low, version) == (clip["time_reference"], 1)
    assert raw[start + 602 : start + 607] == b"A=PCM"


def test_the_wild_track_says_so_and_has_no_picture(shoot: Any) -> None:
    """Take WT1, TAKE_TYPE WILD_TRACK (iXML 2.0), and no camera clip of that take."""
    wild = [c for c in clips(shoot, "sound") if c["sound"]["take_type"] == "WILD_TRACK"]
    assert [c["sound"]["take"] for c in wild] == ["WT1"]
    pictures = [t["take"] for c in clips(shoot, "picture") for t in c["takes"]]
    assert "WT1" not in pictures


def test_cameras_and_sound_of_a_take_overlap_in_timecode_and_carry_one_waveform(
    shoot: Any,
) -> None:
    """The scratch track is the sound file, later and quieter; the sticks clap in both."""
    sounds = {(c["day"], c["sound"]["scene"], c["sound"]["take"]): c for c in clips(shoot, "sound")}
    compared = 0
    for clip in clips(shoot, "picture", "A"):
        if not clip["audio_channels"]:
            continue
        take = clip["takes"][0]
        sound = sounds[clip["day"], take["scene"], take["take"]]
        count = 30 if clip["frame_rate"] == "30000/1001" else 24
        into = frame_number(clip["start_timecode"], count) * 48048 // count
        into -= sound["time_reference"]
        assert into >= 0 and into + clip["samples"] <= sound["samples"]
        raw = file_of(shoot, sound).read_bytes()
        data = raw[raw.index(b"data") + 8 :]
        channels = sound["audio_channels"]
        with av.open(str(file_of(shoot, clip))) as container:
            scratch = array("h")
            for frame in container.decode(audio=0):
                scratch.frombytes(bytes(frame.planes[0])[: 2 * frame.samples])
        for i in range(0, len(scratch), 97):
            at = 3 * channels * (into + i)
            assert int.from_bytes(data[at : at + 3], "little", signed=True) >> 10 == scratch[i]
        loud = max(map(abs, scratch))
        assert loud > 6 * sum(map(abs, scratch)) / len(scratch)
        compared += 1
    assert compared == 10


def test_every_b_clip_lies_inside_the_sound_of_its_take(shoot: Any) -> None:
    """So that clips can be linked by timecode, within a day."""
    sounds = {(c["day"], c["sound"]["scene"], c["sound"]["take"]): c for c in clips(shoot, "sound")}
    for clip in clips(shoot, "picture", "B"):
        take = clip["takes"][0]
        sound = sounds[clip["day"], take["scene"], take["take"]]
        start = frame_number(clip["start_timecode"]) * 2002
        end = start + clip["frames"] * 2002
        assert sound["time_reference"] <= start
        assert end <= sound["time_reference"] + sound["samples"]


def test_timecodes_of_the_two_days_meet(shoot: Any) -> None:
    """A trap: timecode alone takes a clip of day 1 for one of day 2."""
    spans = [
        (c["day"], c["time_reference"], c["time_reference"] + c["samples"])
        for c in clips(shoot, "sound")
    ]
    assert any(
        a[0] < b[0] and a[1] < b[2] and b[1] < a[2] for a in spans for b in spans
    )  # fmt: skip


def test_stills_carry_the_exif_told(shoot: Any) -> None:
    """Camera, lens, exposure, time and orientation, by exifread."""
    make = shoot.truth["devices"]["P"]
    turned = 0
    for clip in clips(shoot, "still"):
        with file_of(shoot, clip).open("rb") as handle:
            tags = exifread.process_file(handle, details=False)
        assert str(tags["Image Make"]) == make["make"]
        assert str(tags["Image Model"]) == make["model"]
        assert str(tags["EXIF LensModel"]) == make["lens"]
        assert tags["EXIF ISOSpeedRatings"].values == [clip["still"]["iso"]]
        assert str(tags["EXIF ExposureTime"]) == clip["still"]["exposure"]
        assert Fraction(str(tags["EXIF FNumber"])) == Fraction(clip["still"]["f_number"])
        assert tags["Image Orientation"].values == [clip["still"]["orientation"]]
        stamp = clip["recorded"].replace("-", ":")
        assert str(tags["EXIF DateTimeOriginal"]) == stamp
        turned += clip["still"]["orientation"] != 1
        with av.open(str(file_of(shoot, clip))) as picture:
            frame = next(picture.decode(video=0))
        assert (frame.width, frame.height) == (clip["width"], clip["height"])
    assert turned == 1


def test_names_keep_the_rules_of_their_devices(shoot: Any) -> None:
    """DCF for drone and stills; roll, clip, date and camera id in camera A's names."""
    for clip in clips(shoot, "still") + clips(shoot, "picture", "D"):
        top, folder, name = clip["file"].split("/")
        assert top == "DCIM" and DCF_FOLDER.fullmatch(folder) and DCF_FILE.fullmatch(name)
    for clip in clips(shoot, "picture", "A"):
        folder, name = clip["file"].split("/")
        parts = CAMERA_A.fullmatch(name)
        assert parts is not None
        assert parts[1] + parts[2] == clip["roll"]
        assert folder == clip["roll"] + parts[5]
        assert "20" + parts[4] == clip["recorded"][:10].replace("-", "")


def test_camera_b_repeats_its_names_with_other_content(shoot: Any) -> None:
    """C0001 stands on both cards, and is another clip."""
    names = [{c["name"] for c in clips(shoot, "picture", "B") if c["day"] == day} for day in (1, 2)]
    assert names[1] and names[1] < names[0]
    for name in names[1]:
        one, other = (
            (shoot.cards[card] / f"MEDIA/CLIP/{name}.MP4").read_bytes()
            for card in ("DAY1/B001", "DAY2/B002")
        )
        assert one != other


def test_the_recorders_card_still_holds_the_day_before(shoot: Any) -> None:
    """Same bytes, same times, in the same place; and more."""
    first = list(files_below(shoot.cards["DAY1/SOUND"]))
    second = list(files_below(shoot.cards["DAY2/SOUND"]))
    assert set(first) < set(second)
    facts = shoot.truth["cards"]["DAY2/SOUND"]
    assert facts["known_files"] == len([f for f in first if f[0].endswith(".WAV")])
    assert facts["footage_files"] > facts["known_files"]


def test_one_clip_is_made_after_midnight_and_belongs_to_the_day_before(shoot: Any) -> None:
    """Its file is of the 15th; its shoot day is the first."""
    late = [c for c in clips(shoot, "picture") if c["day"] == 1 and "2026-03-15" in c["recorded"]]
    assert [c["takes"][0]["scene"] for c in late] == ["21"]
    assert late[0]["recorded"].startswith("2026-03-15 00:40")
    assert late[0]["start_timecode"].startswith("00:")


def test_files_carry_the_time_their_device_gave_them(shoot: Any) -> None:
    """The end of each recording, by the device's own clock; companions too."""
    for clip in shoot.truth["clips"]:
        told = datetime.fromisoformat(clip["modified"]).timestamp()
        for name in (clip["file"], *clip["companions"]):
            assert os.stat(shoot.cards[clip["card"]] / name).st_mtime == told


def test_the_drones_clock_is_behind_by_an_hour_and_17_seconds(shoot: Any) -> None:
    """What its file says was recorded at is off the true time by the told offset."""
    assert shoot.truth["devices"]["D"]["clock_offset_seconds"] == -3617
    clip = clips(shoot, "picture", "D")[0]
    # The scenario flew it at 14:12:40 local, one hour ahead of UTC.
    assert clip["recorded"] == "2026-03-14 13:12:23"
    with av.open(str(file_of(shoot, clip))) as container:
        assert container.metadata["creation_time"].startswith("2026-03-14T12:12:23")


def test_cards_hold_the_files_litter_and_empty_folders_told(shoot: Any) -> None:
    """Counted by another way of walking; litter is on some, an empty file and folder too."""
    litter_names = {".DS_Store", "Thumbs.db", "IndexerVolumeGuid"}
    empty_files = 0
    for card, root in shoot.cards.items():
        facts = shoot.truth["cards"][card]
        found, litter, empty = [], 0, []
        for top, folders, files in os.walk(root):
            if not folders and not files:
                empty.append(os.path.relpath(top, root))
            for name in files:
                if name in litter_names or name.startswith("._"):
                    litter += 1
                else:
                    found.append(os.path.join(top, name))
        assert (len(found), litter) == (facts["footage_files"], facts["litter"]), card
        assert empty == facts["empty_folders"]
        assert sum(map(os.path.getsize, found)) == facts["footage_bytes"]
        empty_files += sum(os.path.getsize(path) == 0 for path in found)
        told = [c for c in shoot.truth["clips"] if c["card"] == card]
        assert facts["clips"] == len(told)
    assert empty_files == 2
    assert sum(facts["litter"] for facts in shoot.truth["cards"].values()) == 5


def test_the_log_names_clips_that_exist_and_says_what_the_truth_says(shoot: Any) -> None:
    """Every take of a picture clip stands in it once for its camera."""
    with shoot.slate_log.open(encoding="utf-8", newline="") as handle:
        rows = list(csv.DictReader(handle))
    rated = {"yes": "circled", "": None}
    logged = {
        (f"{r['Roll'] or r['Sound Roll']}/{r['Clip Name']}", r["SCENE"], r["Take"], r["shot"],
         rated.get(r["Circled"], r["Circled"]))
        for r in rows
    }  # fmt: skip
    told = {
        # A flight has no slate: its row says when, to the minute, and names no clip.
        (
            "D001/" if c["camera"] == "D" else c["clip"],
            t["scene"],
            t["take"],
            t["shot"],
            t["rating"],
        )
        for c in shoot.truth["clips"]
        for t in c["takes"]
        if c["kind"] == "picture" or t["take"] == "WT1"
    }
    assert logged == told and len(rows) == len(told)
    # I and O are left out of set-up letters: they read as 1 and 0 (common practice).
    assert not any(re.search("[IO]", r["SCENE"]) for r in rows)


def test_one_planned_shot_was_never_filmed_and_one_clip_never_logged(shoot: Any) -> None:
    """Absence is a finding; here is the truth to find."""
    with shoot.shot_list.open(encoding="utf-8", newline="") as handle:
        planned = {r["Shot"] for r in csv.DictReader(handle)}
    filmed = {t["shot"] for c in shoot.truth["clips"] for t in c["takes"]}
    assert planned - filmed == {"9"} == set(shoot.truth["shots_never_filmed"])
    assert filmed <= planned
    assert shoot.truth["unlogged_clips"] == ["D001/SKIM0002"]


def test_one_clip_holds_a_series_of_three_takes(shoot: Any) -> None:
    """The log gives each its part of the clip, end to end."""
    series = [c for c in clips(shoot, "picture") if len(c["takes"]) > 1]
    assert [[t["take"] for t in c["takes"]] for c in series] == [["1", "2", "3"]]
    with shoot.slate_log.open(encoding="utf-8", newline="") as handle:
        rows = [r for r in csv.DictReader(handle) if r["Clip Name"] == series[0]["name"]]
    start = frame_number(series[0]["start_timecode"])
    assert frame_number(rows[0]["start TC"]) == start
    assert rows[0]["End TC"] == rows[1]["start TC"] and rows[1]["End TC"] == rows[2]["start TC"]
    assert frame_number(rows[2]["End TC"]) == start + series[0]["frames"]


def test_posters_are_worth_looking_at(shoot: Any) -> None:
    """The middle frame of each clip has light and dark in it, and set-ups differ."""
    looks = set()
    for clip in clips(shoot, "picture"):
        with av.open(str(file_of(shoot, clip))) as container:
            frames = list(container.decode(video=0))
        small = frames[len(frames) // 2].reformat(16, 9, "gray")
        plane = small.planes[0]
        raw = bytes(plane)
        grey = [raw[row * plane.line_size + column] for row in range(9) for column in range(16)]
        assert max(grey) - min(grey) > 60, clip["clip"]
        looks.add(hashlib.md5(bytes(value >> 5 for value in grey)).digest())
    assert len(looks) >= 9


def test_made_again_they_are_the_same_to_the_byte(shoot: Any, tmp_path: Path) -> None:
    """Times and papers too; in a few MB."""
    again = load("make_cards").make_cards(tmp_path / "again")
    one, other = list(files_below(shoot.folder)), list(files_below(again.folder))
    assert [name for name, _, _ in one] == [name for name, _, _ in other]
    for (name, content, time), (_, content_again, time_again) in zip(one, other, strict=True):
        assert content == content_again, name
        # The days' folders and the papers are no part of a card.
        assert time == time_again or name.count("/") < 1, name
    assert sum(len(content) for _, content, _ in one) < 16_000_000


def test_cards_are_never_made_over_others(shoot: Any, capsys: pytest.CaptureFixture[str]) -> None:
    """A folder with a shoot in it is refused, by the function and by the script."""
    make = load("make_cards")
    before = list(files_below(shoot.folder))
    with pytest.raises(FileExistsError, match="cards already"):
        make.make_cards(shoot.folder)
    assert make.main([str(shoot.folder)]) == 2
    assert "cards already" in capsys.readouterr().err
    assert make.main([]) == 2
    assert list(files_below(shoot.folder)) == before


def test_a_flipped_bit_changes_one_bit_and_nothing_else(tmp_path: Path) -> None:
    """Size and times stay; flipping it again brings the file back."""
    flip_bit = load("damage").flip_bit
    file = tmp_path / "clip.mov"
    content = bytes(range(200))
    file.write_bytes(content)
    os.utime(file, ns=(1_700_000_000_123_456_789, 1_600_000_000_987_654_321))
    before = file.stat()
    assert flip_bit(file) == 100
    damaged = file.read_bytes()
    assert [i for i in range(200) if damaged[i] != content[i]] == [100]
    assert (damaged[100] ^ content[100]).bit_count() == 1
    after = file.stat()
    assert (after.st_size, after.st_mtime_ns) == (before.st_size, before.st_mtime_ns)
    assert flip_bit(file, 100) == 100
    assert file.read_bytes() == content
    assert flip_bit(file, 0) == 0
    assert file.read_bytes()[0] == 1


def test_a_byte_that_is_not_there_cannot_be_flipped(tmp_path: Path) -> None:
    """An empty file, and an offset past the end."""
    flip_bit = load("damage").flip_bit
    file = tmp_path / "empty"
    file.write_bytes(b"")
    with pytest.raises(ValueError, match="no byte 0"):
        flip_bit(file)
    file.write_bytes(b"abc")
    for offset in (3, -1):
        with pytest.raises(ValueError, match="no byte"):
            flip_bit(file, offset)
    assert file.read_bytes() == b"abc"
