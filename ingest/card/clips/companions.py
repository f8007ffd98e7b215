"""Stem and suffix: each file left goes to the clip that it belongs to, or stays loose."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable

from ingest.card.clips.suffixes import CHANNEL_FILE, LETTER_SUFFIX, WORD_SUFFIX
from ingest.card.clips.values import Draft, base_of, folder_of, in_lesser_folder, stem_of
from ingest.media.facts import ClipKind
from ingest.media.kinds import kind_of_name

__all__ = ["give_companions"]


def give_companions(drafts: list[Draft], left: Iterable[str]) -> list[str]:
    """Give each file left to its clip. Recordings that no clip owns become clips of their own
    (added to `drafts`); what belongs to no clip comes back, sorted."""
    by_stem: dict[str, list[Draft]] = defaultdict(list)
    for draft in drafts:
        for stem in {draft.stem, draft.also, *(stem_of(path) for path in draft.spans)} - {""}:
            by_stem[stem.casefold()].append(draft)
    loose: list[str] = []
    alone: list[Draft] = []
    for path in left:
        owner = None
        for stem in _possible_stems(path):
            if owner := _nearest(path, by_stem.get(stem.casefold(), [])):
                break
        if owner is not None:
            owner.companions.append(path)
        elif _stands_alone(path):
            alone.append(Draft(stem_of(path), kind_of_name(path), folder_of(path), [path]))
        else:
            loose.append(path)
    drafts += alone
    return sorted(loose)


def _stands_alone(path: str) -> bool:
    """A recording that looked like part of another clip is one of its own when there is none."""
    kind = kind_of_name(path)
    if kind is ClipKind.STILL:
        return not in_lesser_folder(path)
    return kind is not ClipKind.OTHER


def _possible_stems(path: str) -> list[str]:
    stem = stem_of(path)
    stems = [stem, stem_of(stem)]  # `C0001.MOV.xmp` is named for `C0001.MOV`
    stems += [match[1] for each in (WORD_SUFFIX, LETTER_SUFFIX) if (match := each.fullmatch(stem))]
    channel = CHANNEL_FILE.fullmatch(stem)
    if channel and base_of(folder_of(path)).casefold() == "audio":
        stems.append(channel[1])
    if folder := base_of(folder_of(path)):
        stems.append(stem_of(folder))  # beside the parts of a clip that has a folder of its own
    return stems


def _nearest(path: str, drafts: list[Draft]) -> Draft | None:
    """The clip whose folder shares most of the way from the root; None where two share it."""
    if not drafts:
        return None
    folder = folder_of(path).split("/")

    def shared(draft: Draft) -> tuple[int, bool]:
        parts = draft.folder.split("/")
        count = 0
        while count < min(len(parts), len(folder)) and parts[count] == folder[count]:
            count += 1
        return count, parts == folder

    ranked = sorted(drafts, key=shared, reverse=True)
    if len(ranked) > 1 and shared(ranked[0]) == shared(ranked[1]):
        return None
    return ranked[0]
