"""Groups made from names, held against what the files say of themselves.

Spans are split where the timecode of one does not go on where the last one ended: two takes for
one would hide the second. Sound files that bear one family in their iXML, as a recorder writes
into the files of one take, are joined whatever they are called. Nothing else is joined by what
files say: timecode that goes on from clip to clip may be a counter that runs only while recording.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from ingest.card.clips.sound_sets import natural
from ingest.card.clips.values import ClipGroup, base_of, folder_of, stem_of
from ingest.media.facts import ClipFacts, ClipKind
from ingest.media.joining import goes_on
from ingest.names import shown

__all__ = ["Confirmed", "confirm"]

# `_1`, `-02`, `_Tr3` at the end of a name (common practice, no source).
_NUMBERED = re.compile(r"(?<=[^_-])[_-](?:tr|trk|track|ch|chan)?[_-]?\d{1,2}\Z", re.I | re.ASCII)


@dataclass(frozen=True, slots=True)
class Confirmed:
    clips: tuple[ClipGroup, ...]
    """In the order of their first span's path."""
    said: Mapping[str, str]
    """Clip name to a sentence on why it was split; safe to show."""


def confirm(clips: Iterable[ClipGroup], facts: Mapping[str, ClipFacts]) -> Confirmed:
    """The clips as their files' facts have them. `facts`: by path; a file that isn't in it says
    nothing. Every path comes out once, and names differ as before."""
    whole: list[ClipGroup] = []
    said: dict[str, str] = {}
    clips = list(clips)
    names = {clip.name.casefold() for clip in clips}
    for clip in clips:
        parts = _split(clip, facts)
        for number, part in enumerate(parts):
            if number:
                name = _free_name(clip.name, part, names)
                before = parts[number - 1].spans[-1]
                said[name] = (
                    f"Its timecode does not go on from {shown(base_of(before))}: "
                    "a recording of its own."
                )
                part = replace(part, name=name)
            whole.append(part)
    joined = _families(whole, facts, names)
    return Confirmed(tuple(sorted(joined, key=lambda clip: clip.spans[0])), said)


def _split(clip: ClipGroup, facts: Mapping[str, ClipFacts]) -> list[ClipGroup]:
    if clip.kind is not ClipKind.PICTURE or clip.is_sequence or len(clip.spans) < 2:
        return [clip]
    runs: list[list[str]] = [[clip.spans[0]]]
    for before, after in zip(clip.spans, clip.spans[1:], strict=False):
        known = before in facts and after in facts
        if known and goes_on(facts[before], facts[after]) is False:
            runs.append([])
        runs[-1].append(after)
    if len(runs) == 1:
        return [clip]
    stems = [{stem_of(path).casefold() for path in run} for run in runs]
    companions: list[list[str]] = [[] for _ in runs]
    for path in clip.companions:
        stem = stem_of(path).casefold()
        owner = next((n for n, its in enumerate(stems) if any(stem.startswith(s) for s in its)), 0)
        companions[owner].append(path)
    return [
        replace(clip, spans=tuple(run), companions=tuple(its))
        for run, its in zip(runs, companions, strict=True)
    ]


def _free_name(of: str, part: ClipGroup, names: set[str]) -> str:
    """The stem of the part's first file, in the folders that the whole clip's name had."""
    folder, slash, _ = of.rpartition("/")
    name = f"{folder}{slash}{stem_of(part.spans[0])}"
    if name.casefold() in names:
        name = part.spans[0]
    names.add(name.casefold())
    return name


def _families(
    clips: Sequence[ClipGroup], facts: Mapping[str, ClipFacts], names: set[str]
) -> list[ClipGroup]:
    families: dict[tuple[str, str], list[ClipGroup]] = {}
    rest: list[ClipGroup] = []
    for clip in clips:
        uid = _family(clip, facts)
        if uid is None:
            rest.append(clip)
        else:
            families.setdefault((folder_of(clip.spans[0]), uid), []).append(clip)
    for members in families.values():
        if len(members) == 1:
            rest += members
            continue
        files = sorted((path for one in members for path in one.spans), key=natural)
        files.sort(key=lambda path: _starts(facts.get(path)))  # a stable sort: tracks stay in order
        first = min(members, key=lambda one: natural(one.spans[0]))
        rest.append(
            replace(
                first,
                name=_family_name(first, members, names),
                spans=tuple(files),
                companions=tuple(sorted(path for one in members for path in one.companions)),
            )
        )
    return rest


def _family(clip: ClipGroup, facts: Mapping[str, ClipFacts]) -> str | None:
    """The one family that all files of a sound clip are of, or None."""
    if clip.kind is not ClipKind.SOUND:
        return None
    found = {
        sound.family_uid if (sound := told.sound) is not None else None
        for path in clip.spans
        if (told := facts.get(path)) is not None
    }
    return found.pop() or None if len(found) == 1 else None


def _starts(facts: ClipFacts | None) -> int:
    """Samples since midnight; 0 where the file doesn't say."""
    sound = facts.sound if facts is not None else None
    return (sound.time_reference if sound is not None else None) or 0


def _family_name(first: ClipGroup, members: Sequence[ClipGroup], names: set[str]) -> str:
    """What their names share before the number of the track; the first's own where that is nothing,
    or another clip's."""
    bases = {_NUMBERED.sub("", one.name) for one in members}
    own = {one.name.casefold() for one in members}
    name = bases.pop() if len(bases) == 1 else ""
    if not base_of(name) or (name.casefold() in names and name.casefold() not in own):
        return first.name
    names.add(name.casefold())
    return name
