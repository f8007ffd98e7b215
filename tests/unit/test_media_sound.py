"""Wave files laid out here byte by byte: bext by EBU Tech 3285 v2 section 2.3 (offsets from its
public restatement), iXML by ixml.info; read by `probe`.
"""

from __future__ import annotations

import random
import struct
from fractions import Fraction
from pathlib import Path
from xml.etree import ElementTree

import av
import pytest
from wavinfo import WavInfoReader

from ingest.media.facts import AudioTrack, ClipKind
from ingest.media.posters import draw
from ingest.media.reading.probe import probe


def chunk(ident: bytes, content: bytes) -> bytes:
    return ident + struct.pack("<I", len(content)) + content + b"\0" * (len(content) % 2)


def fmt(rate: int = 48000, channels: int = 2, bits: int = 24) -> bytes:
    block = channels * bits // 8
    return chunk(b"fmt ", struct.pack("<HHIIHH", 1, channels, rate, rate * block, block, bits))


def bext(reference: int = 0, description: bytes = b"", originator: bytes = b"Reelkeeper") -> bytes:
    """EBU Tech 3285 v2: 256 description, 32 originator, 32 reference, 10 date, 8 time, ..."""
    content = (
        description.ljust(256, b"\0")
        + originator.ljust(32, b"\0")
        + b"REF1".ljust(32, b"\0")
        + b"2026-03-14"
        + b"12:40:00"
        + struct.pack("<II", reference & 0xFFFFFFFF, reference >> 32)
        + struct.pack("<H", 2)
    ).ljust(602, b"\0") + b"A=PCM,F=48000\r\n"
    return chunk(b"bext", content)


def ixml(inner: str) -> bytes:
    text = f'<?xml version="1.0" encoding="UTF-8"?><BWFXML>{inner}</BWFXML>'
    return chunk(b"iXML", text.encode())


def speed(rate: str, flag: str = "NDF", more: str = "") -> str:
    return (
        f"<SPEED><TIMECODE_RATE>{rate}</TIMECODE_RATE>"
        f"<TIMECODE_FLAG>{flag}</TIMECODE_FLAG>{more}</SPEED>"
    )


def wave(*chunks: bytes, sound: bytes = bytes(6 * 4800)) -> bytes:
    body = b"WAVE" + b"".join(chunks) + chunk(b"data", sound)
    return b"RIFF" + struct.pack("<I", len(body)) + body


def put(folder: Path, content: bytes) -> Path:
    path = folder / "T001.WAV"
    path.write_bytes(content)
    return path


def test_a_recorders_file_gives_its_scene_take_and_tracks(tmp_path: Path) -> None:
    """iXML: text as written, leading zeros kept; track names in the order of the file."""
    notes = (
        "<PROJECT>Salt</PROJECT><SCENE>012A</SCENE><TAKE>03</TAKE><TAPE>SR1</TAPE>"
        "<CIRCLED>TRUE</CIRCLED><NOTE>tail slate &amp; wind</NOTE><FILE_UID>U1</FILE_UID>"
        "<TAKE_TYPE>PICKUP, WILD_TRACK</TAKE_TYPE><FALSE_START>TRUE</FALSE_START>"
        "<FILE_SET><FAMILY_UID>F1</FAMILY_UID></FILE_SET>"
        + speed("24000/1001")
        + "<TRACK_LIST><TRACK><INTERLEAVE_INDEX>2</INTERLEAVE_INDEX><NAME/></TRACK>"
        "<TRACK><INTERLEAVE_INDEX>1</INTERLEAVE_INDEX><NAME>Boom</NAME></TRACK></TRACK_LIST>"
    )
    facts = probe(put(tmp_path, wave(fmt(), bext(1_728_000_000), ixml(notes))))
    assert facts.doubts == ()
    assert facts.kind is ClipKind.SOUND
    assert facts.audio == (AudioTrack(2, 48000, 24, "PCM", 2_304_000),)
    assert facts.duration_seconds == Fraction(1, 10)
    assert facts.recorded == "2026-03-14 12:40:00"
    sound = facts.sound
    assert sound is not None
    assert (sound.project, sound.scene, sound.take, sound.tape) == ("Salt", "012A", "03", "SR1")
    assert (sound.circled, sound.note) == (True, "tail slate & wind")
    assert sound.take_type == ("PICKUP", "WILD_TRACK", "FALSE_START")
    assert sound.tracks == ("Boom", "")
    assert (sound.file_uid, sound.family_uid) == ("U1", "F1")
    assert (sound.timecode_rate, sound.drop_frame) == (Fraction(24000, 1001), False)
    assert sound.originator == "Reelkeeper"


IXML = b"""<?xml version="1.0" encoding="UTF-8"?>
<BWFXML>
  <IXML_VERSION>1.51</IXML_VERSION>
  <PROJECT>Salt &amp; Lanterns</PROJECT>
  <SCENE>032AB</SCENE>
  <TAKE>WT1</TAKE>
  <TAPE>S007</TAPE>
  <CIRCLED>TRUE</CIRCLED>
  <TAKE_TYPE>WILD_TRACK, PICKUP</TAKE_TYPE>
  <FILE_UID>LUMO00112233</FILE_UID>
  <UBITS>00260314</UBITS>
  <NOTE>tail slate; wind &lt; 4</NOTE>
  <SPEED>
    <NOTE>camera overcranked</NOTE>
    <MASTER_SPEED>24000/1001</MASTER_SPEED>
    <CURRENT_SPEED>24000/1001</CURRENT_SPEED>
    <TIMECODE_RATE>24000/1001</TIMECODE_RATE>
    <TIMECODE_FLAG>NDF</TIMECODE_FLAG>
    <FILE_SAMPLE_RATE>48000</FILE_SAMPLE_RATE>
    <AUDIO_BIT_DEPTH>24</AUDIO_BIT_DEPTH>
    <DIGITIZER_SAMPLE_RATE>48000</DIGITIZER_SAMPLE_RATE>
    <TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>0</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>
    <TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO>1729728000</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO>
    <TIMESTAMP_SAMPLE_RATE>48000</TIMESTAMP_SAMPLE_RATE>
  </SPEED>
  <FILE_SET>
    <TOTAL_FILES>2</TOTAL_FILES>
    <FAMILY_UID>FAM0042</FAMILY_UID>
    <FAMILY_NAME>032ABTWT1</FAMILY_NAME>
    <FILE_SET_INDEX>A</FILE_SET_INDEX>
  </FILE_SET>
  <TRACK_LIST>
    <TRACK_COUNT>2</TRACK_COUNT>
    <TRACK>
      <CHANNEL_INDEX>5</CHANNEL_INDEX>
      <INTERLEAVE_INDEX>2</INTERLEAVE_INDEX>
      <NAME>Nell</NAME>
      <FUNCTION/>
    </TRACK>
    <TRACK>
      <CHANNEL_INDEX>1</CHANNEL_INDEX>
      <INTERLEAVE_INDEX>1</INTERLEAVE_INDEX>
      <NAME>Boom</NAME>
      <FUNCTION/>
    </TRACK>
  </TRACK_LIST>
</BWFXML>
"""
"""Every object of iXML's page `Individual Object Details` (ixml.info; names and rules as far as
that page was read, the rest from memory), laid out by hand."""


def test_every_object_of_ixml_is_read_as_two_other_readers_read_it(tmp_path: Path) -> None:
    """The standard library's parser over bytes cut out by hand, and wavinfo's own view."""
    path = put(tmp_path, wave(fmt(), bext(1_729_728_000), chunk(b"iXML", IXML)))
    facts = probe(path)
    sound = facts.sound
    assert sound is not None
    content = path.read_bytes()
    place = content.index(b"iXML")
    (length,) = struct.unpack_from("<I", content, place + 4)
    root = ElementTree.fromstring(content[place + 8 : place + 8 + length])
    other = WavInfoReader(str(path)).ixml
    for ours, path_in_it, theirs in (
        (sound.project, "PROJECT", other.project),
        (sound.scene, "SCENE", other.scene),
        (sound.take, "TAKE", other.take),
        (sound.tape, "TAPE", other.tape),
        (sound.family_uid, "FILE_SET/FAMILY_UID", other.family_uid),
        (sound.file_uid, "FILE_UID", None),
        (sound.note, "NOTE", None),
        (facts.reel, "TAPE", None),
    ):
        assert ours and ours == root.findtext(path_in_it)
        assert theirs in (ours, None)
    assert (sound.scene, sound.take, sound.note) == ("032AB", "WT1", "tail slate; wind < 4")
    assert sound.circled is True
    assert sound.take_type == ("WILD_TRACK", "PICKUP")
    by_place = sorted(other.track_list, key=lambda track: int(track.interleave_index))
    assert sound.tracks == tuple(track.name for track in by_place) == ("Boom", "Nell")
    assert (sound.timecode_rate, sound.drop_frame) == (Fraction(24000, 1001), False)
    assert (facts.start_timecode, facts.timecode_source) == ("10:00:00:00", "bext")
    # What has no field of its own is kept as it came; a note of the speed is none of the take.
    for key in ("UBITS", "SPEED/NOTE", "SPEED/MASTER_SPEED", "FILE_SET/FILE_SET_INDEX"):
        assert facts.extra[f"iXML {key}"] == root.findtext(key)
    assert facts.doubts == ()


BEXT = struct.Struct("<256s32s32s10s8sIIH64s5h180s")
"""EBU Tech 3285 v2, 2.3, field by field: Description, Originator, OriginatorReference,
OriginationDate, OriginationTime, TimeReferenceLow and High, Version, UMID, LoudnessValue,
LoudnessRange, MaxTruePeakLevel, MaxMomentaryLoudness, MaxShortTermLoudness, Reserved; CodingHistory
follows."""

BASIC = bytes(range(32))
UNUSED = 0x7FFF


def test_the_table_of_the_standard_ends_where_the_coding_history_begins() -> None:
    """EBU Tech 3285 v2: 256 + 32 + 32 + 10 + 8 + 8 + 2 + 64 + 10 + 180 bytes."""
    assert BEXT.size == 602


@pytest.mark.parametrize(
    ("texts", "stamp", "version", "umid", "loudness", "history"),
    [
        (("Harbour, tail slate", "Reelkeeper", "GBRLK0123"), (7, 2), 2, BASIC * 2, True, "A=PCM"),
        (("D" * 256, "O" * 32, "R" * 32), (0xFFFFFFFF, 0), 1, BASIC + bytes(32), False, ""),
        (("", "", ""), (0, 0), 0, bytes(64), False, "A=PCM,F=48000\r\nA=PCM,F=96000"),
    ],
    ids=["version 2, extended UMID", "version 1, every field full", "version 0, empty"],
)
def test_every_field_of_bext_is_read_as_it_was_laid_out_and_as_ffmpeg_reads_it(
    tmp_path: Path,
    texts: tuple[str, str, str],
    stamp: tuple[int, int],
    version: int,
    umid: bytes,
    loudness: bool,
    history: str,
) -> None:
    """A full field has no zero after it. FFmpeg's own parser, through PyAV, is the second judge;
    it knows no loudness, and shows Description as comment and Originator as encoded_by."""
    measures = (-2345, 710, UNUSED, -1800, -2005) if loudness else (0,) * 5
    content = BEXT.pack(
        *(each.encode() for each in texts),
        b"2026-03-14",
        b"12:40:00",
        *stamp,
        version,
        umid,
        *measures,
        bytes(180),
    )
    path = put(tmp_path, wave(fmt(), chunk(b"bext", content + history.encode())))
    facts = probe(path)
    assert facts.doubts == ()
    assert facts.sound is not None
    extra = facts.extra
    basic = version > 0 and umid[:32].hex()
    told = {
        "comment": facts.sound.description,
        "encoded_by": facts.sound.originator,
        "originator_reference": extra.get("bext originator reference"),
        "origination": facts.sound.origination,
        "time_reference": str(facts.sound.time_reference),
        "umid": extra.get("bext umid"),
    }
    assert told == {
        "comment": texts[0] or None,
        "encoded_by": texts[1] or None,
        "originator_reference": texts[2] or None,
        "origination": "2026-03-14 12:40:00",
        "time_reference": str(stamp[0] + stamp[1] * 2**32),
        "umid": (umid.hex() if any(umid[32:]) else basic) or None,
    }
    assert extra.get("bext coding history", "").split() == history.split()
    assert {key: value for key, value in extra.items() if "loud" in key or "peak" in key} == (
        {
            "bext loudness value": "-23.45",
            "bext loudness range": "7.10",
            "bext maximum momentary loudness": "-18.00",
            "bext maximum short-term loudness": "-20.05",
        }
        if loudness
        else {}
    )
    with av.open(str(path)) as container:
        second = dict(container.metadata)
    second["origination"] = f"{second.pop('date')} {second.pop('creation_time')}"
    assert second.pop("coding_history", "").split() == history.split()
    if "umid" in second:
        second["umid"] = second["umid"].removeprefix("0x").lower()
    assert second == {key: value for key, value in told.items() if value is not None}


@pytest.mark.parametrize(
    ("rate", "reference", "laid_out"),
    [
        (48_000, 1_728_000_000, "0030ff6600000000"),
        (96_000, 4_492_800_000, "00b0ca0b01000000"),
        (96_000, 7_948_800_000, "0010c9d901000000"),
        (192_000, 8_294_400_000, None),
    ],
)
def test_the_time_reference_uses_both_halves(
    tmp_path: Path, rate: int, reference: int, laid_out: str | None
) -> None:
    """EBU Tech 3285: 64 bits, little-endian, at offset 338; worked values."""
    content = bext(reference)
    if laid_out:
        assert content[8 + 338 : 8 + 346].hex() == laid_out
    facts = probe(put(tmp_path, wave(fmt(rate), content)))
    assert facts.sound is not None
    assert facts.sound.time_reference == reference
    assert facts.start_timecode is None  # the file doesn't say what rate it counts in


@pytest.mark.parametrize(
    ("reference", "rate", "flag", "label"),
    [
        (1_729_728_000, "24000/1001", "NDF", "10:00:00:00"),
        (1_727_998_272, "30000/1001", "DF", "10:00:00;00"),
        (1_728_000_000, "25/1", "NDF", "10:00:00:00"),
        (2_190_940_753, "24000/1001", "NDF", "12:39:59:00"),
        (2_190_940_753, "23.976", "NDF", "12:39:59:00"),
    ],
)
def test_start_timecode_is_the_count_and_not_the_clock(
    tmp_path: Path, reference: int, rate: str, flag: str, label: str
) -> None:
    """EBU Tech 3285 with SMPTE ST 12-1: worked values; the clock in the same file says 12:40:00."""
    path = put(tmp_path, wave(fmt(), bext(reference), ixml(speed(rate, flag))))
    facts = probe(path)
    assert (facts.start_timecode, facts.timecode_source) == (label, "bext")
    with av.open(str(path)) as container:
        assert int(container.metadata["time_reference"]) == reference


@pytest.mark.parametrize("word", ["SAMPLES", "SAMPLE"])
def test_ixmls_own_stamp_counts_where_there_is_no_bext(tmp_path: Path, word: str) -> None:
    """iXML: HI x 2^32 + LO, with and without the S; HI 1, LO 197832704 at 96 kHz is 13:00:00."""
    stamp = (
        f"<TIMESTAMP_{word}_SINCE_MIDNIGHT_HI>1</TIMESTAMP_{word}_SINCE_MIDNIGHT_HI>"
        f"<TIMESTAMP_{word}_SINCE_MIDNIGHT_LO>197832704</TIMESTAMP_{word}_SINCE_MIDNIGHT_LO>"
    )
    facts = probe(put(tmp_path, wave(fmt(96_000), ixml(speed("25/1", more=stamp)))))
    assert (facts.start_timecode, facts.timecode_source) == ("13:00:00:00", "iXML")
    both = probe(put(tmp_path, wave(fmt(96_000), bext(96_000), ixml(speed("25/1", more=stamp)))))
    assert both.start_timecode == "00:00:01:00"
    assert any("disagree" in doubt for doubt in both.doubts)


def test_latin_1_text_and_prefixed_keys_of_a_description_are_read(tmp_path: Path) -> None:
    """Keys with a maker's letter before them (common practice, no source)."""
    text = "sSCENE=12Ä\r\nsTAKE=04\r\nsNOTE=Brücke\r\nsCIRCLED=TRUE\r\n".encode("latin-1")
    facts = probe(put(tmp_path, wave(fmt(), bext(0, text))))
    assert facts.sound is not None
    assert (facts.sound.scene, facts.sound.take) == ("12Ä", "04")
    assert (facts.sound.note, facts.sound.circled) == ("Brücke", True)


def test_circled_absent_from_ixml_means_no_and_no_notes_mean_unknown(tmp_path: Path) -> None:
    """iXML: absent means FALSE."""
    facts = probe(put(tmp_path, wave(fmt(), ixml("<TAKE>1</TAKE>"))))
    assert facts.sound is not None
    assert facts.sound.circled is False
    plain = probe(put(tmp_path, wave(fmt(), bext())))
    assert plain.sound is not None
    assert plain.sound.circled is None
    assert probe(put(tmp_path, wave(fmt()))).sound is None


def test_rf64_takes_its_sizes_from_ds64(tmp_path: Path) -> None:
    """EBU Tech 3306: the 32-bit sizes are all ones, the true ones stand in ds64."""
    sound = bytes(6 * 4800)
    ds64 = chunk(b"ds64", struct.pack("<QQQI", 0, len(sound), 4800, 0))
    body = b"WAVE" + ds64 + fmt() + b"data" + b"\xff" * 4 + sound
    facts = probe(put(tmp_path, b"RF64" + b"\xff" * 4 + body))
    assert (facts.container, facts.duration_seconds) == ("RF64", Fraction(1, 10))
    assert facts.doubts == ()


def test_a_cut_recording_and_an_unfinished_header_are_said(tmp_path: Path) -> None:
    """The sound that is there is counted, and what the header claims is doubted."""
    whole = wave(fmt(), bext())
    cut = probe(put(tmp_path, whole[: -6 * 2400]))
    assert cut.duration_seconds == Fraction(1, 20)
    assert any("cut short" in doubt for doubt in cut.doubts)
    sound = random.Random(1).randbytes(6 * 4800)
    at = whole.index(b"data") + 4
    for size in (bytes(4), b"\xff" * 4):
        facts = probe(put(tmp_path, whole[:at] + size + b"\0" * 6 + sound[6:]))
        assert facts.duration_seconds == Fraction(1, 10)
        assert any("never finished" in doubt for doubt in facts.doubts)


def test_a_wrong_riff_size_alone_is_no_damage(tmp_path: Path) -> None:
    """A false alarm of MediaInfo's (measured): the chunks are whole."""
    whole = wave(fmt())
    for size in (20, 10_000_000):
        facts = probe(put(tmp_path, whole[:4] + struct.pack("<I", size) + whole[8:]))
        assert facts.doubts == ()
        assert facts.duration_seconds == Fraction(1, 10)


@pytest.mark.parametrize(
    "content",
    [
        chunk(b"iXML", b"no markup at all"),
        chunk(b"iXML", b""),
        chunk(b"iXML", b"<OTHER/>"),
        chunk(b"iXML", b"\xff\xfe\x00"),
        chunk(b"bext", b"short"),
    ],
)
def test_a_chunk_that_can_not_be_read_leaves_the_rest(tmp_path: Path, content: bytes) -> None:
    """The format and length stay known, and the chunk is named."""
    facts = probe(put(tmp_path, wave(fmt(), content)))
    assert facts.duration_seconds == Fraction(1, 10)
    assert any(content[:4].decode() in doubt for doubt in facts.doubts)


def test_random_damage_and_every_cut_never_raise(tmp_path: Path) -> None:
    """Seeded damage anywhere, cuts at every tenth."""
    whole = wave(fmt(), bext(5, b"sSCENE=1\r\n"), ixml(f"<SCENE>1</SCENE>{speed('25/1')}"))
    chance = random.Random(3)
    for tenth in range(1, 10):
        assert probe(put(tmp_path, whole[: len(whole) * tenth // 10])).doubts
    for _ in range(150):
        damaged = bytearray(whole)
        for _ in range(chance.randint(1, 20)):
            damaged[chance.randrange(1500)] = chance.randrange(256)
        probe(put(tmp_path, bytes(damaged)))


def test_the_poster_of_a_sound_is_its_waveform(tmp_path: Path) -> None:
    """Silence and a loud second half look different where they should."""
    loud = b"".join(struct.pack("<h", 20000 if n // 40 % 2 else -20000) for n in range(24000))
    path = put(tmp_path, wave(fmt(channels=1, bits=16), sound=bytes(48000) + loud))
    picture = tmp_path / "wave.jpg"
    picture.write_bytes(draw(path, probe(path)))
    with av.open(str(picture)) as container:
        frame = next(container.decode(video=0)).reformat(format="gray")
    assert (frame.width, frame.height) == (480, 270)
    line, rows = frame.planes[0].line_size, bytes(frame.planes[0])
    column = [sum(rows[y * line + x] for y in range(270)) for x in (100, 380)]
    assert column[1] > 2 * column[0]
