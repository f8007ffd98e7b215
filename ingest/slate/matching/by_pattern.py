"""Scene and take in the names of files or folders, by the production's own pattern."""

from __future__ import annotations

import re
import string
from functools import lru_cache

from ingest.catalog.records import Sure
from ingest.media.facts import ClipKind
from ingest.slate.pool import Pool, take_of

__all__ = ["link_by_pattern", "read_name"]

_FIELDS = {
    "scene": r"[0-9A-Za-z]{1,12}",
    "take": r"[0-9A-Za-z]{1,8}",
    "camera": r"[A-Za-z][0-9]?",
    "day": r"[0-9]{1,3}",
    "shot": r"[0-9A-Za-z]{1,12}",
}


def link_by_pattern(pool: Pool, pattern: str) -> None:
    """Claims the take that a clip's own name, or else the folder it lies in, states.

    Sure where something else says the same; by itself likely: a name is typed by hand.
    """
    for clip in pool.clips:
        if clip.id in pool.hand or clip.facts.kind not in (ClipKind.PICTURE, ClipKind.SOUND):
            continue
        folders = clip.files[0].path.split("/")[:-1] if clip.files else []
        for what, name in (
            ("its name", clip.name),
            *(("its folder", f) for f in reversed(folders)),
        ):
            told = read_name(name, pattern)
            if told is None:
                continue
            known = take_of(*told) in pool.keys(clip)
            sure = Sure.SURE if known else Sure.LIKELY
            pool.claim(clip, *told, sure, f"{what} says so, by the pattern {pattern}")
            break


def read_name(name: str, pattern: str) -> tuple[str, str] | None:
    """Scene and take of a whole name by the pattern, such as `{scene}-{take}`; None: it isn't so.

    A scene or take holds a digit, so that `SKIM-take` and the like are no slates.
    """
    found = _compiled(pattern).fullmatch(name)
    if found is None:
        return None
    told = found.groupdict()
    scene, take = told.get("scene"), told.get("take")
    if not scene or not take or not any(c.isdigit() for c in scene):
        return None
    return scene, take


@lru_cache(maxsize=8)
def _compiled(pattern: str) -> re.Pattern[str]:
    parts = []
    seen: set[str] = set()
    for text, name, _, _ in string.Formatter().parse(pattern):
        parts.append(re.escape(text))
        if name is None:
            continue
        shape = _FIELDS.get(name, r".+?")
        parts.append(f"(?:{shape})" if name in seen else f"(?P<{name}>{shape})")
        seen.add(name)
    return re.compile("".join(parts), re.IGNORECASE | re.ASCII | re.DOTALL)
