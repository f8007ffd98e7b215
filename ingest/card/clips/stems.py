"""Same stem: one clip for each stem of a folder that holds a picture, a still or a sound."""

from __future__ import annotations

from collections import defaultdict

from ingest.card.clips.suffixes import CHANNEL_FILE, LETTER_SUFFIX, WORD_SUFFIX
from ingest.card.clips.values import Draft, Key, base_of, folder_of, in_lesser_folder, stem_of
from ingest.media.facts import ClipKind
from ingest.media.kinds import ending, is_raw_still, kind_of_name

__all__ = ["take_stems"]


def take_stems(paths: list[str], sequences: set[Key]) -> tuple[list[Draft], list[str]]:
    """The clips, and the files that are in none yet. `sequences`: folder and stem (folded) of the
    image sequences, which are pictures too."""
    by_stem: dict[Key, list[str]] = defaultdict(list)
    left: list[str] = []
    for path in paths:
        if kind_of_name(path) is ClipKind.OTHER or in_lesser_folder(path):
            left.append(path)
        else:
            by_stem[folder_of(path), stem_of(path)].append(path)
    pictures = {
        (folder, stem.casefold())
        for (folder, stem), files in by_stem.items()
        if any(kind_of_name(path) is ClipKind.PICTURE for path in files)
    } | sequences
    pictures_around = {(folder_of(folder), stem) for folder, stem in pictures}
    drafts: list[Draft] = []
    for key, files in by_stem.items():
        files.sort(key=_rank)
        main = files[0]
        kind = kind_of_name(main)
        if _of_a_picture(key, kind, pictures, pictures_around):
            left += files
            continue
        # The same ending in other case is another recording, not a companion.
        same = [path for path in files[1:] if ending(path) == ending(main)]
        drafts.append(Draft(key[1], kind, key[0], [main], [p for p in files[1:] if p not in same]))
        drafts += [Draft(key[1], kind, key[0], [path]) for path in same]
    return drafts, left


def _rank(path: str) -> tuple[int, int, str]:
    """The lower, the more it is the recording itself."""
    kind = kind_of_name(path)
    if kind is ClipKind.PICTURE:
        # Of two moving pictures of one name the small endings are the proxies.
        return 0, ("mp4", "3gp", "m4v").count(ending(path)), path
    if kind is ClipKind.STILL:
        return 1, 0 if is_raw_still(path) else 1, path
    return 2, 0, path


def _of_a_picture(key: Key, kind: ClipKind, pictures: set[Key], pictures_around: set[Key]) -> bool:
    """Whether files of this stem only go with a moving picture of another."""
    folder, stem = key[0], key[1].casefold()
    around = folder_of(folder)
    word = WORD_SUFFIX.fullmatch(stem)
    if word and ((folder, word[1]) in pictures or (around, word[1]) in pictures_around):
        return True
    if base_of(folder).casefold() == "audio":
        channel = CHANNEL_FILE.fullmatch(stem)
        sisters = pictures_around if kind is not ClipKind.PICTURE else set()
        return (around, stem) in sisters or bool(
            channel and (around, channel[1]) in pictures_around
        )
    if kind is ClipKind.PICTURE:
        return False
    letter = LETTER_SUFFIX.fullmatch(stem)
    return (folder, stem) in pictures or bool(
        letter and ((folder, letter[1]) in pictures or (around, letter[1]) in pictures_around)
    )
