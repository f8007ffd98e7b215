"""A shoot day made up from a seed: takes, cameras, a recorder, a log, and everything that slips.

What is in it is common practice, no source: people press buttons some seconds apart, slates are
forgotten, wrong numbers get into the log, cameras' clocks are wrong and drift, a camera is set
anew in the middle of the day, cards come back with clips that nobody logged.
"""

from __future__ import annotations

import math
import random
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from fractions import Fraction

from ingest.catalog.records import Clip, ClipFile, ClipRole, Roll, SlateRow
from ingest.media.facts import AudioTrack, ClipFacts, ClipKind, SoundNotes

__all__ = ["SHAPES", "Shape", "ShootDay", "shoot_day"]

RATE = Fraction(24000, 1001)
DATE = datetime(2026, 3, 14)
ZONE_HOURS = 1


@dataclass(frozen=True, slots=True)
class Shape:
    """How a day is shot and written down."""

    name: str
    log_names: bool = True
    """The log names clips."""
    log_clock: int = 0
    """Seconds to which the log tells its times, by its own clock; 0: it tells none."""
    sound: str = "timecode"
    """timecode: iXML and time reference; clock: iXML and the recorder's clock; none."""
    timecoded: frozenset[str] = frozenset("A")
    """Cameras with common timecode."""
    mtime_only: frozenset[str] = frozenset()
    """Cameras whose files state no date: only the file's own time."""
    reset: bool = False
    """Camera B's clock is set anew at midday."""
    summer_time: bool = False
    """A camera's clock is an hour off, as where the clocks have just been changed."""
    lag: tuple[float, float] = (-1.0, 3.0)
    """Seconds from sound to camera, least and most."""
    log: bool = True


SHAPES = (
    Shape("sound with timecode, log with names"),
    Shape("log with clock to the minute", log_names=False, log_clock=60),
    Shape("log with clip names alone, no sound", sound="none"),
    Shape("sound alone, no log", log=False, timecoded=frozenset()),
    Shape("recorder's clock alone, times of files", sound="clock", timecoded=frozenset(),
          mtime_only=frozenset("BC"), log_names=False),
    Shape("set anew at midday, an hour wrong", timecoded=frozenset(), reset=True,
          summer_time=True, log_names=False, log_clock=1),
    Shape("cameras before sound", lag=(-6.0, 0.5), log_names=False),
)  # fmt: skip


@dataclass(slots=True)
class ShootDay:
    clips: list[Clip] = field(default_factory=list)
    rows: list[SlateRow] = field(default_factory=list)
    modified: dict[int, int] = field(default_factory=dict)
    """By clip id, nanoseconds since 1970."""
    truth: dict[int, frozenset[tuple[str, str]]] = field(default_factory=dict)
    """By clip id the takes that it holds; empty where nobody slated."""
    slow: dict[str, float] = field(default_factory=dict)
    """Seconds that each camera's clock was behind the recorder's."""
    starts: dict[int, float] = field(default_factory=dict)
    """By clip id, seconds of real time: for the baseline."""
    clocks: dict[int, float] = field(default_factory=dict)
    takes: list[tuple[tuple[str, str], float]] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class _Camera:
    letter: str
    error: float
    drift: float
    """Seconds a second."""


def shoot_day(seed: int, shape: Shape, *, takes: int = 200, hours: float = 10.0) -> ShootDay:
    """The same day for the same seed and shape."""
    chance = random.Random(f"{seed} {shape.name}")
    day = ShootDay()
    cameras = [
        _Camera("A", chance.uniform(-3, 3), 0.0),
        _Camera(
            "B",
            chance.uniform(-240, 240) + (3600 if shape.summer_time else 0),
            chance.uniform(-4, 4) / 86400,
        ),
        _Camera(
            "C",
            chance.choice((-86400, -7200, -3600, 0, 3600)) + chance.uniform(-90, 90),
            chance.uniform(-4, 4) / 86400,
        ),
        _Camera("D", chance.choice((-3600, 0)) + chance.uniform(-60, 60), 0.0),
    ]
    for camera in cameras:
        day.slow[camera.letter] = -camera.error
    counters = dict.fromkeys("ABCD", 0)
    log_error = chance.uniform(-40, 40)
    number, now, made = 0, 8 * 3600.0, 0
    scene, take, planned = 11, 0, 0
    letter = ""
    while made < takes:
        if take >= planned:
            take, planned = 0, chance.choice((1, 2, 3, 3, 4, 5, 7))
            if chance.random() < 0.6 or letter == "E":
                scene, letter = scene + 1, ""
            else:
                letter = "A" if not letter else chr(ord(letter) + 1)
            now += chance.uniform(120, 420) * hours / 10
        take += 1
        made += 1
        length = min(400.0, max(8.0, chance.lognormvariate(3.7, 0.7)))
        name = (f"{scene}{letter}", str(take))
        if chance.random() < 0.06:
            number = _false_start(day, chance, cameras, counters, number, now, shape)
            now += 25
        sounded = shape.sound != "none" and chance.random() > 0.04
        slated = chance.random() > 0.05 and shape.log
        if sounded:
            number += 1
            day.clips.append(_sound(number, name, now, length, shape))
            day.truth[number] = frozenset({name})
        rolling = [
            camera
            for camera in cameras
            if chance.random() < {"A": 0.99, "B": 0.85, "C": 0.7, "D": 0.03}[camera.letter]
        ]
        day.takes.append((name, now))
        known = sounded or slated
        slipped = _slip(chance, name) if chance.random() < 0.03 else name
        for camera in rolling:
            number += 1
            start = now + chance.uniform(*shape.lag)
            end = now + length + chance.uniform(-3.0, 3.0)
            _picture(day, number, camera, counters, start, end - start, shape)
            day.truth[number] = frozenset({name}) if known else frozenset()
            if slated:
                day.rows.append(
                    _row(day, chance, camera.letter, slipped, now, length, log_error, shape)
                )
        now += length + chance.uniform(12, 75) * hours / 10
        for camera in cameras:
            if chance.random() < {"A": 0.02, "B": 0.05, "C": 0.1, "D": 0.05}[camera.letter]:
                number += 1
                _picture(day, number, camera, counters, now, chance.uniform(4, 60), shape)
                day.truth[number] = frozenset()
                now += 20
    day.rows = [_numbered(row, place) for place, row in enumerate(day.rows, 2)]
    return day


def _slip(chance: random.Random, name: tuple[str, str]) -> tuple[str, str]:
    scene, take = name
    if chance.random() < 0.3 and scene[-1].isalpha():
        return scene[:-1] + chr(ord(scene[-1]) + 1), take
    return scene, str(max(1, int(take) + chance.choice((-1, 1, 1, 2, 10))))


def _false_start(
    day: ShootDay,
    chance: random.Random,
    cameras: list[_Camera],
    counters: dict[str, int],
    number: int,
    now: float,
    shape: Shape,
) -> int:
    for camera in cameras[:2]:
        if chance.random() < 0.7:
            number += 1
            _picture(day, number, camera, counters, now - 2, chance.uniform(3, 8), shape)
            day.truth[number] = frozenset()
    return number


def _sound(number: int, name: tuple[str, str], at: float, length: float, shape: Shape) -> Clip:
    clock = DATE + timedelta(seconds=int(at))
    # Jammed to the time of day at 07:00; from then on in real seconds.
    reference = int((at + 25.2) * 48000) if shape.sound == "timecode" else None
    return Clip(
        number,
        Roll(900, "Saltmarsh", "S01", 1, "2026-03-14", None, "recorder"),
        f"T{number:04}",
        (ClipFile(f"T{number:04}.WAV", ClipRole.SPAN),),
        ClipFacts(
            kind=ClipKind.SOUND,
            duration_seconds=Fraction(int(length * 48000), 48000),
            audio=(AudioTrack(channels=2, sample_rate=48000),),
            recorded=f"{clock:%Y-%m-%d %H:%M:%S}",
            sound=SoundNotes(
                scene=name[0],
                take=name[1],
                timecode_rate=RATE,
                time_reference=reference,
                origination=f"{clock:%Y-%m-%d %H:%M:%S}",
            ),
        ),
        None,
    )


def _picture(
    day: ShootDay,
    number: int,
    camera: _Camera,
    counters: dict[str, int],
    start: float,
    length: float,
    shape: Shape,
) -> None:
    counters[camera.letter] += 1
    count = counters[camera.letter]
    card, place = divmod(count - 1, 60)
    roll = f"{camera.letter}{card + 1:03}"
    error = camera.error + camera.drift * (start - 13 * 3600)
    if shape.reset and camera.letter == "B" and start > 13 * 3600:
        error += 4321
    frames = max(1, int(length * RATE))
    exact = frames / RATE
    clock = start + error
    label = int((start + 25.2) * RATE) if camera.letter in shape.timecoded else None
    stated = None
    if camera.letter not in shape.mtime_only:
        stated = f"{DATE + timedelta(seconds=math.floor(clock)):%Y-%m-%d %H:%M:%S}"
    ended = DATE.replace(tzinfo=UTC) + timedelta(
        seconds=math.floor(clock + float(exact)), hours=-ZONE_HOURS
    )
    day.modified[number] = int(ended.timestamp()) * 10**9
    day.clocks[number] = clock
    day.starts[number] = start
    day.clips.append(
        Clip(
            number,
            Roll(
                ord(camera.letter) * 10 + card,
                "Saltmarsh",
                roll,
                1,
                "2026-03-14",
                camera.letter,
                roll,
            ),
            f"C{place + 1:04}",
            (ClipFile(f"CLIP/C{place + 1:04}.MOV", ClipRole.SPAN),),
            ClipFacts(
                kind=ClipKind.PICTURE,
                frame_rate=RATE,
                duration_frames=frames,
                duration_seconds=exact,
                start_timecode=_label(label) if label is not None else None,
                recorded=stated,
            ),
            None,
        )
    )


def _label(frames: int) -> str:
    seconds, frame = divmod(frames, 24)
    return f"{seconds // 3600:02}:{seconds // 60 % 60:02}:{seconds % 60:02}:{frame:02}"


def _row(
    day: ShootDay,
    chance: random.Random,
    letter: str,
    name: tuple[str, str],
    now: float,
    length: float,
    log_error: float,
    shape: Shape,
) -> SlateRow:
    clip = day.clips[-1]
    said = clip.name
    if chance.random() < 0.03:
        said = f"C{max(1, int(said[1:]) + chance.choice((-1, 1, 10))):04}"
    start = end = None
    if shape.log_clock:
        at = int(now + log_error + chance.uniform(-2, 2)) // shape.log_clock * shape.log_clock
        start = f"{at // 3600:02}:{at // 60 % 60:02}:{at % 60:02}"
    return SlateRow(
        *name,
        day=1,
        camera=letter,
        roll=clip.roll.name if shape.log_names else None,
        clip=said if shape.log_names else None,
        start_clock=start,
        end_clock=end,
        log="day1.csv",
    )


def _numbered(row: SlateRow, place: int) -> SlateRow:
    from dataclasses import replace

    return replace(row, row=place)


def nearest_start(day: ShootDay) -> Mapping[int, tuple[str, str]]:
    """The plain way, for comparison: each clip gets the take whose start its clock is nearest."""
    return {
        clip: min(day.takes, key=lambda take: abs(take[1] - clock))[0]
        for clip, clock in day.clocks.items()
    }
