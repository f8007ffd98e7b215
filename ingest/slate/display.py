"""What an editor calls a clip: a name made of its take. No file is ever renamed by it."""

from __future__ import annotations

import string
from collections import Counter
from collections.abc import Mapping, Sequence

from ingest.catalog.records import Clip, Sure, TakeLink
from ingest.slate.names import scene_order, take_order

__all__ = ["PATTERN", "display_name", "display_names"]

PATTERN = "{scene}-{take}-{camera}"
"""When ingest.toml says no other (`display`)."""


def display_names(
    clips: Sequence[Clip], links: Mapping[int, Sequence[TakeLink]], pattern: str | None = None
) -> dict[int, str]:
    """Clip id to display name, for every clip that holds a take; each name once.

    `clips` are best all of a production: where two would have one name, the later one (by day,
    roll and name) gets ` (2)` behind it. Pure.
    """
    named: dict[int, str] = {}
    used: Counter[str] = Counter()
    for clip in sorted(clips, key=lambda clip: (clip.roll.day, clip.roll.name, clip.name, clip.id)):
        name = display_name(clip, links.get(clip.id, ()), pattern)
        if name is None:
            continue
        again = name
        while used[again.casefold()]:
            used[name.casefold()] += 1
            again = f"{name} ({used[name.casefold()]})"
        used[again.casefold()] += 1
        named[clip.id] = again
    return named


def display_name(clip: Clip, links: Sequence[TakeLink], pattern: str | None = None) -> str | None:
    """The clip's name by the pattern; None where it holds no take, or only open ones.

    A series holds `1+2+3`. What isn't there (sound has no camera) is left out with the mark before
    it. Fields: production, day, date, scene, take, shot, camera, roll, clip. Pure.
    """
    held = [link for link in links if link.sure is not Sure.OPEN]
    if not held:
        return None
    held.sort(key=lambda link: (scene_order(link.scene), take_order(link.take)))
    values: dict[str, object] = {
        "production": clip.roll.production,
        "day": clip.roll.day,
        "date": clip.roll.date,
        "scene": _joined([link.scene for link in held]),
        "take": _joined([link.take for link in held]),
        "shot": _joined([link.shot for link in held if link.shot]),
        "camera": clip.roll.camera or "",
        "roll": clip.roll.name,
        "clip": clip.name,
    }
    made = ""
    for mark, field, spec, _ in string.Formatter().parse(pattern or PATTERN):
        text = format(values[field], spec or "") if field else ""
        if field is None or text:
            made += (mark if made or not _is_mark(mark) else "") + text
    return made or None


def _is_mark(text: str) -> bool:
    """What only stands between two fields."""
    return not any(character.isalnum() for character in text)


def _joined(texts: Sequence[str]) -> str:
    return "+".join(dict.fromkeys(texts))
