"""Which roll a card is: camera letter and roll number from the card's own names. Pure.

A proposal, shown before anything is copied; the options --camera and --roll beat it. That clip
names begin with camera letter and roll number is a common habit of cameras (ASC MHL v1.0
Appendix B names clips so), not a standard.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass

__all__ = ["Proposal", "next_free", "propose"]

_CLIP = re.compile(r"^([A-Z])(\d{3})[_]?C(\d{3,4})(?![0-9])", re.IGNORECASE)
_LABEL = re.compile(r"^([A-Z])[ _-]?(\d{1,4})$", re.IGNORECASE)
_SOUND = frozenset({"wav", "bwf", "rf64", "aif", "aiff"})
_STILL = frozenset({"jpg", "jpeg", "dng", "nef", "cr2", "cr3", "arw", "raf", "orf", "rw2", "heic"})
_PICTURE = frozenset({"mov", "mp4", "mxf", "mkv", "avi", "mts", "m2ts", "r3d", "braw"})


@dataclass(frozen=True, slots=True)
class Proposal:
    roll: str
    camera: str | None
    because: str


def propose(
    paths: Sequence[str], label: str, *, camera: str | None, used: Collection[str]
) -> Proposal:
    """The roll that a card most likely is. `used`: roll names of the production so far.

    Taken from most of the clip names, else from the card's label, else the camera's next free
    number, else the next free number of a letter for its kind (S sound, P stills, X unknown).
    A name already used moves on to the next free number.
    """
    folded = {name.casefold() for name in used}
    letter, number, because = _seen(paths, label, camera)
    if number is not None:
        name = f"{letter}{number}"
        if name.casefold() not in folded:
            return Proposal(name, camera or letter, because)
        free = next_free(letter, used, width=len(number))
        return Proposal(free, camera or letter, f"{name} is used already for other content")
    kind = letter if letter in ("S", "P", "X") and camera is None else None
    return Proposal(next_free(letter, used), None if kind else letter, because)


def next_free(letter: str, used: Collection[str], *, width: int = 3) -> str:
    """The next number after the highest used with this letter: B001, B002 -> B003."""
    taken = [
        int(found[2])
        for name in used
        if (found := _LABEL.match(name)) and found[1].casefold() == letter.casefold()
    ]
    return f"{letter}{max(taken, default=0) + 1:0{width}d}"


def _seen(paths: Sequence[str], label: str, camera: str | None) -> tuple[str, str | None, str]:
    names = [path.rpartition("/")[2] for path in paths]
    rolls = Counter(
        (found[1].upper(), found[2]) for name in names if (found := _CLIP.match(name)) is not None
    )
    if rolls:
        (letter, number), count = rolls.most_common(1)[0]
        if count * 2 > sum(rolls.values()) and camera in (None, letter):
            return letter, number, "from the clip names"
    if found := _LABEL.match(label):
        letter = found[1].upper()
        if camera in (None, letter):
            return letter, found[2].zfill(3), "from the card's name"
    if camera is not None:
        return camera, None, f"the next roll of camera {camera}"
    endings = Counter(name.rpartition(".")[2].casefold() for name in names)
    kinds = {
        "S": sum(endings[ending] for ending in _SOUND),
        "P": sum(endings[ending] for ending in _STILL),
        "X": sum(endings[ending] for ending in _PICTURE),
    }
    if kinds["X"]:
        return "X", None, "no camera letter is known for this card"
    if kinds["S"]:
        return "S", None, "it holds sound"
    if kinds["P"]:
        return "P", None, "it holds stills"
    return "X", None, "nothing on the card tells what it is"
