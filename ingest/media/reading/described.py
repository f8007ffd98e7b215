"""What recorders write into bext's description where there is no iXML: scene, take, tracks.

EBU Tech 3285 leaves the 256 characters to whoever writes them. The lines `sSCENE=`, `sTAKE=`,
`sTRK1=` and `sSPEED=`, a maker's letter before each key, are common practice with no source, as
are the words `Scene 12A Take 3`.
"""

from __future__ import annotations

import re
from fractions import Fraction

from ingest.media.facts import SoundNotes

__all__ = ["read_description", "timecode_rate"]

_LINE = re.compile(r"^[a-z]?([A-Z][A-Z_]*)([0-9]*)=(.*)$", re.MULTILINE)
_WORDS = re.compile(
    r"\b(?:scene|sc|slate)\b[\s.:#=]*([\w-]*[0-9][\w-]*)[\s,;/]+"
    r"(?:take|tk|t)\b[\s.:#=]*([\w-]*[0-9][\w-]*)",
    re.IGNORECASE,
)
_SPEED = re.compile(r"0*([0-9]+(?:\.[0-9]+)?)\s*-?\s*(ND|NDF|D|DF)?", re.IGNORECASE)


def read_description(text: str) -> SoundNotes:
    """Lines of key and value; else scene and take in words, where both are there. Never fails.

    Tracks stand in the order of their numbers; those between them that have no name are empty.
    """
    lines: dict[str, str] = {}
    tracks: dict[int, str] = {}
    for key, number, value in _LINE.findall(text.replace("\r", "\n")):
        if key in ("TRK", "TRACK", "CH") and number and len(number) < 3:
            tracks.setdefault(int(number), value.strip())
        elif not number:
            lines.setdefault(key, value.strip())
    scene, take = lines.get("SCENE") or None, lines.get("TAKE") or None
    if scene is None and take is None and (words := _WORDS.search(text)):
        scene, take = words.groups()
    speed = _SPEED.fullmatch(lines.get("SPEED") or lines.get("FRAMERATE") or "")
    flag = (speed[2] or "").upper() if speed else ""
    last = max(tracks, default=0)
    return SoundNotes(
        scene=scene,
        take=take,
        tape=lines.get("TAPE") or None,
        project=lines.get("PROJECT") or None,
        note=lines.get("NOTE") or None,
        circled={"TRUE": True, "FALSE": False}.get(lines.get("CIRCLED", "").upper()),
        tracks=tuple(tracks.get(number, "") for number in range(1, last + 1)),
        timecode_rate=timecode_rate(speed[1]) if speed else None,
        drop_frame=flag.startswith("D") if flag else None,
    )


def timecode_rate(written: str | None) -> Fraction | None:
    """`24000/1001`; also the decimal habits 23.976, 29.97 and 59.94. None for what is no rate."""
    if not written:
        return None
    try:
        rate = Fraction(written.replace(" ", "")[:20])
    except (ValueError, ZeroDivisionError):
        return None
    slow = Fraction(round(rate) * 1000, 1001)
    if rate.denominator not in (1, 1001) and abs(rate - slow) < Fraction(1, 100):
        return slow
    return rate if 0 < rate < 1000 else None
