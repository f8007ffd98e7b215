"""Which clips a logged clip name can mean, within the camera, roll and day of its row.

A log may hold the whole name (`C0012`, `C0012.MOV`), roll and name (`A003/C0012`, `A003C0012`),
the clip's number (`12`) or its last digits. Names repeat from card to card, so a name alone
never makes a link sure.
"""

from __future__ import annotations

import os.path
import re
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum

from ingest.catalog.records import Clip, ClipRole, SlateRow
from ingest.media.facts import ClipKind
from ingest.slate.names import camera_key, name_key

__all__ = ["ClipNames", "Fit", "Scope", "scope_of"]

_EXTENSION = re.compile(r"\.[A-Za-z0-9]{2,4}$")
_CLIP_NUMBER = re.compile(r"[A-Z][0-9]{2,4}_?C([0-9]{3,5})(?![0-9])", re.IGNORECASE)
_LAST_DIGITS = re.compile(r"([0-9]+)[^0-9]*$")
_NUMBER = re.compile(r"[0-9]+$")


class Fit(IntEnum):
    """How well a logged name fits a clip; more is better."""

    END = 1
    """The last digits of its number."""
    NUMBER = 2
    NAME = 3
    FULL = 4
    """Roll and name."""


@dataclass(frozen=True, slots=True)
class Scope:
    """Whether the row's roll, camera and day are the clip's; None where one of them doesn't say."""

    roll: bool | None
    camera: bool | None
    day: bool | None

    @property
    def denied(self) -> bool:
        return False in (self.roll, self.camera, self.day)

    @property
    def agreed(self) -> str:
        """`roll`, `camera and day`: what both say alike, for the basis of a link."""
        said = [name for name in ("roll", "camera", "day") if getattr(self, name)]
        return " and ".join([", ".join(said[:-1]), said[-1]]) if len(said) > 1 else "".join(said)


def scope_of(row: SlateRow, clip: Clip) -> Scope:
    """Compares the row's roll, camera and day with the clip's."""
    sound = clip.facts.kind is ClipKind.SOUND
    told = row.sound_roll or row.roll if sound else row.roll
    camera: bool | None = None
    if row.camera:
        if sound:
            camera = False
        elif clip.roll.camera:
            camera = camera_key(row.camera) == camera_key(clip.roll.camera)
    return Scope(
        roll=_same_roll(told, clip, row.camera) if told else None,
        camera=camera,
        day=row.day == clip.roll.day if row.day is not None else None,
    )


class ClipNames:
    """The names of some clips, ready to be asked."""

    def __init__(self, clips: Sequence[Clip]) -> None:
        self._by_name: defaultdict[str, list[Clip]] = defaultdict(list)
        self._by_full: defaultdict[str, list[Clip]] = defaultdict(list)
        self._by_number: defaultdict[str, list[Clip]] = defaultdict(list)
        for clip in clips:
            for stem in _stems(clip):
                self._by_name[name_key(stem)].append(clip)
                self._by_full[name_key(f"{clip.roll.name} {stem}")].append(clip)
            if number := _number_of(clip.name):
                self._by_number[number].append(clip)

    def fitting(self, text: str) -> tuple[Fit, tuple[Clip, ...]] | None:
        """The clips that the name fits best, and how; None when it fits none."""
        bare = text.strip()
        stem = _EXTENSION.sub("", bare)
        for form in dict.fromkeys((bare, stem)):
            key = name_key(form)
            if "/" in form or "\\" in form:
                if found := self._by_full.get(key):
                    return Fit.FULL, tuple(found)
                continue
            if found := self._by_name.get(key):
                exact = [clip for clip in found if clip.name.casefold() == form.casefold()]
                return Fit.NAME, tuple(exact or found)
            if found := self._by_full.get(key):
                return Fit.FULL, tuple(found)
        digits = stem.lstrip("#").strip()
        if not (digits.isascii() and digits.isdigit()):
            return None
        if found := self._by_number.get(digits.lstrip("0") or "0"):
            return Fit.NUMBER, tuple(found)
        if len(digits) >= 2:
            ends = [
                clip
                for number, clips in self._by_number.items()
                if number.endswith(digits)
                for clip in clips
            ]
            if ends:
                return Fit.END, tuple(ends)
        return None


def _stems(clip: Clip) -> tuple[str, ...]:
    """The clip's own name and those of its spans, without folder and extension."""
    spans = [file.path for file in clip.files if file.role is ClipRole.SPAN]
    stems = [clip.name, *(os.path.splitext(os.path.basename(path))[0] for path in spans)]
    return tuple({name_key(stem): stem for stem in reversed(stems)}.values())


def _number_of(name: str) -> str | None:
    """The clip's number without leading zeros: 12 in `C0012` and in `A003C012_260314`."""
    found = _CLIP_NUMBER.match(name) or _LAST_DIGITS.search(name)
    return (found[1].lstrip("0") or "0") if found else None


def _same_roll(told: str, clip: Clip, camera: str | None) -> bool:
    key = name_key(told)
    names = [clip.roll.name, clip.facts.reel, clip.facts.sound.tape if clip.facts.sound else None]
    if any(name and name_key(name) == key for name in names):
        return True
    if not (key.isascii() and key.isdigit()):
        return False
    # `3` for A003, where the row's camera is the roll's.
    number = _NUMBER.search(clip.roll.name)
    if number is None or (number[0].lstrip("0") or "0") != key:
        return False
    letters = clip.roll.name[: number.start()].strip(" -_.")
    if not letters or clip.facts.kind is ClipKind.SOUND:
        return True
    return camera is not None and camera_key(camera) == camera_key(letters)
