"""What never came in. Pure.

Each absence is told once: what a missing device or roll would have held is told with it, and not
again take by take.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from functools import lru_cache

from ingest.assurance.day.counters import (
    all_logged,
    clip_gaps,
    clip_number,
    gap_finding,
    roll_gaps,
    roll_number,
)
from ingest.assurance.day.values import (
    ClipIn,
    DayFacts,
    Device,
    Finding,
    Kind,
    RollIn,
    settle_words,
)
from ingest.catalog.records import Mark, SlateRow
from ingest.names import shown, typed
from ingest.slate.names import camera_key, name_key, parse_take, scene_key, take_key
from ingest.wording import listed, natural

__all__ = ["Absence", "take_words"]

_SOUND_ONLY = frozenset({Mark.WILD_TRACK, Mark.ROOM_TONE})
_SOUND = "its sound"
"""In the place of a camera's key, which never holds a blank."""

Key = tuple[str, str]


def take_words(scene: str, take: str) -> str:
    """`12A take 3`, `12 WT1`: shown safely."""
    word = "take " if parse_take(take).has_picture else ""
    return f"{shown(scene)} {word}{shown(take)}"


def row_key(row: SlateRow) -> Key:
    """Scene and take of a row, in the form in which they are compared."""
    return _key(row.scene, row.take)


@lru_cache(maxsize=16384)
def _key(scene: str, take: str) -> Key:
    return scene_key(scene), take_key(take)


class Absence:
    """What is missing from one day. `findings` has all of it; `explained` tells which takes of
    the log are missing because of something that it names."""

    def __init__(self, facts: DayFacts) -> None:
        self.facts = facts
        self.rolls = [roll for roll in facts.rolls if roll.day == facts.day]
        self.clips = [clip for clip in facts.clips if clip.day == facts.day]
        self.rows = [row for row in facts.rows if self._of_today(row)]
        self._named: dict[str, str] = {}
        self._in = {camera_key(roll.device) for roll in self.rolls}
        self._pictures: defaultdict[Key, list[ClipIn]] = defaultdict(list)
        self._sounds: defaultdict[Key, list[ClipIn]] = defaultdict(list)
        for clip in self.clips:
            held = {"picture": self._pictures, "sound": self._sounds}.get(clip.kind)
            if held is not None:
                for take in clip.takes:
                    held[take.key].append(clip)
        self.explained: set[tuple[Key, str]] = set()
        """Take and camera (`_SOUND` for sound) of rows whose footage isn't in, and is told of."""
        self._missing: set[str] = set()
        self.findings: tuple[Finding, ...] = tuple(self._all())

    def is_explained(self, row: SlateRow) -> bool:
        """The picture that a row logs isn't in, and something told of is the reason."""
        return (row_key(row), self._camera(row)) in self.explained

    def _all(self) -> Iterator[Finding]:
        yield from self._devices()
        named = list(self._named_rolls())
        yield from named
        yield from self._roll_numbers({finding.key for finding in named})
        yield from self._takes_without_picture()
        yield from self._sound_without_picture()
        yield from self._picture_without_sound()
        yield from self._counters()

    # Devices ------------------------------------------------------------------------------------

    def _devices(self) -> Iterator[Finding]:
        idle = {camera_key(letter) for letter in self.facts.idle}
        for device, told in self._expected():
            key = camera_key(device.letter)
            if key in self._in or key in idle:
                if key in idle:
                    self._missing.add(key)  # a row that names it is no take without a picture
                continue
            self._missing.add(key)
            rows = [row for row in self.rows if self._is_of(row, device)]
            self.explained |= {
                (row_key(row), _SOUND if device.kind == "recorder" else key) for row in rows
            }
            takes = list(dict.fromkeys(take_words(row.scene, row.take) for row in rows))
            logged = f"; the log has {listed(takes, 4)} on it" if takes else ""
            letter = shown(device.letter)
            name = f"{letter} {shown(device.name)}" if device.name else letter
            what = {"camera": "camera", "recorder": "recorder", "stills": "stills camera"}
            offload = {"recorder": f"--roll {letter}001"}.get(device.kind, f"--camera {letter}")
            stray = self._stray_roll() if device.kind != "recorder" else ""
            corrected = (
                f"or, if {shown(stray)} is its: ingest rolls set {typed(stray)} --camera {letter}; "
                if stray
                else ""
            )
            yield Finding(
                Kind.DEVICE,
                f"{name}: nothing came in from this {what[device.kind]}",
                f"{told}, and no roll of day {self.facts.day} is its{logged}",
                f"find its card before anybody formats it: ingest offload CARD {offload}; "
                f"{corrected}or, if it was not used: ingest wrap --idle {letter}",
                key=device.letter,
                tonight=True,
            )

    def _stray_roll(self) -> str:
        """A roll of the day whose device nobody named: that of the camera that isn't in, perhaps;
        or empty."""
        named = {camera_key(device.letter) for device, _ in self._expected()}
        strays = (roll.name for roll in self.rolls if camera_key(roll.device) not in named)
        return next(strays, "")

    def _expected(self) -> Iterator[tuple[Device, str]]:
        known = set()
        for device in self.facts.devices:
            known.add(camera_key(device.letter))
            yield device, "ingest.toml names it"
        logged: dict[str, SlateRow] = {}
        for row in self.rows:
            if row.camera and self.facts.device_named(row.camera) is None:
                logged.setdefault(camera_key(row.camera), row)
        for key, row in sorted(logged.items()):
            if key not in known:
                yield Device(row.camera or "", "camera"), f"the log names it ({_place(row)})"
        if not any(device.kind == "recorder" for device in self.facts.devices):
            for row in self.rows:
                letter = self._sound_letter(row)
                if letter and camera_key(letter) not in known:
                    known.add(camera_key(letter))
                    yield Device(letter, "recorder"), f"the log names {shown(row.sound_roll or '')}"

    def _is_of(self, row: SlateRow, device: Device) -> bool:
        if device.kind == "recorder":
            return camera_key(self._sound_letter(row)) == camera_key(device.letter)
        return bool(row.camera) and self._camera(row) == camera_key(device.letter)

    def _camera(self, row: SlateRow) -> str:
        """The key of the device that a row names, or empty."""
        if not row.camera:
            return ""
        if row.camera not in self._named:
            device = self.facts.device_named(row.camera)
            self._named[row.camera] = camera_key(device.letter if device else row.camera)
        return self._named[row.camera]

    def _sound_letter(self, row: SlateRow) -> str:
        """The recorder that a row's sound roll is of: by the roll's letters, else the only one."""
        if not row.sound_roll:
            return ""
        told = roll_number(row.sound_roll)
        recorders = [one.letter for one in self.facts.devices if one.kind == "recorder"]
        if told is not None and (not recorders or told[0] in map(str.upper, recorders)):
            return told[0]
        return recorders[0] if len(recorders) == 1 else ""

    # Rolls --------------------------------------------------------------------------------------

    def _named_rolls(self) -> Iterator[Finding]:
        known = {name_key(text) for roll in self.facts.rolls for text in (roll.name, roll.card)}
        lacking: defaultdict[str, list[SlateRow]] = defaultdict(list)
        for row in self.rows:
            key = (row_key(row), self._camera(row))
            absent = self._expects_picture(row) and not self._has_picture(row)
            absent = absent and key not in self.explained
            if row.roll and absent and not self._roll_known(row, known):
                lacking[row.roll].append(row)
                self.explained.add(key)
            sound = (row_key(row), _SOUND)
            silent = not self._sounds[row_key(row)] and sound not in self.explained
            if row.sound_roll and silent and name_key(row.sound_roll) not in known:
                lacking[row.sound_roll].append(row)
                self.explained.add(sound)
        for name, rows in sorted(lacking.items(), key=lambda item: natural(item[0])):
            takes = dict.fromkeys(take_words(row.scene, row.take) for row in rows)
            yield Finding(
                Kind.ROLL,
                f"{shown(name)} is not in",
                f"the log names it for {listed(list(takes), 4)} ({_place(rows[0])})",
                f"find its card before anybody formats it: ingest offload CARD --roll {shown(name)}"
                f"; or correct the log and load it again; or: {settle_words(name)}",
                key=name,
                tonight=True,
            )

    def _roll_known(self, row: SlateRow, known: set[str]) -> bool:
        name = row.roll or ""
        return name_key(name) in known or name_key(f"{row.camera or ''}{name}") in known

    def _roll_numbers(self, told: set[str]) -> Iterator[Finding]:
        by_device: defaultdict[str, list[RollIn]] = defaultdict(list)
        for roll in self.facts.rolls:
            by_device[camera_key(roll.device)].append(roll)
        told_keys = {name_key(name) for name in told}
        for rolls in by_device.values():
            days = {roll.name: roll.day for roll in rolls}
            for gap in roll_gaps(days):
                if max(days.get(gap.before, 0), days[gap.after]) != self.facts.day:
                    continue
                if all(name_key(name) in told_keys for name in gap.missing):
                    continue
                are = "are" if len(gap.missing) > 1 else "is"
                yield Finding(
                    Kind.ROLL,
                    f"{shown(gap.words)} {are} not in",
                    f"{shown(gap.before)} and {shown(gap.after)} are"
                    if gap.before
                    else f"{shown(gap.after)} is the first roll of its camera that is",
                    "find the card before anybody formats it: ingest offload CARD --roll "
                    f"{shown(gap.missing[0])}; or, if the number was never used: "
                    f"{settle_words(gap.missing[0])}",
                    key=gap.missing[0],
                    tonight=True,
                )

    # Takes --------------------------------------------------------------------------------------

    def _takes_without_picture(self) -> Iterator[Finding]:
        seen: set[tuple[Key, str]] = set()
        for row in self.rows:
            camera = self._camera(row)
            key = (row_key(row), camera)
            if key in seen or key in self.explained or camera in self._missing:
                continue
            seen.add(key)
            if not self._expects_picture(row) or self._has_picture(row):
                continue
            if not camera and all(self._lacks(row_key(row), other) for other in self._cameras()):
                continue  # every camera is missing: that is told already
            self.explained.add(key)
            on = f" on camera {shown(row.camera or '')}" if row.camera else ""
            clip = f", clip {shown(row.clip)}" if row.clip else ""
            roll = f", roll {shown(row.roll)}" if row.roll else ""
            sound = self._sounds[row_key(row)]
            heard = f"; its sound is in ({shown(sound[0].full_name)})" if sound else ""
            words = f"{take_words(row.scene, row.take)}{on}"
            settle = "-".join(filter(None, (row.scene, row.take, row.camera)))
            yield Finding(
                Kind.PICTURE,
                f"{words}: no picture came in",
                f"the log has it ({_place(row)}{roll}{clip}){heard}",
                "look for it on the card and offload that again; if the clip is in, say which it "
                f"is: ingest slate set ROLL/NAME --scene {shown(row.scene)} "
                f"--take {shown(row.take)}; or correct the log; if it is gone for good: "
                f"{settle_words(settle)}",
                key=settle,
                tonight=True,
            )

    def _sound_without_picture(self) -> Iterator[Finding]:
        if not any(clip.kind == "picture" for clip in self.clips):
            return
        logged = {row_key(row) for row in self.rows}
        done: set[Key] = set()
        for clip in self.clips:
            if clip.kind != "sound" or clip.without_picture:
                continue
            for take in clip.takes:
                if take.key in done or take.key in logged or self._pictures[take.key]:
                    continue
                if not parse_take(take.take).has_picture:
                    continue
                done.add(take.key)
                words = take_words(take.scene, take.take)
                yield Finding(
                    Kind.PICTURE,
                    f"{words}: sound came in and no picture",
                    f"the recorder has it ({shown(clip.full_name)}), the log hasn't",
                    "look for it on the cards; if no camera rolled: "
                    f"{settle_words(f'{take.scene}-{take.take}')}",
                    key=f"{take.scene}-{take.take}",
                    tonight=True,
                )

    def _picture_without_sound(self) -> Iterator[Finding]:
        series = {
            self._series(row)
            for row in self.rows
            if self._sounds[row_key(row)] and parse_take(row.take).has_picture
        }
        mos = {row_key(row) for row in self.rows if row.mos}
        done: set[Key] = set()
        for row in self.rows:
            key = row_key(row)
            if key in done or key in mos or self._sounds[key] or Mark.FALSE_START in row.marks:
                continue
            if (key, _SOUND) in self.explained:
                continue
            if row.sound_roll:
                letter = camera_key(self._sound_letter(row))
                if letter and letter in self._missing:
                    continue
                because = f"the log names {shown(row.sound_roll)} for it ({_place(row)})"
            elif self._series(row) in series and self._pictures[key] and not self._names_sound():
                because = (
                    f"sound of other takes of scene {shown(row.scene)} is in, and the log "
                    f"doesn't call it MOS ({_place(row)})"
                )
            else:
                continue
            done.add(key)
            words = take_words(row.scene, row.take)
            yield Finding(
                Kind.SOUND,
                f"{words}: no sound came in",
                because,
                "look for it on the sound card and offload that again; or correct the log: empty "
                "its sound roll, or write MOS; if it is gone for good: "
                f"{settle_words(f'{row.scene}-{row.take}-sound')}",
                key=f"{row.scene}-{row.take}-sound",
                tonight=True,
            )

    def _names_sound(self) -> bool:
        """The log of today names sound rolls, so that a row without one means something."""
        return any(row.sound_roll for row in self.rows)

    def _series(self, row: SlateRow) -> tuple[str, str]:
        return scene_key(row.scene), name_key(row.shot) if row.shot else ""

    def _expects_picture(self, row: SlateRow) -> bool:
        if not parse_take(row.take).has_picture or _SOUND_ONLY & set(row.marks):
            return False
        if Mark.FALSE_START in row.marks:
            return False
        device = self.facts.device_named(row.camera) if row.camera else None
        return device is None or device.kind == "camera"

    def _has_picture(self, row: SlateRow) -> bool:
        pictures = self._pictures[row_key(row)]
        camera = self._camera(row)
        return any(not camera or clip.device_key == camera for clip in pictures)

    def _lacks(self, key: Key, camera: str) -> bool:
        return camera in self._missing or (key, camera) in self.explained

    def _cameras(self) -> set[str]:
        cameras = {camera_key(one.letter) for one in self.facts.devices if one.kind == "camera"}
        return cameras or {clip.device_key for clip in self.clips if clip.kind == "picture"} or {""}

    # Counters -----------------------------------------------------------------------------------

    def _counters(self) -> Iterator[Finding]:
        days = {roll.name: roll.day for roll in self.facts.rolls}
        by_device: defaultdict[str, defaultdict[str, list[str]]] = defaultdict(
            lambda: defaultdict(list)
        )
        for clip in self.facts.clips:
            if clip.kind == "picture":
                by_device[clip.device_key][clip.roll].append(clip.name)
        logged = {
            (self._camera(row), told[:2])
            for row in self.rows
            if row.clip and (told := clip_number(row.clip)) and not self._has_picture(row)
        }
        for device, rolls in by_device.items():
            order = sorted(rolls, key=lambda name: (days.get(name, 0), natural(name)))
            for gap in clip_gaps([(name, rolls[name]) for name in order]):
                if days.get(gap.roll) != self.facts.day or all_logged(gap, device, logged):
                    continue
                yield gap_finding(gap)

    def _of_today(self, row: SlateRow) -> bool:
        if row.day is not None:
            return row.day == self.facts.day
        if row.roll:
            named = {
                roll.day
                for roll in self.facts.rolls
                if name_key(row.roll) in (name_key(roll.name), name_key(roll.card))
            }
            if named:
                return self.facts.day in named
        return len({roll.day for roll in self.facts.rolls}) == 1


def _place(row: SlateRow) -> str:
    return f"{shown(row.log)} row {row.row}" if row.log else f"row {row.row}"
