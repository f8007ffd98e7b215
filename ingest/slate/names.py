"""Scenes and takes as the trade writes them: read, compared, put in order.

`12`, `12A`, `A12`, `012 a`, `Sc. 12A` are scenes; `3`, `03`, `T3`, `tk 3`, `3PU`, `WT2`, `RT`
are takes; `12A-3`, `12A T3`, `12A tk 3` are both in one. How they are written is common
practice with no published source, so nothing here refuses a name: what isn't understood is
compared as it stands, without case, blanks and leading zeros.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache

__all__ = [
    "SceneName",
    "TakeKind",
    "TakeName",
    "camera_key",
    "name_key",
    "parse_scene",
    "parse_take",
    "same_scene",
    "same_take",
    "scene_key",
    "scene_order",
    "split_slate",
    "take_key",
    "take_order",
]

_TOKEN = re.compile(r"[0-9]+|[^\W\d_]+")
_SCENE_WORD = re.compile(r"^(?:scene|sc|slate|sl)\b\.?\s*#?\s*(?=\S)|^sc(?=[0-9])")
_TAKE_WORD = re.compile(r"^(?:take|tk|t)\.?\s*#?\s*(?=[0-9])")
_SCENE = re.compile(r"^([^\W\d_]*)[\s.-]*([0-9]+)[\s.-]*([^\W\d_]*)(.*)$", re.DOTALL)
_PICK_UP = r"(?:pu|p/u|pick[\s-]?up)"
_PICK_UP_OF = re.compile(rf"^([0-9]+)[\s.-]*{_PICK_UP}\.?[\s.-]*([0-9]*)$")
_PICK_UP_ALONE = re.compile(rf"^{_PICK_UP}\.?[\s.-]*([0-9]*)$")
_WILD = re.compile(r"^(?:wt|w/t|wild(?:[\s-]?tracks?)?)\.?[\s.-]*([0-9]*)$")
_TONE = re.compile(r"^(?:rt|r/t|room[\s-]?tone)\.?[\s.-]*([0-9]*)$")
_TAKE_SHAPE = r"[0-9]{1,3}(?:\s*(?:pu|p/u))?[0-9]?|wt\s*[0-9]*|rt\s*[0-9]*|pu\s*[0-9]*"
_WITH_WORD = re.compile(r"^(.+?)[\s,_/-]+(?:take|tk|t)\.?\s*#?\s*([0-9]\S*)$", re.IGNORECASE)
_WITH_BREAK = re.compile(rf"^(.*[0-9].*?)(?:\s*[-/_,]\s*|\s+)({_TAKE_SHAPE})$", re.IGNORECASE)
_CAMERA_WORDS = frozenset({"camera", "cam"})


class TakeKind(StrEnum):
    """What a take is, as its name says."""

    TAKE = "take"
    PICK_UP = "pick-up"
    """Shot from somewhere inside the take, not from its start."""
    WILD_TRACK = "wild track"
    """Sound recorded without picture."""
    ROOM_TONE = "room tone"
    OTHER = "other"
    """A name of a habit that isn't known here."""


@dataclass(frozen=True, slots=True)
class SceneName:
    """A scene's name in its parts, folded to lower case: `A12B` is ("a", "12", "b", "")."""

    prefix: str
    number: str
    """Without leading zeros; empty where the name holds no number."""
    suffix: str
    rest: str


@dataclass(frozen=True, slots=True)
class TakeName:
    """A take's name in its parts: `3PU2` is (PICK_UP, "3", "2")."""

    kind: TakeKind
    number: str
    """Without leading zeros; empty where there is none."""
    rest: str = ""

    @property
    def has_picture(self) -> bool:
        """False for what is recorded without a camera: wild tracks and room tone."""
        return self.kind not in (TakeKind.WILD_TRACK, TakeKind.ROOM_TONE)


def parse_scene(text: str) -> SceneName:
    """The parts of a scene's name; never fails."""
    folded = _SCENE_WORD.sub("", _folded(text))
    found = _SCENE.match(folded)
    if found is None:
        return SceneName("", "", "", name_key(folded))
    prefix, number, suffix, rest = found.groups()
    return SceneName(prefix, _number(number), suffix, name_key(rest) if rest.strip() else "")


@lru_cache(maxsize=4096)
def parse_take(text: str) -> TakeName:
    """The parts of a take's name; never fails."""
    folded = _TAKE_WORD.sub("", _folded(text))
    if folded.isascii() and folded.isdigit():
        return TakeName(TakeKind.TAKE, _number(folded))
    if found := _PICK_UP_OF.match(folded):
        return TakeName(TakeKind.PICK_UP, _number(found[1]), _number(found[2]))
    if found := _PICK_UP_ALONE.match(folded):
        return TakeName(TakeKind.PICK_UP, "", _number(found[1]))
    if found := _WILD.match(folded):
        return TakeName(TakeKind.WILD_TRACK, _number(found[1]))
    if found := _TONE.match(folded):
        return TakeName(TakeKind.ROOM_TONE, _number(found[1]))
    return TakeName(TakeKind.OTHER, "", name_key(folded))


def scene_key(text: str) -> str:
    """The form by which scenes are compared: `12A`, `012a`, `Sc 12 A`, `12-A` are one."""
    return name_key(_SCENE_WORD.sub("", _folded(text)))


def take_key(text: str) -> str:
    """The form by which takes are compared: `3`, `03`, `T3`, `Take 3` are one; `3PU` is not."""
    take = parse_take(text)
    match take.kind:
        case TakeKind.TAKE:
            return take.number
        case TakeKind.PICK_UP:
            return f"{take.number}pu{take.rest}"
        case TakeKind.WILD_TRACK:
            return f"wt{take.number}"
        case TakeKind.ROOM_TONE:
            return f"rt{take.number}"
    return take.rest


def name_key(text: str) -> str:
    """Any name without case, blanks, marks and leading zeros; a mark between two numbers counts.

    `C0001` and `c1` are equal, `12-3` and `123` are not. A name of marks alone stays as it is.
    """
    parts: list[str] = []
    for token in _TOKEN.findall(_folded(text)):
        digits = "0" <= token[0] <= "9"
        if digits and parts and "0" <= parts[-1][0] <= "9":
            parts.append("-")
        parts.append(_number(token) if digits else token)
    return "".join(parts) or _folded(text)


def camera_key(text: str) -> str:
    """The form by which cameras are compared: `A`, `a`, `Cam A`, `A-camera` are one."""
    tokens = _TOKEN.findall(_folded(text))
    return name_key(" ".join(token for token in tokens if token not in _CAMERA_WORDS) or text)


def same_scene(one: str, other: str) -> bool:
    """True when both texts name one scene."""
    return scene_key(one) == scene_key(other)


def same_take(one: str, other: str) -> bool:
    """True when both texts name one take (of one scene)."""
    return take_key(one) == take_key(other)


def split_slate(text: str) -> tuple[str, str | None]:
    """Scene and take out of one text: `12A-3`, `12A T3`, `12A/3` give ("12A", "3").

    The take is None where the text holds none: `12A` gives ("12A", None).
    """
    bare = text.strip()
    found = _WITH_WORD.match(bare) or _WITH_BREAK.match(bare)
    if found is None:
        return bare, None
    return found[1].strip(" ,-_/"), found[2].strip()


def scene_order(text: str) -> tuple[object, ...]:
    """A sort key for scenes: A12, 12, 12A, 12B, 13; names without a number come last.

    A letter before the number means inserted before that scene, one after it means after it
    (common practice, no source).
    """
    scene = parse_scene(text)
    if not scene.number:
        return (1, 0, "", 0, "", 0, "", len(scene.rest), scene.rest)
    first = 0 if scene.prefix else 1
    size = len(scene.number)  # by length, then as text: a number may have any count of digits
    rest = (len(scene.suffix), scene.suffix, len(scene.rest), scene.rest)
    return (0, size, scene.number, first, scene.prefix, *rest)


def take_order(text: str) -> tuple[object, ...]:
    """A sort key for takes: 1, 2, 2PU, 10, then pick-ups without a number, wild tracks, tone."""
    take = parse_take(text)
    kinds = list(TakeKind)
    if take.number and take.kind in (TakeKind.TAKE, TakeKind.PICK_UP):
        return (0, len(take.number), take.number, kinds.index(take.kind), len(take.rest), take.rest)
    return (1 + kinds.index(take.kind), len(take.number), take.number, 0, len(take.rest), take.rest)


def _folded(text: str) -> str:
    return unicodedata.normalize("NFKC", text).casefold().strip()


def _number(digits: str) -> str:
    """Digits without leading zeros, `0` for zeros alone; int() would refuse some thousand."""
    return digits.lstrip("0") or digits[:1]
