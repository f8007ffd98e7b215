"""How a clip was recorded, as far as its file says: the settings that a camera can be left on.

Each setting is told as a value that can be compared and as words. What a file doesn't say has
no value, and is never held against it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction

from ingest.media.facts import ClipFacts, ClipKind
from ingest.names import shown
from ingest.settings import DeviceSettings
from ingest.wording import counted, rate

__all__ = ["SETTINGS", "Value", "asked", "fulfils", "is_off_speed", "recorded"]

SETTINGS = (
    "frame rate",
    "sensor rate",
    "size",
    "codec",
    "bit depth",
    "colour",
    "audio channels",
    "sample rate",
    "rotation",
)
"""Everything that is compared, in the order in which it is told."""

# One thing by two names: ITU-T and ISO/IEC number the same texts; Rec. is an ITU-R Recommendation.
_CODECS = {"h264": "avc", "h265": "hevc", "h266": "vvc"}
_COLOURS = {"rec": "bt"}


@dataclass(frozen=True, slots=True)
class Value:
    """A setting: `key` is compared, `words` are shown (foreign text in them is safe to show)."""

    key: object
    words: str


def recorded(facts: ClipFacts) -> Mapping[str, Value]:
    """The settings that a clip was recorded with, by the names in `SETTINGS`.

    The frame rate of a sound file is the one its timecode counts at. The sensor rate is told
    only where the clip was recorded faster or slower than it plays.
    """
    found: dict[str, Value] = {}
    if facts.kind is ClipKind.SOUND:
        if facts.sound is not None and facts.sound.timecode_rate is not None:
            found["frame rate"] = _rate(facts.sound.timecode_rate)
        bits = {track.bit_depth for track in facts.audio} - {None}
        if len(bits) == 1:
            found["bit depth"] = _bits(bits.pop())
    elif facts.kind in (ClipKind.PICTURE, ClipKind.STILL):
        found |= _picture(facts)
    if facts.kind in (ClipKind.PICTURE, ClipKind.SOUND):
        found |= _sound(facts)
    return found


def asked(device: DeviceSettings | None, project_rate: Fraction | None) -> Mapping[str, Value]:
    """What ingest.toml asks of a device. `project_rate` (frames a second) is asked of cameras and
    recorders that have no rate of their own."""
    found: dict[str, Value] = {}
    kind = device.kind if device is not None else "camera"
    wanted = device.frame_rate if device is not None else None
    if wanted is None and kind != "stills":
        wanted = project_rate
    if wanted is not None:
        found["frame rate"] = _rate(wanted)
    if device is None:
        return found
    if device.sensor_rate is not None:
        found["sensor rate"] = _rate(device.sensor_rate)
    if device.size is not None:
        found["size"] = Value(device.size, "{}x{}".format(*device.size))
    if device.codec is not None:
        found["codec"] = Value(_plain(device.codec, _CODECS), shown(device.codec))
    if device.bit_depth is not None:
        found["bit depth"] = _bits(device.bit_depth)
    if device.colour is not None:
        found["colour"] = Value(_plain(device.colour, _COLOURS), shown(device.colour))
    if device.audio_channels is not None:
        found["audio channels"] = _channels(device.audio_channels)
    if device.sample_rate is not None:
        found["sample rate"] = Value(device.sample_rate, f"{device.sample_rate} Hz")
    if device.rotation is not None:
        found["rotation"] = Value(device.rotation, f"{device.rotation} degrees")
    return found


def fulfils(setting: str, found: Value, wanted: Value) -> bool:
    """Whether what was recorded is what was asked for. Of codec and colour the words asked for
    need only be among those of the file: `ProRes` asks for any ProRes."""
    if setting in ("codec", "colour"):
        return str(wanted.key) in str(found.key)
    return found.key == wanted.key


def is_off_speed(facts: ClipFacts) -> bool:
    """Whether the file says that it was recorded faster or slower than it plays."""
    return facts.sensor_rate is not None and facts.sensor_rate != facts.frame_rate


def _picture(facts: ClipFacts) -> dict[str, Value]:
    found: dict[str, Value] = {}
    if facts.variable_rate:
        found["frame rate"] = Value("variable", "a varying rate")
    elif facts.frame_rate is not None:
        found["frame rate"] = _rate(facts.frame_rate)
    if facts.sensor_rate is not None and is_off_speed(facts):
        found["sensor rate"] = _rate(facts.sensor_rate)
    if facts.width and facts.height:
        found["size"] = Value((facts.width, facts.height), f"{facts.width}x{facts.height}")
    if facts.codec is not None:
        said = " ".join(part for part in (facts.codec, facts.profile) if part)
        found["codec"] = Value(_plain(said, _CODECS), shown(said))
    if facts.bit_depth is not None:
        found["bit depth"] = _bits(facts.bit_depth)
    said = " ".join(dict.fromkeys(filter(None, (facts.colour.transfer, facts.colour.primaries))))
    if said:
        found["colour"] = Value(_plain(said, _COLOURS), shown(said))
    if facts.kind is ClipKind.PICTURE:
        turn = facts.rotation or 0
        found["rotation"] = Value(turn, f"{turn} degrees")
    return found


def _sound(facts: ClipFacts) -> dict[str, Value]:
    found: dict[str, Value] = {}
    if facts.codec is not None or facts.audio:  # else the file was not read at all
        found["audio channels"] = _channels(sum(track.channels or 0 for track in facts.audio))
    rates = {track.sample_rate for track in facts.audio} - {None}
    if len(rates) == 1:
        rate_hz = rates.pop()
        found["sample rate"] = Value(rate_hz, f"{rate_hz} Hz")
    return found


def _rate(value: Fraction) -> Value:
    # To a thousandth: files write 30000/1001 and 2997/100 for one rate.
    return Value(round(value * 1000), f"{rate(value)} fps")


def _bits(value: int | None) -> Value:
    return Value(value, f"{value} bit")


def _channels(number: int) -> Value:
    return Value(number, counted(number, "audio channel") if number else "no sound")


def _plain(text: str, names: Mapping[str, str]) -> str:
    """Letters and digits only, small, one name for what has two."""
    plain = "".join(each for each in text.casefold() if each.isalnum())
    for one, other in names.items():
        plain = plain.replace(one, other)
    return plain
