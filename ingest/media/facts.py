"""What a clip is, as values: no library is needed to hold or compare them.

Times stand as the file wrote them. Frame rates are fractions. Durations are exact seconds.
A field is None where the file doesn't say.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from fractions import Fraction

__all__ = [
    "AudioTrack",
    "ClipFacts",
    "ClipKind",
    "Colour",
    "Disagreement",
    "Sign",
    "SoundNotes",
]


class ClipKind(StrEnum):
    """What the main file of a clip holds."""

    PICTURE = "picture"
    SOUND = "sound"
    STILL = "still"
    OTHER = "other"
    """Kept and listed, but not read: a format that isn't known here."""


class Sign(StrEnum):
    """A sign of damage that shows without decoding; `health` weighs it, `doubts` say it."""

    EMPTY = "empty"
    ZEROS = "zeros"
    """It begins with zeros only."""
    TEXT = "text"
    """It holds text where its name promises picture or sound."""
    UNKNOWN = "unknown"
    """Nothing in it is known here as picture, still or sound."""
    UNREADABLE = "unreadable"
    """The system could not read it."""
    NO_INDEX = "no index"
    """The index that a recorder writes at the end isn't there."""
    CLAIMS_MORE = "claims more"
    """The container says that there is more than the file holds: a hint, not a proof."""
    PAST_END = "past the end"
    """Frames or samples that it lists lie past the end of the file."""
    UNFINISHED = "unfinished"
    """A length in its header was never filled in."""
    NO_END = "no end"
    """A picture without its end marker."""
    NO_SOUND = "no sound"
    """A sound file without sound."""
    CLOSED_TO_FFMPEG = "can't be opened"
    """One library reads its headers, the other can't open it for playing."""


@dataclass(frozen=True, slots=True)
class Disagreement:
    """Two sources that say different things of one fact. Neither is thrown away."""

    what: str = ""
    """The fact, in words: `frame rate`."""
    values: Mapping[str, str] = field(default_factory=dict)
    """Source to what it says: `{"container": "25", "track": "50"}`."""
    taken: str = ""
    """The source that the facts go by, or empty where none was taken."""


@dataclass(frozen=True, slots=True)
class AudioTrack:
    """One audio track."""

    channels: int | None = None
    sample_rate: int | None = None
    """Hz."""
    bit_depth: int | None = None
    codec: str | None = None
    bitrate: int | None = None
    """Bits a second."""
    name: str | None = None
    """As the file names the track."""
    seconds: Fraction | None = None
    """Its own length, where the file states it: picture and sound may end apart."""


@dataclass(frozen=True, slots=True)
class Colour:
    """Colour description as the file states it."""

    primaries: str | None = None
    transfer: str | None = None
    matrix: str | None = None
    range: str | None = None


@dataclass(frozen=True, slots=True)
class SoundNotes:
    """What a recorder wrote into its file (bext, EBU Tech 3285; iXML): text as written."""

    scene: str | None = None
    take: str | None = None
    tape: str | None = None
    project: str | None = None
    note: str | None = None
    circled: bool | None = None
    take_type: tuple[str, ...] = ()
    """Words of iXML TAKE_TYPE, the older flags included (WILD_TRACK, FALSE_START, NO_GOOD)."""
    tracks: tuple[str, ...] = ()
    """Track names in file order; an unnamed track is an empty text."""
    timecode_rate: Fraction | None = None
    drop_frame: bool | None = None
    time_reference: int | None = None
    """Samples since midnight: the timecode count in real seconds, not the wall clock."""
    originator: str | None = None
    description: str | None = None
    origination: str | None = None
    """Date and time of the recorder's clock, as written: `2026-03-14 12:40:00`."""
    file_uid: str | None = None
    family_uid: str | None = None


@dataclass(frozen=True, slots=True)
class ClipFacts:
    """Facts of one clip, read from its main file."""

    kind: ClipKind = ClipKind.OTHER
    container: str | None = None
    codec: str | None = None
    profile: str | None = None
    width: int | None = None
    """Pixels, as stored."""
    height: int | None = None
    bit_depth: int | None = None
    chroma: str | None = None
    scan: str | None = None
    rotation: int | None = None
    """Degrees clockwise."""
    frame_rate: Fraction | None = None
    variable_rate: bool = False
    lowest_rate: Fraction | None = None
    """Only where the rate varies, as the packets' times give it."""
    highest_rate: Fraction | None = None
    sensor_rate: Fraction | None = None
    """Frames a second at the sensor, where the file says (slow motion)."""
    duration_frames: int | None = None
    duration_seconds: Fraction | None = None
    start_timecode: str | None = None
    """HH:MM:SS:FF, with `;` before the frames where it is drop-frame."""
    timecode_source: str | None = None
    """track, container, bext, iXML, or None."""
    drop_frame: bool | None = None
    """Whether the start timecode is drop-frame; None without a timecode."""
    display_aspect: Fraction | None = None
    """Width to height as shown, pixel shape counted in, rotation not."""
    bitrate: int | None = None
    """Bits a second, of the whole file."""
    hdr: str | None = None
    colour: Colour = Colour()
    audio: tuple[AudioTrack, ...] = ()
    camera_make: str | None = None
    camera_model: str | None = None
    camera_serial: str | None = None
    lens: str | None = None
    reel: str | None = None
    iso: str | None = None
    exposure: str | None = None
    aperture: str | None = None
    white_balance: str | None = None
    location: str | None = None
    """Where it was recorded, as written (ISO 6709, or degrees from EXIF)."""
    recorded: str | None = None
    """Recording date as written, zone and all, or the lack of one."""
    recorded_zone: str | None = None
    """The zone in it, as written (`Z`, `UTC`, `+01:00`); None: it names none."""
    recorded_source: str | None = None
    """Where it stands: the key of the tag or field."""
    sound: SoundNotes | None = None
    doubts: tuple[str, ...] = ()
    """What could not be read, or where two sources disagree, a sentence each."""
    disagreements: tuple[Disagreement, ...] = ()
    signs: tuple[Sign, ...] = ()
    extra: Mapping[str, str] = field(default_factory=dict)
    """What the file says beyond that, key and text as they came."""
