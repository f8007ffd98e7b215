"""How many bytes a second a device records. Pure.

Measured where something was shot; else from the published targets of the codec, or from width,
height, bits and rate, with the arithmetic shown. M is 10^6, G is 10^9.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction

from ingest.names import shown
from ingest.settings import DeviceSettings
from ingest.wording import length, rate, size

__all__ = ["DataRate", "Recording", "expected_rate", "hours_left", "measured_rate"]


@dataclass(frozen=True, slots=True)
class Recording:
    """One clip: bytes of all its files, and seconds that it plays."""

    day: int
    bytes: int
    seconds: Fraction


@dataclass(frozen=True, slots=True)
class DataRate:
    """Bytes a second of footage, and what they rest on, in words."""

    bytes_per_second: Fraction
    basis: str
    measured: bool = False

    @property
    def bytes_per_hour(self) -> int:
        return int(self.bytes_per_second * 3600)


# Mb/s by codec flavour: Apple ProRes White Paper, appendix "Target Data Rates" (2013 to 2022
# editions), as transcribed by a third party; targets, which real files mostly stay below.
_FLAVOURS = ("proxy", "lt", "422", "hq", "4444", "xq")
_TARGETS: dict[tuple[int, int], dict[int, tuple[int, ...]]] = {
    (1920, 1080): {
        24: (36, 82, 117, 176, 264, 396),
        25: (38, 85, 122, 184, 275, 413),
        30: (45, 102, 147, 220, 330, 495),
        50: (76, 170, 245, 367, 551, 826),
        60: (91, 204, 293, 440, 660, 990),
    },
    (2048, 1080): {24: (41, 93, 134, 201, 302, 453)},
    (3840, 2160): {
        24: (145, 328, 471, 707, 1061, 1591),
        25: (151, 342, 492, 737, 1106, 1659),
        30: (182, 410, 589, 884, 1326, 1989),
    },
    (4096, 2160): {24: (155, 350, 503, 755, 1130, 1697)},
}
_BITS_OF_PIXEL = {8: 16, 10: 20, 12: 36, 16: 48}
"""Bits a pixel by bits a sample: 4:2:2 at 8 and 10 bits, 4:4:4 above (arithmetic)."""


def measured_rate(recordings: Iterable[Recording]) -> DataRate | None:
    """From what was shot on the last day that has something; None when nothing has a length."""
    timed = [one for one in recordings if one.seconds > 0 and one.bytes > 0]
    if not timed:
        return None
    day = max(one.day for one in timed)
    last = [one for one in timed if one.day == day]
    seconds = sum((one.seconds for one in last), Fraction(0))
    total = sum(one.bytes for one in last)
    clips = "1 clip" if len(last) == 1 else f"{len(last):,} clips"
    basis = f"measured on {clips} of day {day}, {size(total)} in {length(seconds)}"
    return DataRate(Fraction(total) / seconds, basis, measured=True)


def expected_rate(device: DeviceSettings, project_rate: Fraction | None) -> DataRate | None:
    """From what ingest.toml says that the device records; None when that is too little.

    A codec of the published table goes by it. Any other picture goes by its pixels, uncompressed:
    a compressed codec records less. Sound goes by channels, samples and bits.
    """
    if device.kind == "recorder":
        return _sound(device)
    if device.kind == "stills" or device.size is None:
        return None
    frames = device.frame_rate or project_rate
    if frames is None:
        return None
    return _published(device, frames) or _uncompressed(device, frames)


def _published(device: DeviceSettings, frames: Fraction) -> DataRate | None:
    words = (device.codec or "").casefold().replace("prores", " prores ").split()
    table = _TARGETS.get(device.size or (0, 0), {}).get(round(frames))
    if "prores" not in words or table is None:
        return None
    named = [flavour for flavour in _FLAVOURS if flavour in words or f"{flavour}-" in words]
    flavour = "xq" if "xq" in named else next((one for one in named if one != "422"), "422")
    megabits = table[_FLAVOURS.index(flavour)]
    value = Fraction(megabits * 1_000_000, 8)
    width, height = device.size or (0, 0)
    basis = (
        f"published target of {shown(device.codec or '')} at {width}x{height}, {rate(frames)} fps: "
        f"{megabits} Mb/s x 0.45 = {_gigabytes(value)} GB an hour"
    )
    return DataRate(value, basis)


def _uncompressed(device: DeviceSettings, frames: Fraction) -> DataRate | None:
    bits = _BITS_OF_PIXEL.get(device.bit_depth or 0)
    if bits is None or device.size is None:
        return None
    width, height = device.size
    per_second = width * height * bits * frames
    basis = (
        f"{width} x {height} x {bits} bits x {rate(frames)} fps = "
        f"{float(per_second / 1_000_000):,.3f} Mb/s = {_gigabytes(per_second / 8)} GB an hour"
    )
    if device.codec:
        basis += f", uncompressed; {shown(device.codec)} may need less"
    return DataRate(per_second / 8, basis)


def _sound(device: DeviceSettings) -> DataRate | None:
    channels, samples = device.audio_channels, device.sample_rate
    if channels is None or samples is None:
        return None
    bits = device.bit_depth or 24
    per_second = Fraction(channels * samples * bits, 8)
    basis = (
        f"{channels} x {samples:,} Hz x {bits} bits = "
        f"{float(per_second * 8 / 1_000_000):,.3f} Mb/s = {_gigabytes(per_second)} GB an hour"
    )
    return DataRate(per_second, basis)


def _gigabytes(per_second: Fraction) -> str:
    return f"{float(per_second * 3600 / 10**9):,.4f}".rstrip("0").rstrip(".")


def hours_left(room: int, data_rate: DataRate) -> Fraction:
    """Hours of footage that `room` bytes hold."""
    return Fraction(room) / data_rate.bytes_per_second / 3600
