"""Clips that were recorded with other settings than they should have been.

What should have been is what ingest.toml asks of the device; where it asks nothing, it is what
the same device did on most of its other clips. The second needs no set-up, and finds the one clip
that was left on another rate; it can't find a camera that was wrong all day.

Two things are told and not called wrong: a clip that was recorded off-speed (its file says so),
and, where nothing was asked, one without sound among clips that have it (it may be MOS).
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

from ingest.assurance.footage.devices import device_of
from ingest.assurance.footage.recording import (
    SETTINGS,
    Value,
    asked,
    fulfils,
    is_off_speed,
    recorded,
)
from ingest.catalog.records import Clip
from ingest.media.facts import ClipKind
from ingest.settings import DeviceSettings

__all__ = ["ASKED", "USUAL", "Difference", "Oddity", "differences", "set_wrong"]

ASKED = "ingest.toml"
USUAL = "its other clips"

_FEWEST = 3
"""Clips of a device that it takes to say what is usual: of two that differ either may be right."""


@dataclass(frozen=True, slots=True)
class Oddity:
    """One setting of one clip that is other than it should be. All texts are safe to show."""

    clip: str
    """ROLL/NAME, as it is."""
    device: str
    """Letter, or empty where it isn't known."""
    setting: str
    """One of `recording.SETTINGS`."""
    found: str
    wanted: str
    basis: str
    """ASKED or USUAL."""
    wrong: bool
    """False: told only, since it may well be meant."""

    @property
    def words(self) -> str:
        """`29.97 fps instead of 23.976 fps`; `recorded at 96 fps, plays at 24 fps`."""
        said = f"{self.found} instead of {self.wanted}"
        if self.setting == "sensor rate" and self.basis == USUAL:
            said = f"recorded at {self.found}, plays at {self.wanted}"
        elif self.setting == "rotation":
            said = f"turned {said}"
        return said


@dataclass(frozen=True, slots=True)
class Difference:
    """One thing that is other than it should be, with all clips of which it is so."""

    words: str
    """As `Oddity.words`."""
    setting: str
    found: str
    wanted: str
    basis: str
    wrong: bool
    clips: tuple[str, ...]
    """ROLL/NAME, as they are."""


def differences(odd: Sequence[Oddity]) -> tuple[Difference, ...]:
    """The same, each difference once: what is wrong first, otherwise in the order of the clips."""
    clips: dict[tuple[str, str, str, str, bool], list[str]] = {}
    words: dict[tuple[str, str, str, str, bool], str] = {}
    for one in sorted(odd, key=lambda one: not one.wrong):
        key = (one.setting, one.found, one.wanted, one.basis, one.wrong)
        words[key] = one.words
        clips.setdefault(key, []).append(one.clip)
    return tuple(Difference(words[key], *key, tuple(names)) for key, names in clips.items())


def set_wrong(
    clips: Sequence[Clip],
    devices: Mapping[str, DeviceSettings],
    project_rate: Fraction | None = None,
) -> tuple[Oddity, ...]:
    """What is odd about the clips of one production, in their order.

    `devices`: what ingest.toml says, by letter; `project_rate`: the production's frames a second,
    asked of every camera and recorder that has no rate of its own. Stills are only held against
    what is asked.
    """
    letters = {letter.upper(): device for letter, device in devices.items()}
    settings = {clip.id: recorded(clip.facts) for clip in clips}
    usual = _usual(clips, settings)
    found: list[Oddity] = []
    for clip in clips:
        device = device_of(clip.roll)
        wanted = asked(letters.get(device), _project_rate(clip, project_rate))
        rest = usual[device, clip.facts.kind]
        found += _of_clip(clip, device, settings[clip.id], wanted, rest)
    return tuple(found)


def _project_rate(clip: Clip, project_rate: Fraction | None) -> Fraction | None:
    return project_rate if clip.facts.kind in (ClipKind.PICTURE, ClipKind.SOUND) else None


def _of_clip(
    clip: Clip,
    device: str,
    settings: Mapping[str, Value],
    wanted: Mapping[str, Value],
    usual: Mapping[str, Value],
) -> Iterator[Oddity]:
    off_speed = is_off_speed(clip.facts)
    for setting in SETTINGS:
        value = settings.get(setting)
        if value is None:
            continue
        if setting == "sensor rate":
            playing = settings.get("frame rate")
            meant = wanted.get(setting)
            if meant is not None and not fulfils(setting, value, meant):
                yield Oddity(
                    clip.full_name, device, "sensor rate", value.words, meant.words, ASKED, True
                )
            elif meant is None and playing is not None:
                yield Oddity(
                    clip.full_name, device, setting, value.words, playing.words, USUAL, False
                )
        elif setting in wanted:
            if not fulfils(setting, value, wanted[setting]):
                words = wanted[setting].words
                yield Oddity(clip.full_name, device, setting, value.words, words, ASKED, True)
        elif setting in usual and value.key != usual[setting].key:
            meant_so = off_speed and setting == "frame rate"
            silent = setting == "audio channels" and value.key == 0
            wrong = not meant_so and not silent
            words = usual[setting].words
            yield Oddity(clip.full_name, device, setting, value.words, words, USUAL, wrong)


_Group = tuple[str, ClipKind]


def _usual(
    clips: Sequence[Clip], settings: Mapping[int, Mapping[str, Value]]
) -> Mapping[_Group, Mapping[str, Value]]:
    """What each device did on more than half of its clips of a kind, setting by setting.

    Of sound the number of channels is left out: it follows the microphones of the scene.
    """
    told: defaultdict[_Group, defaultdict[str, list[Value]]] = defaultdict(
        lambda: defaultdict(list)
    )
    for clip in clips:
        kind = clip.facts.kind
        if kind in (ClipKind.PICTURE, ClipKind.SOUND):
            for setting, value in settings[clip.id].items():
                told[device_of(clip.roll), kind][setting].append(value)
    found: defaultdict[_Group, dict[str, Value]] = defaultdict(dict)
    for group, by_setting in told.items():
        for setting, values in by_setting.items():
            if setting == "audio channels" and group[1] is ClipKind.SOUND:
                continue
            key, times = Counter(value.key for value in values).most_common(1)[0]
            if group[0] and len(values) >= _FEWEST and 2 * times > len(values):
                found[group][setting] = next(value for value in values if value.key == key)
    return found
