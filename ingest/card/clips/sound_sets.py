"""Tracks of one recording in files of their own, where the name says track."""

from __future__ import annotations

import re
from collections import defaultdict

from ingest.card.clips.values import Draft, Key, folder_of, stem_of
from ingest.media.facts import ClipKind
from ingest.media.kinds import kind_of_name

__all__ = ["natural", "take_sound_sets"]

_TRACK = re.compile(
    r"(.*[^_\W])[_-](?:tr|trk|track|ch|chan)[_-]?(\d{1,2}|lr|l|r|mix)",
    re.IGNORECASE | re.ASCII | re.DOTALL,
)


def take_sound_sets(paths: list[str]) -> tuple[list[Draft], list[str]]:
    """The sets of sound files among these, the mix first; and the files that are in none."""
    sets: dict[Key, list[str]] = defaultdict(list)
    whole: dict[Key, list[str]] = defaultdict(list)
    for path in paths:
        if kind_of_name(path) is ClipKind.SOUND:
            whole[folder_of(path), stem_of(path)].append(path)
            if match := _TRACK.fullmatch(stem_of(path)):
                sets[folder_of(path), match[1]].append(path)
        elif kind_of_name(path) is ClipKind.PICTURE:
            whole[folder_of(path), stem_of(path)] = []
    drafts: list[Draft] = []
    taken: set[str] = set()
    for (folder, stem), tracks in sets.items():
        mix = whole.get((folder, stem))
        if mix is not None and not mix:
            continue  # tracks beside a moving picture are its companions
        if len(tracks) + len(mix or []) < 2:
            continue
        files = [*(mix or []), *sorted(tracks, key=natural)]
        drafts.append(Draft(stem, ClipKind.SOUND, folder, files))
        taken.update(files)
    return drafts, [path for path in paths if path not in taken]


def natural(path: str) -> list[tuple[int, str]]:
    """Order in which 2 stands before 10."""
    return [
        (int(part), "") if part.isascii() and part.isdigit() else (-1, part)
        for part in re.split(r"(\d+)", path, flags=re.ASCII)
    ]
