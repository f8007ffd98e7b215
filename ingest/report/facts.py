"""What the intake report says, gathered once and drawn several ways: values, no database, no disk.

Sizes are bytes, `at` and `as_of` are aware UTC, frame rates are fractions, durations are exact
seconds. Paths are POSIX and relative to the roll (a copy's: to its drive), exact as on the medium;
whoever shows one passes it through `ingest.names.shown`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING

from ingest.assurance.worth import Weakness, weakness
from ingest.checksums import KINDS
from ingest.evidence import Against, Route, State

if TYPE_CHECKING:
    from ingest.assurance.footage.set_wrong import Difference

__all__ = [
    "ClipLength",
    "ClipLine",
    "CopyLine",
    "DayEnd",
    "DriveLine",
    "FileLine",
    "IntakeFacts",
    "OffloadLine",
    "OpenLine",
    "Problem",
    "RollLine",
    "SceneLine",
    "Sum",
    "TakeLine",
    "Totals",
    "separate_devices",
]


@dataclass(frozen=True, slots=True)
class Problem:
    """Something that needs a person. `serious` ones end the command with 3; the rest are remarks.

    `items` names every file or clip it is about, ROLL/PATH; empty when it is about none.
    """

    kind: str
    what: str
    do: str
    serious: bool = True
    items: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class DriveLine:
    """One drive, and how the copies of this report on it stand."""

    name: str
    device: str
    """The physical device, for people; empty when it is not known."""
    device_key: str
    """The same text for drives on one physical device; empty when unknown, which never counts
    as a separate one."""
    fs_type: str
    root: str
    """Where it was last seen."""
    mounted: bool
    copies: int
    proven: int
    """Read back past the cache, compared with the card's read or the catalog's digest, equal."""
    cached: int
    """Equal, but the operating system may have answered from memory."""
    own_list: int
    """Equal to a list on a drive, never compared with what the card gave."""
    bad: int
    waiting: int
    """Not read back yet, only claimed by a list, or bad once and good once since."""
    bytes: int
    oldest: datetime | None
    """The copies' deciding evidence: the oldest and the newest of it."""
    newest: datetime | None
    speed: Fraction | None = None
    """Bytes a second over all offloads of this report to the drive, read-back included."""
    pace: str = ""
    """The same as a sentence, with where it fell; empty when unknown."""
    free: int | None = None
    """Bytes that may still be written, seen now; None when it is not plugged in."""
    where: str = ""
    """The place or bag it is said to be in; empty when nothing was said."""
    discounted: int = 0
    """Matched once, and counted for nothing: the drive is dead or lost, or was and has not been
    read since."""
    gone: bool = False
    """Written down as dead or lost: it counts for no copy."""
    once: int = 0
    twice: int = 0
    """Rolls on it whose card was read once, and twice; those of unknown reading are neither."""


@dataclass(frozen=True, slots=True)
class RollLine:
    name: str
    day: int
    date: str
    camera: str | None
    card: str
    files: int
    bytes: int
    clips: int
    good_files: int
    """Files with as many proven copies on separate devices as wanted."""
    card_read: int
    """How many times every byte of the card was read, by the roll's last offload; 0: not known."""


@dataclass(frozen=True, slots=True)
class CopyLine:
    """One copy of one file and the state that its evidence gives."""

    drive: str
    path: str
    state: State
    route: Route | None
    against: Against | None
    at: datetime | None
    why: str
    device_key: str
    counts: bool = True
    """False where the drive is dead or lost, or was and the copy has not been read since."""
    remounted: bool = False
    """Read in a later mount than it was written in, on a device of this machine."""
    dated: bool = True
    """False where the evidence is dated in the future, or not at all."""

    @property
    def weak(self) -> Weakness | None:
        """Why it doesn't count as a good copy, by the rule that the verdict on a card goes by."""
        return weakness(
            self.state,
            self.route,
            self.against,
            remounted=self.remounted,
            counts=self.counts,
            dated=self.dated,
        )

    @property
    def proven(self) -> bool:
        """Equal to what the card gave, and not read from memory, on a drive that is there."""
        return self.weak is None


@dataclass(frozen=True, slots=True)
class FileLine:
    roll: str
    path: str
    size: int
    digests: Mapping[str, str]
    copies: tuple[CopyLine, ...]

    @property
    def name(self) -> str:
        return f"{self.roll}/{self.path}"

    @property
    def good(self) -> int:
        """Proven copies, those on one physical device (or on an unknown one) counted as one."""
        return separate_devices(copy.device_key for copy in self.copies if copy.proven)

    @property
    def digest(self) -> str:
        """`kind:digest` of the kind that comes first in `checksums.KINDS`, or empty."""
        return next((f"{kind}:{self.digests[kind]}" for kind in KINDS if kind in self.digests), "")


@dataclass(frozen=True, slots=True)
class TakeLine:
    scene: str
    take: str
    shot: str | None = None
    rating: str | None = None
    sure: str = "sure"
    basis: str = ""
    note: str | None = None


@dataclass(frozen=True, slots=True)
class ClipLine:
    """One clip: what it is, which takes it holds, and its files with their copies."""

    name: str
    """ROLL/NAME."""
    roll: str
    day: int
    camera: str | None
    kind: str
    """picture, sound, still or other."""
    display: str | None = None
    """The name people know it by, made of scene, take and camera; None where nothing tells."""
    takes: tuple[TakeLine, ...] = ()
    start_timecode: str | None = None
    end_timecode: str | None = None
    """Of the first frame after the last, as an edit counts it; None where it can't be counted."""
    duration_seconds: Fraction | None = None
    frame_rate: Fraction | None = None
    variable_rate: bool = False
    width: int | None = None
    height: int | None = None
    codec: str | None = None
    container: str | None = None
    channels: int | None = None
    """Audio channels over all tracks."""
    sample_rate: int | None = None
    recorded: str | None = None
    doubts: tuple[str, ...] = ()
    health: str | None = None
    """healthy, look, broken or unchecked; None: nobody has looked yet."""
    findings: tuple[str, ...] = ()
    """What was found by looking, a sentence each."""
    files: tuple[FileLine, ...] = ()
    """The spans in order, then the companions."""
    poster: Path | None = None

    @property
    def bytes(self) -> int:
        return sum(file.size for file in self.files)

    @property
    def circled(self) -> bool:
        return any(take.rating == "circled" for take in self.takes)

    @property
    def scene(self) -> str | None:
        return self.takes[0].scene if self.takes else None

    @property
    def good(self) -> int:
        """Proven copies on separate devices of the file that has the fewest; 0 without files."""
        return min((file.good for file in self.files), default=0)

    @property
    def digest(self) -> str:
        """`kind:digest` of its first file, or empty."""
        return self.files[0].digest if self.files else ""


@dataclass(frozen=True, slots=True)
class OffloadLine:
    """One run of offload, or the piece of it that was done when it was cut off."""

    roll: str
    card: str
    who: str
    machine: str
    started: datetime
    finished: datetime | None
    verdict: str
    """matched, problem, stopped, or `not finished`."""
    card_read: int
    files: int
    known: int
    bytes: int
    seconds: float
    left_out: int
    litter: int
    """System litter left on the card: index, trash and thumbnail files."""
    notes: tuple[tuple[str, str, str], ...] = ()
    """What else was seen and not copied whole: kind, path, detail."""
    last: bool = True
    """The roll's last offload: the one whose findings still stand."""


@dataclass(frozen=True, slots=True)
class ClipLength:
    clip: str
    """ROLL/NAME."""
    seconds: Fraction


@dataclass(frozen=True, slots=True)
class Sum:
    """A total over one camera, roll or shoot day, or over all."""

    of: str
    clips: int
    files: int
    bytes: int
    seconds: Fraction
    """Length of the clips that state one."""
    timed_bytes: int = 0
    """Bytes of those clips: over `seconds` it is the measured data rate."""
    untimed: int = 0
    """Clips of picture or sound that state no length."""
    longest: ClipLength | None = None
    shortest: ClipLength | None = None
    """None where no clip states a length."""

    @property
    def data_rate(self) -> Fraction | None:
        """Bytes a second."""
        return self.timed_bytes / self.seconds if self.seconds else None


@dataclass(frozen=True, slots=True)
class SceneLine:
    """What came in of one scene, and what of it is still owed."""

    scene: str
    takes: int
    """Different takes."""
    circled: int
    clips: int
    """A clip that holds takes of several scenes counts in each."""
    cameras: tuple[str, ...]
    """Cameras that hold a picture of it."""
    sound: bool
    """Some take of it has sound of a recorder."""
    seconds: Fraction
    """Length of its picture clips that state one."""
    owed: tuple[str, ...] = ()
    """Planned shots without a good take yet; empty too where no plan was loaded."""


@dataclass(frozen=True, slots=True)
class OpenLine:
    """One thing that is open at the end of a shoot day."""

    kind: str
    what: str
    because: str
    do: str
    tonight: bool = False
    """It can't be had again tomorrow."""


@dataclass(frozen=True, slots=True)
class DayEnd:
    """The end of a shoot day, as `ingest wrap` tells it."""

    day: int | None
    """None where no day could be chosen."""
    open: tuple[OpenLine, ...] = ()
    """The most urgent first."""
    settled: tuple[tuple[str, str], ...] = ()
    """What would be open, had nobody settled it, and what was said of it."""
    unknown: str = ""
    """Why the day could not be judged; then nothing else says anything."""

    @property
    def verdict(self) -> str:
        """complete, open or unknown."""
        if self.unknown:
            return "unknown"
        return "open" if self.open else "complete"


@dataclass(frozen=True, slots=True)
class Totals:
    files: int
    bytes: int
    copies: int
    proven: int
    good_files: int
    clips: int
    drives: int
    devices: int
    """Physical devices shown to be separate."""


@dataclass(frozen=True, slots=True)
class IntakeFacts:
    """The whole report. `verdict` never claims more than was compared."""

    production: str
    scope: str
    """In words: `Day 2 of ...`."""
    as_of: datetime
    wanted: int
    """Copies wanted on separate devices."""
    verdict: str
    remarks: tuple[str, ...]
    """What belongs beside the verdict: how often the card was read, shared devices, dates."""
    problems: tuple[Problem, ...]
    totals: Totals
    drives: tuple[DriveLine, ...]
    rolls: tuple[RollLine, ...]
    clips: tuple[ClipLine, ...]
    files: tuple[FileLine, ...]
    """Every file, those of clips too."""
    cameras: tuple[Sum, ...]
    days: tuple[Sum, ...]
    offloads: tuple[OffloadLine, ...]
    scenes: tuple[SceneLine, ...] = ()
    day_end: DayEnd | None = None
    """None in a report that is not about days."""
    roll_sums: tuple[Sum, ...] = ()
    whole: Sum | None = None
    differences: tuple[Difference, ...] = ()
    """How clips were recorded otherwise than asked for, or than their device's other clips."""
    cautions: tuple[str, ...] = field(default=())

    @property
    def well(self) -> bool:
        """Nothing serious needs a person."""
        return not any(problem.serious for problem in self.problems)

    @property
    def loose_files(self) -> tuple[FileLine, ...]:
        """Files that belong to no clip."""
        held = {id(file) for clip in self.clips for file in clip.files}
        return tuple(file for file in self.files if id(file) not in held)


def separate_devices(keys: Iterable[str]) -> int:
    """How many physical devices the keys are shown to be; unknown ones (empty) add nothing.

    One or more unknown devices alone count as one.
    """
    kinds = set(keys)
    return max(len(kinds - {""}), min(len(kinds), 1))
