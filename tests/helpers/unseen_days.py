"""A second maker of shoot days, by seed, for judging the matching: other habits than the first.

It works on real time (seconds since 1970, UTC) and asks each device what it would have written.
Sessions, not single takes, are drawn; people press buttons by distributions that a shape chooses.
What each clip holds and what each clock showed is kept beside it as the truth.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from typing import Literal
from zoneinfo import ZoneInfo

from ingest.catalog.records import Clip, ClipFile, ClipRole, Mark, Rating, Roll, SlateRow
from ingest.media.facts import AudioTrack, ClipFacts, ClipKind, SoundNotes
from ingest.slate.matching.clocks import read_clock

__all__ = ["KINDS", "Kind", "UnseenDay", "plain_links", "unseen_day"]

ZONE = ZoneInfo("Europe/Vienna")
FILM = Fraction(24000, 1001)
LETTERS = "ABCDEFGHJK"
Truth = frozenset[tuple[str, str]]


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of shoot day. The defaults are an easy one."""

    name: str
    buttons: Literal["even", "skewed", "loose"] = "even"
    """even: around one moment, symmetric. skewed: sound first, then A, then B; sound cuts last.
    loose: skewed, and cameras often much earlier or later."""
    timecode: Literal["jammed", "unjammed", "record run", "none"] = "jammed"
    """Of cameras A and B; C has none, and the drone never has."""
    clocks: tuple[str, ...] = ("minutes", "minutes", "minutes", "minutes")
    """What is wrong with the clocks of A, B, C, D: see `_clock`."""
    stamps: tuple[str, ...] = ("naive", "utc", "mtime", "naive")
    """How A, B, C, D tell their clock."""
    recorder: Literal["slated", "numbered", "plain", "none"] = "slated"
    """slated: scene, take and timecode. numbered: timecode alone. plain: scene and take alone."""
    log: Literal["second", "minute", "timecode", "no times", "none"] = "second"
    log_clips: Literal["names", "digits", "none"] = "names"
    log_cameras: bool = True
    """A row for each camera, else one a slate."""
    rate: Fraction = Fraction(25)
    equal: bool = False
    """Long runs of takes of one length."""
    night: bool = False
    """Over the hour at which summer time ends."""
    sound_slips: float = 0.0
    """Share of sound files that still bear the last take's number."""
    zone_known: bool = True


KINDS = (
    Kind("all jammed, log to the second"),
    Kind("jammed, one button after another, times to the minute", "skewed", log="minute"),
    Kind(
        "unjammed timecode, log without clips",
        "skewed",
        "unjammed",
        ("hour", "zone", "minutes", "minutes"),
        log="minute",
        log_clips="none",
        rate=FILM,
    ),
    Kind(
        "sound alone, even buttons",
        "even",
        "none",
        ("minutes", "day", "zone", "hour"),
        log="none",
    ),
    Kind(
        "sound alone, loose buttons, clocks that drift",
        "loose",
        "none",
        ("drift", "drift", "minutes", "drift"),
        log="none",
        rate=FILM,
    ),
    Kind(
        "numbered sound, log with last digits and timecode",
        "skewed",
        "record run",
        ("minutes", "hour", "drift", "minutes"),
        recorder="numbered",
        log="timecode",
        log_clips="digits",
    ),
    Kind(
        "no sound, log with names and no times",
        "even",
        "none",
        ("minutes", "zone", "minutes", "day"),
        recorder="none",
        log="no times",
    ),
    Kind(
        "no sound, log with names and clock",
        "loose",
        "none",
        ("hour", "minutes", "drift", "minutes"),
        recorder="none",
        log="second",
    ),
    Kind(
        "end of summer time, recorder without timecode",
        "skewed",
        "none",
        ("minutes", "minutes", "minutes", "hour"),
        ("utc", "naive", "mtime", "utc"),
        recorder="plain",
        log="second",
        log_clips="none",
        night=True,
    ),
    Kind(
        "takes of equal length",
        "even",
        "none",
        ("minutes", "minutes", "hour", "day"),
        log="minute",
        log_clips="none",
        log_cameras=False,
        equal=True,
    ),
    Kind(
        "clock set anew, recorder slips, one row a slate",
        "skewed",
        "jammed",
        ("minutes", "reset", "reset", "zone"),
        log="minute",
        log_clips="none",
        log_cameras=False,
        sound_slips=0.01,
    ),
    Kind(
        "nobody told the time zone",
        "even",
        "none",
        ("minutes", "hour", "minutes", "minutes"),
        ("utc", "utc", "mtime", "naive"),
        zone_known=False,
    ),
)


@dataclass(slots=True)
class UnseenDay:
    kind: Kind
    zone: ZoneInfo | None
    clips: list[Clip] = field(default_factory=list)
    rows: list[SlateRow] = field(default_factory=list)
    modified: dict[int, int] = field(default_factory=dict)
    truth: dict[int, Truth] = field(default_factory=dict)
    linkable: set[int] = field(default_factory=set)
    fault: dict[int, float] = field(default_factory=dict)
    """By clip id, seconds by which its own device's clock was ahead when it started."""
    began: dict[int, float] = field(default_factory=dict)
    """By clip id when it began in real time, seconds since 1970 (UTC)."""
    log_ahead: float = 0.0
    recorder_ahead: float = 0.0

    def slow(self, clip_ids: Sequence[int], against: str) -> float:
        """Seconds by which these clips' clock was behind the log's, the recorder's, or that of
        `the clock of camera X`."""
        if "camera" in against:
            ahead = self._ahead([c.id for c in self.clips if c.roll.camera == against[-1]])
        else:
            ahead = self.log_ahead if "log" in against else self.recorder_ahead
        return ahead - self._ahead(clip_ids)

    def _ahead(self, clip_ids: Sequence[int]) -> float:
        told = sorted(self.fault[number] for number in clip_ids)
        return told[len(told) // 2]


@dataclass(frozen=True, slots=True)
class _Take:
    scene: str
    number: int
    start: float
    length: float
    cameras: str
    mos: bool = False
    series: int = 1
    marks: tuple[Mark, ...] = ()
    logged: bool = True

    @property
    def names(self) -> list[tuple[str, str]]:
        return [(self.scene, str(self.number + step)) for step in range(self.series)]


def unseen_day(seed: int, kind: Kind) -> UnseenDay:
    """One day of about 200 takes and 700 clips; the same for the same seed."""
    rng = random.Random(f"unseen {seed} {kind.name}")
    date = datetime(2026, 10, 24, 17 if kind.night else 8, tzinfo=ZONE)
    takes = _takes(rng, kind, date.timestamp())
    day = UnseenDay(kind, ZONE if kind.zone_known else None)
    day.log_ahead, day.recorder_ahead = rng.gauss(0, 25), rng.gauss(0, 20)
    heard = _record_sound(rng, day, takes, date)
    named: dict[tuple[int, str], str] = {}
    for place, letter in enumerate("ABCD"):
        _record_camera(rng, day, takes, date, letter, place, named)
    _write_log(rng, day, takes, named, date)
    known = {(row.scene, row.take) for row in day.rows} | heard
    day.linkable = {number for number, held in day.truth.items() if held and held & known}
    return day


def _takes(rng: random.Random, kind: Kind, morning: float) -> list[_Take]:
    scenes = rng.sample(range(2, 140), 24)
    now, takes = morning + rng.uniform(0, 1500), []
    for number in scenes:
        for setup in range(rng.choice((1, 2, 2, 3, 4))):
            scene = f"{number}{LETTERS[setup - 1] if setup else ''}"
            usual = rng.lognormvariate(3.9, 0.7)
            cameras = "A" + ("B" if rng.random() < 0.9 else "")
            cameras += "C" if rng.random() < 0.75 else ""
            drone = rng.random() < 0.12
            mos = drone and rng.random() < 0.4
            if mos:
                cameras = ""
            cameras += "D" if drone else ""
            take, many = 1, min(14, 1 + int(rng.expovariate(1 / 4.2)))
            while take <= many and len(takes) < 200:
                length = usual + rng.gauss(0, 0.3) if kind.equal else usual * rng.uniform(0.75, 1.3)
                series = 3 if rng.random() < 0.015 and take + 2 <= many else 1
                length = max(7.0, length) * series
                marks = (Mark.SECOND_STICKS,) if rng.random() < 0.04 else ()
                if rng.random() < 0.05:
                    marks += (Mark.TAIL_SLATE,)
                rolled = "".join(each for each in cameras if rng.random() < 0.97) or cameras
                logged = rng.random() >= 0.05
                takes.append(_Take(scene, take, now, length, rolled, mos, series, marks, logged))
                take += series
                pause = rng.uniform(28, 34) if kind.equal else 15 + rng.expovariate(1 / 45)
                now += length + pause
            now += rng.uniform(60, 400) + (2400 if number == scenes[8] and not setup else 0)
    return takes


# Devices ------------------------------------------------------------------------------------


def _pressed(rng: random.Random, kind: Kind, device: str, take: _Take) -> tuple[float, float]:
    """When a device's button starts and stops it, in real time."""
    if kind.buttons == "even":
        start, end = rng.gauss(-3, 1.3), rng.gauss(2, 1.3)
    else:
        turn = "SABCD".index(device)
        start = -7 + 1.6 * turn + rng.expovariate(1 / 0.9)
        end = 5 - 0.9 * turn + rng.expovariate(1 / 1.1)
    if device != "S":
        late, long = (0.1, 0.08) if kind.buttons == "loose" else (0.025, 0.02)
        if rng.random() < late:
            start = rng.uniform(0.1, 0.5) * take.length
        elif rng.random() < long:
            start -= rng.uniform(5, 14)
            end += rng.uniform(0, 40 if rng.random() < 0.5 else 4)
    return take.start + start, take.start + take.length + end


def _clock(rng: random.Random, fault: str, morning: float) -> Callable[[float], float]:
    """By how many seconds a clock is ahead at a moment."""
    small = rng.gauss(0, 100)
    if fault == "hour":
        small += rng.choice((-3600, 3600))
    elif fault == "day":
        small += rng.choice((-86_400, 86_400))
    elif fault == "zone":
        small += rng.choice((-28_800, -5400, 7200, 20_700))
    drift = rng.uniform(2, 9) * rng.choice((-1, 1)) / 86_400 if fault == "drift" else 0.0
    noon = morning + rng.uniform(3.5, 6.5) * 3600
    later = rng.gauss(0, 5) if fault == "reset" else small
    if fault == "reset":
        small += rng.choice((-3600, 0, 3600)) + rng.choice((-200, 200))
    return lambda at: (small if at < noon else later) + drift * (at - morning)


def _label(seconds: float, rate: Fraction) -> str:
    nominal = round(rate)
    count = int(Fraction(seconds).limit_denominator(1000) * rate) % (86_400 * nominal)
    whole, frames = divmod(count, nominal)
    return f"{whole // 3600:02}:{whole // 60 % 60:02}:{whole % 60:02}:{frames:02}"


def _midnight(date: datetime) -> float:
    return date.replace(hour=0).timestamp()


def _count(at: float, date: datetime, rate: Fraction) -> float:
    """Timecode in real seconds: jammed in the morning to the time of day, counting on from it."""
    hour = date.hour * 3600
    return hour * float(round(rate) / rate) + (at - _midnight(date) - hour)


def _add(
    day: UnseenDay,
    roll: Roll,
    name: str,
    facts: ClipFacts,
    held: Truth,
    ahead: float,
    start: float,
) -> Clip:
    suffix = "wav" if facts.kind is ClipKind.SOUND else "mp4"
    clip = Clip(
        len(day.clips) + 1,
        roll,
        name,
        (ClipFile(f"{name}.{suffix}", ClipRole.SPAN),),
        facts,
        None,
    )
    day.clips.append(clip)
    day.truth[clip.id] = held
    day.fault[clip.id] = ahead
    day.began[clip.id] = start
    wrote = start + float(facts.duration_seconds or 0) + ahead
    day.modified[clip.id] = int(wrote // 2) * 2 * 10**9
    return clip


def _naive(at: float, date: datetime) -> datetime:
    """A clock set in the morning: it knows nothing of summer time ending."""
    offset = date.utcoffset()
    assert offset is not None
    return (datetime.fromtimestamp(at, UTC) + offset).replace(tzinfo=None)


def _record_sound(
    rng: random.Random, day: UnseenDay, takes: list[_Take], date: datetime
) -> set[tuple[str, str]]:
    kind, heard = day.kind, set()
    if kind.recorder == "none":
        return heard
    roll = Roll(90, "Production", "S01", 1, date.date().isoformat(), None, "S01")
    last = ("", "")
    files: list[tuple[float, float, str, str, Truth, tuple[str, ...]]] = []
    for take in takes:
        if take.mos or rng.random() < 0.01:
            continue
        own = take.names[0]
        told = last if last[0] == own[0] and rng.random() < kind.sound_slips else own
        last = own
        start, end = _pressed(rng, kind, "S", take)
        files.append((start, end, *told, frozenset(take.names), ()))
        if rng.random() < 0.01:  # room tone after it
            files.append((end + 4, end + 9, own[0], "RT", frozenset(), ("ROOM_TONE",)))
    for number, (start, end, scene, take_name, held, words) in enumerate(files, 1):
        ahead = day.recorder_ahead
        stamp = f"{_naive(start + ahead, date):%Y-%m-%d %H:%M:%S}"
        slated = kind.recorder != "numbered"
        reference = int(_count(start, date, kind.rate) * 48_000)
        notes = SoundNotes(
            scene=scene if slated else None,
            take=take_name if slated else None,
            take_type=words if slated else (),
            timecode_rate=kind.rate,
            time_reference=None if kind.recorder == "plain" else reference,
            origination=stamp,
        )
        facts = ClipFacts(
            kind=ClipKind.SOUND,
            duration_seconds=Fraction(int((end - start) * 48_000), 48_000),
            audio=(AudioTrack(2, 48_000, 24),),
            recorded=stamp,
            sound=notes,
        )
        if words:
            held = frozenset({(scene, take_name)}) if slated else frozenset()
        _add(day, roll, f"S01T{number:03}", facts, held, ahead, start)
        if slated:
            heard.add((scene, take_name))
    return heard


def _record_camera(
    rng: random.Random,
    day: UnseenDay,
    takes: list[_Take],
    date: datetime,
    letter: str,
    place: int,
    named: dict[tuple[int, str], str],
) -> None:
    kind, morning = day.kind, date.timestamp()
    ahead = _clock(rng, kind.clocks[place], morning)
    runs: list[tuple[float, float, Truth, int]] = []
    for index, take in enumerate(takes):
        if letter not in take.cameras:
            continue
        start, end = _pressed(rng, kind, letter, take)
        if rng.random() < 0.02 and start - takes[index - 1].start - takes[index - 1].length > 25:
            runs.append((start - 14, start - 14 + rng.uniform(3, 8), frozenset(), -1))
        runs.append((start, end, frozenset(take.names), index))
    for index, take in enumerate(takes[:-1]):  # what nobody slated, in the pauses
        free = takes[index + 1].start - take.start - take.length
        if free > 90 and rng.random() < (0.16 if letter != "D" else 0.04):
            start = take.start + take.length + rng.uniform(25, free - 60)
            runs.append((start, start + rng.uniform(5, 30), frozenset(), -1))
    runs.sort()
    runs = [
        run for at, run in enumerate(runs) if not at or run[0] > max(r[1] for r in runs[:at]) + 0.5
    ]
    shift = rng.uniform(-20_000, 20_000) if kind.timecode == "unjammed" else 0.0
    counted, rolls = rng.uniform(0, 3600), max(1, len(runs) // 70)
    for number, (start, end, held, index) in enumerate(runs):
        card = 1 + number * rolls // len(runs)
        roll = Roll(
            place * 10 + card,
            "Production",
            f"{letter}{card:03}",
            1,
            date.date().isoformat(),
            letter,
            f"{letter}{card:03}",
        )
        rate = kind.rate if letter != "D" else Fraction(30000, 1001)
        frames = max(1, round((end - start) * rate))
        label = None
        if letter in "AB" and kind.timecode != "none":
            at = _count(start, date, rate) + shift
            label = _label(counted if kind.timecode == "record run" else at, rate)
            counted += float(frames / rate)
        told = start + ahead(start)
        stamps = {
            "naive": f"{_naive(told, date):%Y:%m:%d %H:%M:%S}",
            "utc": f"{datetime.fromtimestamp(told, UTC):%Y-%m-%dT%H:%M:%SZ}",
            "mtime": None,
        }
        facts = ClipFacts(
            kind=ClipKind.PICTURE,
            frame_rate=rate,
            duration_frames=frames,
            duration_seconds=frames / rate,
            start_timecode=label,
            audio=() if letter == "D" else (AudioTrack(2, 48_000, 16),),
            recorded=stamps[kind.stamps[place]],
        )
        name = f"{letter}{card:03}C{number + 1:03}" if letter in "AB" else f"CLIP{number + 1:04}"
        clip = _add(day, roll, name, facts, held, ahead(start), start)
        if index >= 0:
            named[index, letter] = clip.name


# The log ------------------------------------------------------------------------------------


def _write_log(
    rng: random.Random,
    day: UnseenDay,
    takes: list[_Take],
    named: dict[tuple[int, str], str],
    date: datetime,
) -> None:
    kind = day.kind
    if kind.log == "none":
        return
    line = 1
    for index, take in enumerate(takes):
        if not take.logged:
            continue
        scene, first, stray = take.scene, take.number, 0
        if rng.random() < 0.03:
            what = rng.random()
            if what < 0.4:
                scene = _other_letter(rng, scene)
            elif what < 0.75:
                first = max(1, first + rng.choice((-1, 1, 1)))
            else:
                stray = rng.choice((-1, 1))
        for step in range(take.series):
            length = take.length / take.series
            start = take.start + step * length
            row = SlateRow(
                scene=scene,
                take=str(first + step),
                shot=None,
                day=1,
                camera=None,
                roll=None,
                sound_roll=None,
                clip=None,
                start_timecode=None,
                end_timecode=None,
                rating=rng.choice((None, Rating.CIRCLED, Rating.NG)),
                mos=take.mos,
                note=None,
                log="day1.csv",
                marks=take.marks + ((Mark.SERIES,) if take.series > 1 else ()),
            )
            row = _timed(day, row, start + rng.gauss(0, 1.5), start + length, date)
            cameras = [each for each in take.cameras if (index, each) in named]
            for letter in cameras if kind.log_cameras else [""]:
                line += 1
                clip = _noted(kind, named.get((index, letter), ""), stray)
                day.rows.append(replace(row, camera=letter or None, clip=clip, row=line))


def _timed(day: UnseenDay, row: SlateRow, start: float, end: float, date: datetime) -> SlateRow:
    if day.kind.log == "timecode":
        told = [_label(_count(at, date, day.kind.rate), day.kind.rate) for at in (start, end)]
        return replace(row, start_timecode=told[0], end_timecode=told[1])
    shape = {"second": "%H:%M:%S", "minute": "%H:%M:00"}.get(day.kind.log)
    if shape is None:
        return row
    half = 30 if day.kind.log == "minute" else 0
    clock = datetime.fromtimestamp(start + day.log_ahead + half, UTC).astimezone(ZONE)
    return replace(row, start_clock=clock.strftime(shape))


def _noted(kind: Kind, name: str, stray: int) -> str | None:
    if kind.log_clips == "none" or not name:
        return None
    head = name.rstrip("0123456789")
    number = f"{int(name[len(head) :]) + stray:0{len(name) - len(head)}}"
    return head + number if kind.log_clips == "names" else number[-3:]


def _other_letter(rng: random.Random, scene: str) -> str:
    if scene[-1].isdigit():
        return scene + "A"
    return scene[:-1] + rng.choice([each for each in LETTERS[:5] if each != scene[-1]])


# The plain way ------------------------------------------------------------------------------


def plain_links(day: UnseenDay) -> dict[int, tuple[str, str]]:
    """Each picture with the take whose start is nearest, every clock believed as it stands."""
    starts: list[tuple[float, tuple[str, str]]] = []
    for clip in day.clips:
        notes = clip.facts.sound
        told = read_clock(clip.facts.recorded or "", day.zone)
        if notes and notes.scene and notes.take and told:
            starts.append((told[0], (notes.scene, notes.take)))
    if not starts:
        for row in day.rows:
            clock = row.start_clock or (row.start_timecode or "")[:8]
            if clock:
                told = read_clock(f"2026-10-24 {clock}")
                assert told is not None
                starts.append((told[0], (row.scene, row.take)))
    links = {}
    for clip in day.clips:
        if clip.facts.kind is not ClipKind.PICTURE or not starts:
            continue
        told = read_clock(clip.facts.recorded or "", day.zone)
        if told is None:
            length = float(clip.facts.duration_seconds or 0)
            wrote = datetime.fromtimestamp(0, UTC) + timedelta(
                microseconds=day.modified[clip.id] // 1000
            )
            local = wrote.astimezone(day.zone or UTC).replace(tzinfo=None)
            told = (local - datetime(1970, 1, 1)).total_seconds() - length, False
        links[clip.id] = min(starts, key=lambda each: abs(each[0] - told[0]))[1]
    return links
