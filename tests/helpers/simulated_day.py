"""A simulated production: two shoot days, four devices, fourteen cards, three drives, by a seed.

Everything is in and good, until absences are planted; then what must be found is known. Facts
only, no files: the judgement is what is on trial.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field, replace

from ingest.assurance.day.values import (
    BadCopies,
    ClipIn,
    ClockOff,
    Conflicting,
    DayFacts,
    Device,
    Fault,
    Held,
    Kind,
    Note,
    RollIn,
    TakeIn,
)
from ingest.assurance.story import LostClip
from ingest.catalog.records import PlannedShot, Rating, SlateRow
from ingest.slate.coverage import Covered, ShotCovered, ShotTake
from ingest.slate.names import name_key, scene_key

__all__ = ["PLANTS", "Production", "make_production", "plant"]

CARDS = {"A": (3, 2), "B": (2, 2), "S": (1, 1), "P": (2, 1)}
"""Cards of each device on day 1 and day 2: fourteen."""
DRIVES = ("ALBATROSS", "BITTERN", "CORMORANT")


@dataclass
class Production:
    """What was shot, and how it came in. Changed in place by what is planted."""

    day: int
    rolls: list[RollIn] = field(default_factory=list)
    clips: list[ClipIn] = field(default_factory=list)
    rows: list[SlateRow] = field(default_factory=list)
    planned: list[PlannedShot] = field(default_factory=list)
    extra: dict[str, tuple[object, ...]] = field(default_factory=dict)
    devices: tuple[Device, ...] = (
        Device("A", "camera"),
        Device("B", "camera"),
        Device("S", "recorder"),
        Device("P", "stills", "stills"),
    )

    def facts(self) -> DayFacts:
        return DayFacts(
            day=self.day,
            devices=self.devices,
            rolls=tuple(self.rolls),
            clips=tuple(self.clips),
            rows=tuple(self.rows),
            planned=tuple(self.planned),
            covered=tuple(self._covered(shot) for shot in self.planned),
            wanted=2,
            **self.extra,  # type: ignore[arg-type]
        )

    def _covered(self, shot: PlannedShot) -> ShotCovered:
        """The takes that the log has of a shot, counted out again."""
        rows = [row for row in self.rows if row.shot == shot.shot and row.day <= self.day]
        takes = tuple(
            ShotTake(row.scene, row.take, row.shot, row.rating, (row.camera or "",), ())
            for row in rows
            if row.camera
        )
        good = any(take.rating is not Rating.NG for take in takes)
        state = Covered.CIRCLED if good else Covered.NG if takes else Covered.NOT_SHOT
        return ShotCovered(shot, state, takes)


def make_production(random_source: random.Random, day: int) -> Production:
    """A whole and faultless production up to the evening of `day`."""
    made = Production(day)
    clip_numbers = {"A": 0, "B": 0}
    goes_on = {"A": random_source.random() < 0.5, "B": random_source.random() < 0.5}
    roll_numbers = dict.fromkeys(CARDS, 0)
    shot = 0
    for number in range(1, day + 1):
        rolls = {letter: [] for letter in CARDS}
        for letter, counts in CARDS.items():
            for _ in range(counts[number - 1]):
                roll_numbers[letter] += 1
                name = f"{letter}{roll_numbers[letter]:03}"
                rolls[letter].append(name)
                on = tuple(sorted(random_source.sample(DRIVES, 2)))
                made.rolls.append(RollIn(name, number, letter, name, 2, on))
        locations = [f"Place {number}{end}" for end in "ab"]
        # Enough set-ups that every card gets a clip; the cards are filled in order.
        setups = random_source.randint(8, 14)
        for at in range(setups):
            shot += 1
            scene = f"{shot + 10}{random_source.choice(['', 'A'])}"
            location = locations[at * 2 // setups]
            made.planned.append(PlannedShot(scene, str(shot), day=number, location=location))
            _shoot(made, random_source, number, scene, str(shot), at / setups, rolls,
                   clip_numbers, goes_on)  # fmt: skip
        for index in range(random_source.randint(3, 9)):
            roll = random_source.choice(rolls["P"])
            made.clips.append(ClipIn(roll, f"NIMB{index * 7:04}", number, "P", "still"))
        wild = random_source.randint(1, 3)
        for index in range(1, wild + 1):
            row = SlateRow("11", f"WT{index + 9 * number}", day=number, sound_roll=rolls["S"][0])
            made.rows.append(replace(row, log="log.csv", row=len(made.rows) + 2))
            take = TakeIn(row.scene, row.take)
            name = f"11-{row.take}"
            made.clips.append(
                ClipIn(rolls["S"][0], name, number, "S", "sound", (take,), without_picture=True)
            )
        made.planned.append(PlannedShot("90", f"later{number}", day=9, location="Far away"))
    return made


def _shoot(
    made: Production,
    random_source: random.Random,
    day: int,
    scene: str,
    shot: str,
    share: float,
    rolls: dict[str, list[str]],
    clip_numbers: dict[str, int],
    goes_on: dict[str, bool],
) -> None:
    cameras = "AB" if share < 0.1 or share > 0.8 or random_source.random() < 0.6 else "A"
    takes = random_source.randint(2, 4)
    mos = random_source.random() < 0.2
    for number in range(1, takes + 1):
        rating = Rating.CIRCLED if number == takes else random_source.choice([Rating.NG, None])
        take = TakeIn(scene, str(number), shot, rating)
        for letter in cameras:
            roll = rolls[letter][int(share * len(rolls[letter]))]
            if not goes_on[letter] and not any(clip.roll == roll for clip in made.clips):
                clip_numbers[letter] = 0
            clip_numbers[letter] += 1
            clip = f"{roll}C{clip_numbers[letter]:03}" if letter == "A" else (
                f"C{clip_numbers[letter]:04}"
            )  # fmt: skip
            made.clips.append(ClipIn(roll, clip, day, letter, "picture", (take,)))
            sound = None if mos else rolls["S"][0]
            row = SlateRow(scene, str(number), shot, day, letter, roll, sound, clip, rating=rating)
            made.rows.append(replace(row, mos=mos, log="log.csv", row=len(made.rows) + 2))
        if not mos:
            name = f"{scene}-T{number:02}"
            made.clips.append(ClipIn(rolls["S"][0], name, day, "S", "sound", (take,)))


# What is planted ----------------------------------------------------------------------------------
# Each changes the production and returns the kind and a word of what must be found, or None where
# this production offers no place for it.

Found = tuple[Kind, str]


def _today(made: Production, letter: str, kind: str = "picture") -> list[ClipIn]:
    return [c for c in made.clips if (c.day, c.device, c.kind) == (made.day, letter, kind)]


def _drop(made: Production, clips: list[ClipIn]) -> None:
    made.clips = [clip for clip in made.clips if clip not in clips]


def device(made: Production, random_source: random.Random) -> Found:
    """A device of which nothing came in: its cards, and no trace in the log but its rows."""
    letter = random_source.choice("BSP")
    made.rolls = [r for r in made.rolls if (r.day, r.device) != (made.day, letter)]
    made.clips = [c for c in made.clips if (c.day, c.device) != (made.day, letter)]
    return Kind.DEVICE, letter


def new_drone(made: Production, random_source: random.Random) -> Found:
    """A drone that flew and was never offloaded."""
    made.devices += (Device("D", "camera", "drone"),)
    return Kind.DEVICE, "D drone"


def logged_camera(made: Production, random_source: random.Random) -> Found:
    """A camera that only the log knows."""
    row = random_source.choice([row for row in made.rows if row.day == made.day and row.camera])
    made.rows.append(replace(row, camera="C", roll="C001", clip="C0001", row=len(made.rows) + 2))
    return Kind.DEVICE, "C"


def roll(made: Production, random_source: random.Random) -> Found | None:
    """A roll in the middle that nobody offloaded, named by the log."""
    today = [r for r in made.rolls if (r.day, r.device) == (made.day, "A")]
    gone = random_source.choice(today[:-1])
    made.rolls.remove(gone)
    _drop(made, [clip for clip in made.clips if clip.roll == gone.name])
    return Kind.ROLL, gone.name


def unlogged_roll(made: Production, random_source: random.Random) -> Found:
    """The same, with a log that names neither roll nor clip, nor the takes on it."""
    found = roll(made, random_source)
    assert found is not None
    made.rows = [replace(r, roll=None, clip=None) for r in made.rows if r.roll != found[1]]
    shot = {row.shot for row in made.rows}
    made.planned = [p for p in made.planned if p.shot in shot or p.day == 9]
    heard = {(scene_key(row.scene), name_key(row.take)) for row in made.rows}
    made.clips = [
        c for c in made.clips
        if c.kind != "sound" or (scene_key(c.takes[0].scene), name_key(c.takes[0].take)) in heard
    ]  # fmt: skip
    return found


def counter(made: Production, random_source: random.Random) -> Found | None:
    """A clip of a second, unlogged take that was lost between two others."""
    for clip in _today(made, "A")[1:-1]:
        row = next(row for row in made.rows if (row.roll, row.clip) == (clip.roll, clip.name))
        neighbours = [c for c in _today(made, "A") if c.roll == clip.roll]
        if row.rating is Rating.CIRCLED or clip in (neighbours[0], neighbours[-1]):
            continue
        key = (scene_key(row.scene), row.take)
        made.rows = [r for r in made.rows if (scene_key(r.scene), r.take) != key]
        same = [c for c in made.clips if c.takes and c.takes[0].key == clip.takes[0].key]
        if any(c.device == "B" for c in same):
            continue
        _drop(made, same)
        return Kind.CLIP, clip.name.partition("C")[2]
    return None


def picture(made: Production, random_source: random.Random) -> Found:
    """The last clip of camera B was shot after its card was offloaded."""
    clip = _today(made, "B")[-1]
    _drop(made, [clip])
    take = clip.takes[0]
    if not any(c.roll == clip.roll for c in made.clips):
        made.rolls = [r for r in made.rolls if r.name != clip.roll] + [
            RollIn(clip.roll, made.day, "B", clip.roll, 2, DRIVES[:2])
        ]
    return Kind.PICTURE, f"{take.scene} take {take.take} on camera B"


def sound_alone(made: Production, random_source: random.Random) -> Found:
    """The recorder has a take that neither log nor cameras have."""
    name = next(r.name for r in made.rolls if (r.day, r.device) == (made.day, "S"))
    take = TakeIn("77", "4")
    made.clips.append(ClipIn(name, "77-T04", made.day, "S", "sound", (take,)))
    return Kind.PICTURE, "77 take 4: sound came in"


def sound(made: Production, random_source: random.Random) -> Found:
    """A take whose sound never came in, with its picture there."""
    heard = [c for c in _today(made, "S", "sound") if not c.without_picture]
    clip = random_source.choice(heard)
    _drop(made, [clip])
    return Kind.SOUND, f"{clip.takes[0].scene} take {clip.takes[0].take}"


def wild_track(made: Production, random_source: random.Random) -> Found:
    """A wild track that the log has and the sound card hasn't."""
    clip = random_source.choice([c for c in _today(made, "S", "sound") if c.without_picture])
    _drop(made, [clip])
    return Kind.SOUND, f"11 {clip.takes[0].take}"


def shot(made: Production, random_source: random.Random) -> Found:
    """A planned shot that nobody filmed."""
    made.planned.append(PlannedShot("88", "88x", day=made.day, location=f"Place {made.day}a"))
    return Kind.SHOT, "shot 88x"


def copies(made: Production, random_source: random.Random) -> Found:
    """A roll on one drive only."""
    gone = random_source.choice([r for r in made.rolls if r.day == made.day])
    made.rolls[made.rolls.index(gone)] = replace(gone, copies=1, drives=gone.drives[:1])
    return Kind.COPIES, gone.name


def unfinished(made: Production, random_source: random.Random) -> Found:
    cut = random_source.choice([r for r in made.rolls if r.day == made.day])
    made.rolls[made.rolls.index(cut)] = replace(cut, finished=False)
    return Kind.UNFINISHED, cut.name


def problem(made: Production, random_source: random.Random) -> Found:
    """One bit on one drive, the other copies good."""
    hurt = random_source.choice(_today(made, "A"))
    made.extra["bad"] = (
        BadCopies(hurt.roll, "BITTERN", "mismatch", (f"CLIP/{hurt.name}.MOV",), False),
    )
    return Kind.PROBLEM, f"{hurt.roll}: 1 file mismatch on BITTERN"


def lost_clip(made: Production, random_source: random.Random) -> Found:
    """No good copy of a clip is left."""
    hurt = random_source.choice(_today(made, "A"))
    path = f"CLIP/{hurt.name}.MOV"
    made.extra["bad"] = (BadCopies(hurt.roll, "BITTERN", "missing", (path,), True),)
    made.extra["lost"] = (LostClip(hurt.full_name, "no good copy is left"),)
    return Kind.PROBLEM, f"{hurt.roll}: 1 file missing on BITTERN"


def not_whole(made: Production, random_source: random.Random) -> Found:
    name = random_source.choice([r.name for r in made.rolls if r.day == made.day])
    made.extra["notes"] = (
        Note(name, "unreadable", "CLIP/C0007.MOV"),
        Note(name, "litter", ".DS_Store"),
        Note(name, "witness", "CLIP/C0001.MOV"),
    )
    return Kind.PROBLEM, f"{name}: 1 file could not be read"


def set_wrong(made: Production, random_source: random.Random) -> Found:
    clip = random_source.choice(_today(made, "A"))
    wrong = "29.97 fps instead of 23.976"
    made.extra["faults"] = (Fault(clip.full_name, "A", wrong, "the file says so"),)
    return Kind.SET_WRONG, clip.full_name


def broken(made: Production, random_source: random.Random) -> Found:
    clip = random_source.choice(_today(made, "B"))
    fault = Fault(clip.full_name, "B", "it was cut short", "its container says more", broken=True)
    made.extra["faults"] = (fault,)
    return Kind.BROKEN, clip.full_name


def clock(made: Production, random_source: random.Random) -> Found:
    made.extra["clocks"] = (ClockOff("B", -192, "against A and S on 9 takes"),)
    return Kind.CLOCK, "B is 3 min 12 s slow"


def conflict(made: Production, random_source: random.Random) -> Found:
    clip = random_source.choice(_today(made, "S", "sound"))
    made.extra["conflicts"] = (Conflicting("log and sound disagree", (clip.full_name,)),)
    return Kind.CONFLICT, "log and sound disagree"


def hold(made: Production, random_source: random.Random) -> Found:
    name = random_source.choice([r.name for r in made.rolls if r.day == made.day])
    made.extra["held"] = (Held(name, "Wren said: client wants it", "ingest rolls set --no-hold"),)
    return Kind.HOLD, name


PLANTS = (
    *(device, new_drone, logged_camera, roll, unlogged_roll, counter, picture, sound_alone),
    *(sound, wild_track, shot, copies, unfinished, problem, lost_clip, not_whole, set_wrong),
    *(broken, clock, conflict, hold),
)


def plant(made: Production, number: int, random_source: random.Random) -> Found | None:
    """Plant the absence of this number; what must be found, and nothing else."""
    return PLANTS[number](made, random_source)
