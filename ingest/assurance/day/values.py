"""What the end of a day is judged by, and what it finds: frozen values.

A *device* is a camera (drones are cameras), a sound recorder or a stills camera, by its letter.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from typing import Literal

from ingest.assurance.story import LostClip
from ingest.catalog.records import PlannedShot, Rating, SlateRow
from ingest.names import typed
from ingest.slate.coverage import ShotCovered
from ingest.slate.names import camera_key, scene_key, take_key

__all__ = [
    "SHOT",
    "BadCopies",
    "CardDue",
    "ClipIn",
    "ClockOff",
    "Conflicting",
    "DayFacts",
    "Device",
    "Fault",
    "Finding",
    "Held",
    "Kind",
    "Note",
    "RollIn",
    "TakeIn",
    "Wrapped",
    "settle_words",
]


SHOT = "shot-"
"""What the key of a planned shot that is owed begins with."""


def settle_words(key: str) -> str:
    """What to type when a finding of this key is settled, as a shell takes it; shown safely."""
    return f"ingest wrap --settle {typed(key)}"


class Kind(StrEnum):
    """What is open. In the order in which it is told, among things that are equally urgent."""

    PROBLEM = "problem"
    """A copy is damaged, missing or doubtful; or a file was never copied whole."""
    DEVICE = "device"
    """A camera, recorder or stills camera with no roll today."""
    ROLL = "roll"
    """A roll that the log or the numbers of the others name, and that isn't in."""
    CLIP = "clip"
    """A clip counter that jumps."""
    PICTURE = "picture"
    """A take with no picture."""
    SOUND = "sound"
    """A take with no sound, where sound was rolling."""
    UNFINISHED = "unfinished"
    """An offload that was cut off."""
    COPIES = "copies"
    """Fewer copies than wanted."""
    SHOT = "shot"
    """A planned shot with no good take."""
    BROKEN = "broken"
    """A clip that doesn't play as it should."""
    SET_WRONG = "set wrong"
    """A clip recorded with other settings than ingest.toml asks for."""
    CLOCK = "clock"
    CONFLICT = "conflict"
    """Scene and take said in two ways."""
    HOLD = "hold"
    CARD = "card"
    """A card that is due at the rental house."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that is open. Foreign names in the texts are already shown safely."""

    kind: Kind
    what: str
    because: str
    """What it rests on."""
    do: str
    key: str = ""
    """The word by which a person says that it is settled; empty: only mending it helps."""
    tonight: bool = False
    """It can't be had again tomorrow."""
    clips: tuple[str, ...] = ()
    """The clips (ROLL/NAME) that it is about, where it stands for many: settled by its key, each of
    them is settled, and one that comes in later is open."""

    @property
    def settled_by(self) -> tuple[str, ...]:
        """What is written down when somebody settles it; nothing: only mending it helps."""
        return self.clips or ((self.key,) if self.key else ())


@dataclass(frozen=True, slots=True)
class Device:
    """A device that was to be used."""

    letter: str
    kind: Literal["camera", "recorder", "stills"]
    name: str = ""
    """What it is called besides its letter, such as `drone`."""


@dataclass(frozen=True, slots=True)
class RollIn:
    """A roll that came in. `device`: its letter, from the roll's camera or its own name."""

    name: str
    day: int
    device: str
    card: str = ""
    copies: int = 2
    """Good copies on devices shown to be separate, of the file that has the fewest."""
    drives: tuple[str, ...] = ()
    finished: bool = True
    files: int = 1


@dataclass(frozen=True, slots=True)
class TakeIn:
    """A take that a clip holds."""

    scene: str
    take: str
    shot: str | None = None
    rating: Rating | None = None

    @property
    def key(self) -> tuple[str, str]:
        return scene_key(self.scene), take_key(self.take)


@dataclass(frozen=True, slots=True)
class ClipIn:
    """A clip that came in."""

    roll: str
    name: str
    day: int
    device: str
    kind: Literal["picture", "sound", "still", "other"]
    takes: tuple[TakeIn, ...] = ()
    without_picture: bool = False
    """Sound that its recorder marked as wild, a false start, a rehearsal or an announcement."""

    @property
    def full_name(self) -> str:
        return f"{self.roll}/{self.name}"

    @property
    def device_key(self) -> str:
        return camera_key(self.device)


@dataclass(frozen=True, slots=True)
class BadCopies:
    """Files of a roll whose copies on a drive are not good, all in one state."""

    roll: str
    drive: str
    state: str
    paths: tuple[str, ...]
    lost: bool
    """No other good copy of them is known."""


@dataclass(frozen=True, slots=True)
class Note:
    """Something that an offload saw on the card and did not copy whole."""

    roll: str
    kind: str
    path: str
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Fault:
    """What is wrong with a clip, in words."""

    clip: str
    """ROLL/NAME."""
    device: str
    wrong: str
    """`29.97 fps instead of 23.976`; `ends early`."""
    because: str
    broken: bool = False
    """It doesn't play as it should; else it was only set wrong."""


@dataclass(frozen=True, slots=True)
class ClockOff:
    """A device's clock against the others'. Seconds, positive: fast."""

    device: str
    seconds: int
    because: str


@dataclass(frozen=True, slots=True)
class Conflicting:
    words: str
    clips: tuple[str, ...] = ()
    do: str = ""
    """The likely remedy, or empty."""


@dataclass(frozen=True, slots=True)
class Held:
    """A roll whose card is held."""

    roll: str
    why: str
    do: str


@dataclass(frozen=True, slots=True)
class CardDue:
    card: str
    due: date


@dataclass(frozen=True, slots=True)
class DayFacts:
    """Everything that is known at the end of shoot day `day`, of one production.

    `rolls`, `clips` and `rows` may reach back to earlier days, never beyond `day`.
    """

    day: int
    devices: tuple[Device, ...] = ()
    """By ingest.toml."""
    rolls: tuple[RollIn, ...] = ()
    clips: tuple[ClipIn, ...] = ()
    rows: tuple[SlateRow, ...] = ()
    """The log: all days."""
    planned: tuple[PlannedShot, ...] = ()
    covered: tuple[ShotCovered, ...] = ()
    """The planned shots and the takes of them, the log's and those that are in."""
    last_day: bool = False
    """No shoot day is planned after it."""
    wanted: int = 2
    bad: tuple[BadCopies, ...] = ()
    notes: tuple[Note, ...] = ()
    lost: tuple[LostClip, ...] = ()
    """Clips with no good copy of some part."""
    faults: tuple[Fault, ...] = ()
    clocks: tuple[ClockOff, ...] = ()
    conflicts: tuple[Conflicting, ...] = ()
    held: tuple[Held, ...] = ()
    due: tuple[CardDue, ...] = ()
    idle: frozenset[str] = frozenset()
    """Letters of devices said to be idle today."""
    settled: Mapping[str, str] = field(default_factory=dict)
    """Keys of findings that somebody settled, in any case, and what was said."""

    def __post_init__(self) -> None:
        folded = {key.casefold(): said for key, said in self.settled.items()}
        object.__setattr__(self, "settled", folded)

    def settled_as(self, *keys: str) -> str | None:
        """What was said when all of these were settled; None where one wasn't, or of none."""
        said = [self.settled.get(key.casefold()) for key in keys]
        return said[0] if said and None not in said else None

    def device_named(self, text: str) -> Device | None:
        """The device of this letter or name, as a log may write it."""
        key = camera_key(text)
        by_letter = (one for one in self.devices if camera_key(one.letter) == key)
        by_name = (one for one in self.devices if one.name and camera_key(one.name) == key)
        return next(by_letter, None) or next(by_name, None)


@dataclass(frozen=True, slots=True)
class Wrapped:
    """The end of the day in one answer."""

    day: int
    open: tuple[Finding, ...]
    """The most urgent first."""
    settled: tuple[tuple[Finding, str], ...] = ()
    """What would be open, had nobody settled it; with what was said."""
    idle: tuple[str, ...] = ()

    @property
    def complete(self) -> bool:
        return not self.open
