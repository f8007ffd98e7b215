"""Wave files: format, bext (EBU Tech 3285) and iXML (ixml.info), read with wavinfo's parsers.

The chunks are walked here (`riff`), since wavinfo gives a whole file up for one bad chunk.
"""

from __future__ import annotations

import os
import struct
from dataclasses import replace
from fractions import Fraction
from typing import Any, BinaryIO

from wavinfo.wave_bext_reader import WavBextReader
from wavinfo.wave_ixml_reader import WavIXMLFormat

from ingest.media.facts import AudioTrack, ClipFacts, ClipKind, Sign, SoundNotes
from ingest.media.reading.described import read_description, timecode_rate
from ingest.media.reading.riff import Wave, wave_chunks
from ingest.media.reading.values import clean
from ingest.media.timecode import BadTimecode, from_samples

__all__ = ["read_sound"]

_BEXT_LENGTH = 602
_BASIC_UMID = 32
_NOT_MEASURED = 0x7FFF  # EBU Tech 3285 v2, 2.3: a loudness parameter that is not used
_CODECS = {1: "PCM", 3: "PCM float", 6: "A-law", 7: "mu-law"}
# Registered in RFC 2361; packed, so that a block holds more samples than channels.
_PACKED = {2: "ADPCM", 0x11: "IMA ADPCM", 0x50: "MPEG Audio", 0x55: "MP3"}
_EXTENSIBLE = 0xFFFE

# TAKE_TYPE came with iXML 2.0; the flags it replaced are still written.
_OLDER_FLAGS = ("NO_GOOD", "FALSE_START", "WILD_TRACK")

_LONGEST = 2000
_MOST_EXTRA = 100


def read_sound(path: str | os.PathLike[str]) -> ClipFacts | None:
    """Facts of a Wave file, or None where the file is none.

    Never raises for what is in the file: doubts say what could not be read.
    Raises OSError where the file can't be opened or read.
    """
    with open(path, "rb") as file:
        wave = wave_chunks(file)
        if wave is None:
            return None
        doubts = list(wave.doubts)
        facts = _format(file, wave, doubts)
        extra: dict[str, str] = {}
        notes = SoundNotes()
        bext = wave.read(file, b"bext")
        if bext is not None:
            notes = _bext(bext, extra, doubts)
        ixml = wave.read(file, b"iXML")
        stamp_rate: int | None = None
        if ixml is not None:
            notes, stamp_rate = _ixml(ixml, notes, extra, doubts)
            channels = facts.audio[0].channels if facts.audio else None
            if channels and notes.tracks and len(notes.tracks) != channels:
                doubts.append(f"It lists {len(notes.tracks)} tracks and holds {channels} channels.")
    if bext is not None or ixml is not None:
        facts = _with_timecode(replace(facts, sound=notes), notes, bext, stamp_rate, doubts)
    return replace(
        facts,
        recorded=notes.origination,
        recorded_source="bext" if notes.origination else None,
        reel=notes.tape,
        extra=extra,
        doubts=tuple(doubts),
        signs=_signs(wave),
    )


def _signs(wave: Wave) -> tuple[Sign, ...]:
    signs = []
    data = wave.find(b"data")
    if data is None or not data.there:
        signs.append(Sign.NO_SOUND)
    elif data.there < data.length:
        signs.append(Sign.PAST_END)
    if wave.unfinished:
        signs.append(Sign.UNFINISHED)
    return tuple(signs)


def _format(file: BinaryIO, wave: Wave, doubts: list[str]) -> ClipFacts:
    facts = ClipFacts(kind=ClipKind.SOUND, container="WAV" if wave.form == "RIFF" else wave.form)
    fmt = wave.read(file, b"fmt ") or b""
    data = wave.find(b"data")
    if data is None:
        doubts.append("It holds no sound (no data chunk).")
    if len(fmt) < 16:
        doubts.append("Its format can't be read (no whole fmt chunk).")
        return facts
    tag, channels, rate, byte_rate, block, bits = struct.unpack_from("<HHIIHH", fmt)
    if tag == _EXTENSIBLE and len(fmt) >= 26:
        (tag,) = struct.unpack_from("<H", fmt, 24)
    codec = _CODECS.get(tag) or _PACKED.get(tag, f"format {tag:#06x}")
    track = AudioTrack(
        channels=channels or None,
        sample_rate=rate or None,
        bit_depth=bits or None,
        codec=codec,
        bitrate=byte_rate * 8 or None,
    )
    seconds = None
    if data is not None and rate and block and tag in _CODECS:
        seconds = Fraction(data.there // block, rate)
    elif data is not None and byte_rate:
        seconds = Fraction(data.there, byte_rate)
    return replace(
        facts,
        codec=codec,
        bit_depth=bits or None,
        bitrate=byte_rate * 8 or None,
        audio=(track,),
        duration_seconds=seconds,
    )


def _bext(content: bytes, extra: dict[str, str], doubts: list[str]) -> SoundNotes:
    if len(content) < _BEXT_LENGTH:
        doubts.append(f"Its bext chunk has {len(content)} of at least {_BEXT_LENGTH} bytes.")
        content = content.ljust(_BEXT_LENGTH, b"\0")
    read: Any = None
    for encoding in ("utf-8", "latin_1"):  # ASCII by the standard; Latin-1 is often met
        try:
            read = WavBextReader(content, encoding)
            break
        except UnicodeDecodeError:
            continue
        except Exception as error:
            doubts.append(f"Its bext chunk can't be read: {clean(str(error))}.")
            return SoundNotes()
    description = _some(read.description)
    for key, value in (
        ("bext originator reference", read.originator_ref),
        ("bext coding history", read.coding_history),
        ("bext umid", _umid(read.umid or b"")),
        *_loudness(read),
    ):
        if kept := _some(value):
            extra[key] = kept
    origination = " ".join(
        each for each in (_some(read.originator_date), _some(read.originator_time)) if each
    )
    return replace(
        read_description(description or ""),
        time_reference=int(read.time_reference),
        originator=_some(read.originator),
        description=description,
        origination=origination or None,
    )


def _umid(field: bytes) -> str:
    """In hexadecimal: the extended UMID of 64 bytes, or the basic one of 32 (SMPTE ST 330), after
    which the field is zero."""
    if not any(field):
        return ""
    return (field if any(field[_BASIC_UMID:]) else field[:_BASIC_UMID]).hex()


def _loudness(read: Any) -> list[tuple[str, str]]:
    """The five measures of version 2, in LUFS, LU and dBTP; all zero: none was taken (common
    practice, no source)."""
    values = {
        "bext loudness value": read.loudness_value,
        "bext loudness range": read.loudness_range,
        "bext maximum true peak level": read.max_true_peak,
        "bext maximum momentary loudness": read.max_momentary_loudness,
        "bext maximum short-term loudness": read.max_shortterm_loudness,
    }
    if not any(values.values()):
        return []
    return [
        (key, f"{value:.2f}")
        for key, value in values.items()
        if value is not None and round(value * 100) != _NOT_MEASURED
    ]


def _ixml(
    content: bytes, notes: SoundNotes, extra: dict[str, str], doubts: list[str]
) -> tuple[SoundNotes, int | None]:
    """The notes with iXML's over bext's, and the rate that its own time stamp counts in."""
    try:
        root: Any = WavIXMLFormat(content.rstrip(b"\0 \r\n\t")).parsed.getroot()
        if root is None or root.tag != "BWFXML":
            raise ValueError("it is no BWFXML document")
        values = _texts(root)
    except Exception as error:
        doubts.append(f"Its iXML can't be read: {clean(str(error)) or type(error).__name__}.")
        return notes, None
    for key, value in values.items():
        if len(extra) < _MOST_EXTRA and not key.startswith("TRACK_LIST/"):
            extra[f"iXML {key}"] = value
    kinds = [word.strip() for word in values.get("TAKE_TYPE", "").split(",") if word.strip()] + [
        flag for flag in _OLDER_FLAGS if values.get(flag, "").upper() == "TRUE"
    ]
    reference = _stamp(values)
    if notes.time_reference is None:
        notes = replace(notes, time_reference=reference)
    elif reference is not None and reference != notes.time_reference:
        # The specification: fmt and bext win, since other programs change them without iXML.
        doubts.append(
            f"Its time stamps disagree: bext {notes.time_reference}, iXML {reference}; "
            "bext is taken."
        )
    flag = values.get("SPEED/TIMECODE_FLAG", "").upper()
    rate = timecode_rate(values.get("SPEED/TIMECODE_RATE"))
    return replace(
        notes,
        scene=values.get("SCENE") or notes.scene,
        take=values.get("TAKE") or notes.take,
        tape=values.get("TAPE") or notes.tape,
        project=values.get("PROJECT") or notes.project,
        note=values.get("NOTE") or notes.note,
        circled=values.get("CIRCLED", "").upper() == "TRUE" or bool(notes.circled),
        take_type=tuple(dict.fromkeys(kinds)),
        tracks=_tracks(root) or notes.tracks,
        timecode_rate=rate or notes.timecode_rate,
        drop_frame={"DF": True, "NDF": False}.get(flag, None if rate else notes.drop_frame),
        file_uid=values.get("FILE_UID"),
        family_uid=values.get("FILE_SET/FAMILY_UID"),
    ), _number(values.get("SPEED/TIMESTAMP_SAMPLE_RATE"))


def _texts(root: Any) -> dict[str, str]:
    """Path below the root to text, the first of each path; empty ones left out."""
    found: dict[str, str] = {}
    for element in root.iter():
        if not isinstance(element.tag, str) or element is root or len(element):
            continue
        parts = [element.tag]
        parts += [each.tag for each in element.iterancestors() if each is not root]
        value = _some(element.text or "")
        if value:
            found.setdefault("/".join(reversed(parts)), value)
        if len(found) > 1000:
            break
    return found


def _tracks(root: Any) -> tuple[str, ...]:
    """Track names by their place in the file (INTERLEAVE_INDEX), else as they are listed."""
    rows = [
        (_number(each.findtext("INTERLEAVE_INDEX")), _some(each.findtext("NAME") or "") or "")
        for each in root.findall("TRACK_LIST/TRACK")[:1000]
    ]
    places = [place for place, _ in rows]
    if None not in places and len(set(places)) == len(places):
        rows.sort(key=lambda row: row[0] or 0)
    return tuple(name for _, name in rows)


def _stamp(values: dict[str, str]) -> int | None:
    """HI x 2^32 + LO; the name with and without the S that some writers leave out."""
    for name in ("SAMPLES", "SAMPLE"):
        high = _number(values.get(f"SPEED/TIMESTAMP_{name}_SINCE_MIDNIGHT_HI"))
        low = _number(values.get(f"SPEED/TIMESTAMP_{name}_SINCE_MIDNIGHT_LO"))
        if low is not None:
            return ((high or 0) << 32) + low
    return None


def _with_timecode(
    facts: ClipFacts,
    notes: SoundNotes,
    bext: bytes | None,
    stamp_rate: int | None,
    doubts: list[str],
) -> ClipFacts:
    """The start timecode, only where the file says the frame rate that it counts in."""
    rate = (facts.audio[0].sample_rate if facts.audio else None) or stamp_rate
    if notes.time_reference is None or notes.timecode_rate is None or rate is None:
        return facts
    try:
        start = from_samples(
            notes.time_reference, rate, notes.timecode_rate, drop=bool(notes.drop_frame)
        )
    except BadTimecode as error:
        doubts.append(f"Its start timecode can't be worked out: {error}.")
        return facts
    return replace(
        facts,
        start_timecode=start.label,
        timecode_source="bext" if bext is not None else "iXML",
        drop_frame=bool(notes.drop_frame),
    )


def _number(written: str | None) -> int | None:
    value = (written or "").strip()
    return int(value) if value.isascii() and value.isdigit() and len(value) < 20 else None


def _some(value: str) -> str | None:
    return clean(value)[:_LONGEST] or None
