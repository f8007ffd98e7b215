"""What one ingest.toml says, as values; the defaults where it says nothing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from fractions import Fraction
from typing import Literal

from ingest.checksums import DEFAULT_KINDS

__all__ = [
    "DAY_ENDS",
    "KINDS_OF_DEVICE",
    "LAYOUT",
    "DeviceKind",
    "DeviceSettings",
    "DriveSettings",
    "PolicySettings",
    "Settings",
    "shoot_date",
]

DAY_ENDS = 5
"""Hour at which a shoot day ends when nothing is said (common practice, no source)."""
LAYOUT = "{production}/D{day:02}_{date}/{roll}"

DeviceKind = Literal["camera", "recorder", "stills"]
KINDS_OF_DEVICE: tuple[DeviceKind, ...] = ("camera", "recorder", "stills")
"""The tables of ingest.toml that name devices: [camera.A], [recorder.S], [stills.P]."""


@dataclass(frozen=True, slots=True)
class DeviceSettings:
    """A camera (drones are cameras), sound recorder or stills camera, and what it should record.

    None where ingest.toml doesn't say: then nothing is demanded.
    """

    letter: str
    kind: DeviceKind
    name: str | None = None
    frame_rate: Fraction | None = None
    """Frames a second, as played."""
    sensor_rate: Fraction | None = None
    """Frames a second, as exposed (slow or fast motion)."""
    size: tuple[int, int] | None = None
    """Width and height in pixels, as recorded."""
    codec: str | None = None
    bit_depth: int | None = None
    """Bits a sample of picture or sound."""
    colour: str | None = None
    """Transfer or primaries, as the file states them."""
    audio_channels: int | None = None
    sample_rate: int | None = None
    """Sound samples a second (Hz)."""
    rotation: int | None = None
    """0, 90, 180 or 270 degrees."""


@dataclass(frozen=True, slots=True)
class DriveSettings:
    """A drive of the production, by its name."""

    name: str
    where: str | None = None
    """The place or bag it lives in."""
    offsite: bool | None = None
    """Whether that place counts as off-site; None where it isn't said."""


@dataclass(frozen=True, slots=True)
class PolicySettings:
    """What must hold before a card may be reused, and the contract's words for it.

    None: not demanded (for `copies`: the production's `copies` count).
    """

    copies: int | None = None
    offsite: int | None = None
    """How many of the copies must be on drives in an off-site place."""
    read_twice: bool | None = None
    """The card must have been read twice and compared."""
    max_age: int | None = None
    """Days: evidence older than this doesn't count."""
    audit_every: int | None = None
    """Days after which a drive is due for an audit."""
    viewed: bool | None = None
    """Clips that can't be decoded must have been viewed by a person."""
    hold_until: date | None = None
    """No card is reused before this day."""
    words: str | None = None
    """What the contract says, quoted."""


@dataclass(frozen=True, slots=True)
class Settings:
    """The values of one ingest.toml, or the defaults."""

    place: str = ""
    """The file they came from, or empty."""
    production: str | None = None
    client: str | None = None
    time_zone: str | None = None
    """IANA name, such as Europe/Lisbon; None: the machine's."""
    days: tuple[date, ...] = ()
    day_ends: int = DAY_ENDS
    """Hour of the clock, 0 to 12, at which a shoot day ends."""
    frame_rate: Fraction | None = None
    """The project's frames a second."""
    copies: int = 2
    checksums: tuple[str, ...] = DEFAULT_KINDS
    layout: str = LAYOUT
    names: str | None = None
    """Pattern of scene and take in file or folder names, such as "{scene}-{take}"."""
    display: str | None = None
    """Pattern of the name that a clip is shown by, such as "{scene}-{take}-{camera}"."""
    devices: Mapping[str, DeviceSettings] = field(default_factory=dict)
    """By letter, in the file's order; a letter is used once over all kinds."""
    drives: Mapping[str, DriveSettings] = field(default_factory=dict)
    """By name, in the file's order."""
    policy: PolicySettings = field(default_factory=PolicySettings)

    @property
    def copies_wanted(self) -> int:
        """Copies of each roll before its card may be reused: the policy's number, if it has one."""
        return self.policy.copies or self.copies


def shoot_date(now: datetime, day_ends: int) -> date:
    """The shoot day's date for a local time: before `day_ends` it is still the day before."""
    return (now - timedelta(hours=day_ends)).date()
