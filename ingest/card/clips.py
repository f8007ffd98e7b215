"""A card's files as clips: what one press of the record button made, by rule, not by maker.

Only names are looked at. The rules:

- *Same stem*: files of one stem are one clip. Its main file is the moving picture, else the
  still (camera RAW before JPEG), else the sound; everything else is a companion.
- *Stem and suffix*: `C0001M01.XML` and `C0001_proxy.mp4` belong to `C0001`, also from a
  sister folder; of several clips of that stem the nearest folder's takes it.
- *DCF* (CIPA DC-009): `DCIM/100ABCDE/ABCD0001.JPG` is a numbered object, never a frame of a
  sequence. Objects of one number whose free characters count 01, 02 ... are parts of one.
- *Spans*: numbered parts in a folder `NAME.XYZ` of their own, or after a reel-and-clip name
  (`A002C006_141024_R2EC`, as ASC MHL v1.0 Appendix B writes clips).
- *Image sequences*: three or more pictures of one name that count on, outside DCF.
- *Sound sets*: `NAME_Tr1`, `NAME_Tr2`: tracks. A bare `NAME_1` may be a take, and isn't joined.

What can't be told from names alone (`CLIP_001`, `CLIP_002`) stays apart: two clips taken for
one would hide a take. What belongs to no clip is loose: kept, and listed.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from ingest.media.facts import ClipKind
from ingest.media.kinds import ending, is_raw_still, kind_of_name

__all__ = ["ClipGroup", "Grouping", "group", "is_dcf_folder", "is_dcf_name"]

# CIPA DC-009, as summarised publicly; compared without case.
_DCF_FOLDER = re.compile(r"[1-9][0-9]{2}[0-9A-Z_]{5}", re.IGNORECASE | re.ASCII)
_DCF_NAME = re.compile(r"([0-9A-Z_]{4})((?!0000)[0-9]{4})", re.IGNORECASE | re.ASCII)
_DCF_PART = re.compile(r"([0-9A-Z_]{2})(\d\d)(\d{4})", re.IGNORECASE | re.ASCII)

# Camera, reel and clip number, then whatever the camera adds (ASC MHL v1.0 Appendix B).
_REEL_AND_CLIP = re.compile(r"[A-Z]\d{3,4}_?C\d{3,4}(_[0-9A-Z]+)*", re.IGNORECASE | re.ASCII)
_PART = re.compile(r"(.*[^\W_])[_-](\d{2,3})", re.ASCII | re.DOTALL)
_FRAME = re.compile(r"(.*?)(\d{4,})", re.ASCII | re.DOTALL)
_TRACK = re.compile(
    r"(.*[^_\W])[_-](?:tr|trk|track|ch|chan)[_-]?(\d{1,2}|lr|l|r|mix)",
    re.IGNORECASE | re.ASCII | re.DOTALL,
)
# What companions add to the stem of their clip: one letter and two digits, or a word for it.
_LETTER_SUFFIX = re.compile(r"(.+)[A-Z]\d\d", re.IGNORECASE | re.ASCII | re.DOTALL)
_WORD_SUFFIX = re.compile(
    r"(.+)[_. -](?:proxy|prx|thumb|thumbnail|preview|meta|metadata|lut|sub|audio)",
    re.IGNORECASE | re.ASCII | re.DOTALL,
)
_CHANNEL_FILE = re.compile(r"(.+)\d\d", re.ASCII | re.DOTALL)

# Folders of things made from clips (common practice, no source).
_LESSER = frozenset(
    (
        "proxy",
        "proxies",
        "sub",
        "thmbnl",
        "thumb",
        "thumbs",
        "thumbnail",
        "thumbnails",
        "preview",
        "previews",
        "icon",
    )
)
_SEQUENCE_ENDINGS = frozenset(
    ("dng", "dpx", "exr", "tif", "tiff", "ari", "jpg", "jpeg", "png", "jp2", "j2k")
)
_FEWEST_FRAMES = 3
_DATE_BEFORE_TIME = re.compile(r".*\d{8}[_T-]?", re.ASCII | re.DOTALL)

_Key = tuple[str, str]


@dataclass(frozen=True, slots=True)
class ClipGroup:
    """The files of one clip. Paths are those that came in."""

    name: str
    """Stem of its main file; with its folder in front where the card has it twice."""
    kind: ClipKind
    spans: tuple[str, ...]
    """Parts of the recording itself, in order: at least one."""
    companions: tuple[str, ...] = ()
    gaps: tuple[tuple[int, int], ...] = ()
    """First and last number of each run that an image sequence lacks."""


@dataclass(frozen=True, slots=True)
class Grouping:
    clips: tuple[ClipGroup, ...]
    """In the order of their first span's path."""
    loose: tuple[str, ...]
    """Files of no clip, sorted."""


@dataclass(slots=True)
class _Draft:
    stem: str
    kind: ClipKind
    folder: str
    spans: list[str]
    companions: list[str] = field(default_factory=list)
    gaps: tuple[tuple[int, int], ...] = ()
    name: str = ""


def group(paths: Sequence[str]) -> Grouping:
    """Group a card's files (POSIX paths, relative to the card's root) into clips.

    Every path comes out exactly once, in a clip or loose.
    """
    left = sorted(set(paths))
    drafts, left = _sequences(left)
    sequences = {(draft.folder, draft.stem.casefold()) for draft in drafts}
    sets, left = _sound_sets(left)
    drafts += sets
    mains, left = _mains(left, sequences)
    drafts += _joined(mains)
    loose = _companions(drafts, left)
    drafts.sort(key=lambda draft: draft.spans[0])
    _name(drafts)
    return Grouping(
        clips=tuple(
            ClipGroup(
                name=draft.name,
                kind=draft.kind,
                spans=tuple(draft.spans),
                companions=tuple(sorted(draft.companions)),
                gaps=draft.gaps,
            )
            for draft in drafts
        ),
        loose=tuple(loose),
    )


def is_dcf_folder(name: str) -> bool:
    """Whether this is the name of a DCF image folder: `100ABCDE` (CIPA DC-009)."""
    return _DCF_FOLDER.fullmatch(name) is not None


def is_dcf_name(stem: str) -> bool:
    """Whether this is the name of a DCF object, without its ending: `ABCD0001` (CIPA DC-009)."""
    return _DCF_NAME.fullmatch(stem) is not None


def _folder(path: str) -> str:
    return path.rpartition("/")[0]


def _base(path: str) -> str:
    return path.rpartition("/")[2]


def _stem(path: str) -> str:
    base, end = _base(path), ending(path)
    return base[: -len(end) - 1] if end else base


def _in_lesser_folder(path: str) -> bool:
    return any(part.casefold() in _LESSER for part in _folder(path).split("/"))


def _sequences(paths: list[str]) -> tuple[list[_Draft], list[str]]:
    """Image sequences: one name, one ending, one width of number, counting on."""
    runs: dict[tuple[str, str, str, int], list[tuple[int, str]]] = defaultdict(list)
    for path in paths:
        stem, end = _stem(path), ending(path)
        match = _FRAME.fullmatch(stem)
        if end not in _SEQUENCE_ENDINGS or match is None or is_dcf_name(stem):
            continue
        if _in_lesser_folder(path) or is_dcf_folder(_base(_folder(path))):
            continue
        if len(match[2]) == 6 and _DATE_BEFORE_TIME.fullmatch(match[1]):
            continue  # stills named for their date and time, not counted
        runs[_folder(path), match[1], end, len(match[2])].append((int(match[2]), path))
    drafts: list[_Draft] = []
    taken: set[str] = set()
    for (folder, prefix, _, _), frames in runs.items():
        frames.sort()
        numbers = [number for number, _ in frames]
        # Dates and times also end in digits: only what is at least half full counts on.
        if len(frames) < _FEWEST_FRAMES or 2 * len(frames) < numbers[-1] - numbers[0] + 1:
            continue
        gaps = tuple(
            (before + 1, after - 1) for before, after in pairwise(numbers) if after - before > 1
        )
        stem = prefix.rstrip("_-. ") or _base(folder) or _stem(frames[0][1])
        files = [path for _, path in frames]
        drafts.append(_Draft(stem, ClipKind.PICTURE, folder, files, gaps=gaps))
        taken.update(files)
    return drafts, [path for path in paths if path not in taken]


def _sound_sets(paths: list[str]) -> tuple[list[_Draft], list[str]]:
    """Tracks of one recording in files of their own, where the name says track."""
    sets: dict[_Key, list[str]] = defaultdict(list)
    whole: dict[_Key, list[str]] = defaultdict(list)
    for path in paths:
        if kind_of_name(path) is ClipKind.SOUND:
            whole[_folder(path), _stem(path)].append(path)
            if match := _TRACK.fullmatch(_stem(path)):
                sets[_folder(path), match[1]].append(path)
        elif kind_of_name(path) is ClipKind.PICTURE:
            whole[_folder(path), _stem(path)] = []
    drafts: list[_Draft] = []
    taken: set[str] = set()
    for (folder, stem), tracks in sets.items():
        mix = whole.get((folder, stem))
        if mix is not None and not mix:
            continue  # tracks beside a moving picture are its companions
        if len(tracks) + len(mix or []) < 2:
            continue
        files = [*(mix or []), *sorted(tracks, key=_natural)]
        drafts.append(_Draft(stem, ClipKind.SOUND, folder, files))
        taken.update(files)
    return drafts, [path for path in paths if path not in taken]


def _natural(path: str) -> list[tuple[int, str]]:
    """Order in which 2 stands before 10."""
    return [
        (int(part), "") if part.isascii() and part.isdigit() else (-1, part)
        for part in re.split(r"(\d+)", path, flags=re.ASCII)
    ]


def _rank(path: str) -> tuple[int, int, str]:
    """The lower, the more it is the recording itself."""
    kind = kind_of_name(path)
    if kind is ClipKind.PICTURE:
        # Of two moving pictures of one name the small endings are the proxies.
        return 0, ("mp4", "3gp", "m4v").count(ending(path)), path
    if kind is ClipKind.STILL:
        return 1, 0 if is_raw_still(path) else 1, path
    return 2, 0, path


def _mains(paths: list[str], sequences: set[_Key]) -> tuple[list[_Draft], list[str]]:
    """One clip for each stem of a folder that holds a picture, a still or a sound."""
    by_stem: dict[_Key, list[str]] = defaultdict(list)
    left: list[str] = []
    for path in paths:
        if kind_of_name(path) is ClipKind.OTHER or _in_lesser_folder(path):
            left.append(path)
        else:
            by_stem[_folder(path), _stem(path)].append(path)
    pictures = {
        (folder, stem.casefold())
        for (folder, stem), files in by_stem.items()
        if any(kind_of_name(path) is ClipKind.PICTURE for path in files)
    } | sequences
    pictures_around = {(_folder(folder), stem) for folder, stem in pictures}
    drafts: list[_Draft] = []
    for key, files in by_stem.items():
        files.sort(key=_rank)
        main = files[0]
        kind = kind_of_name(main)
        if _of_a_picture(key, kind, pictures, pictures_around):
            left += files
            continue
        # The same ending in other case is another recording, not a companion.
        same = [path for path in files[1:] if ending(path) == ending(main)]
        drafts.append(_Draft(key[1], kind, key[0], [main], [p for p in files[1:] if p not in same]))
        drafts += [_Draft(key[1], kind, key[0], [path]) for path in same]
    return drafts, left


def _of_a_picture(
    key: _Key, kind: ClipKind, pictures: set[_Key], pictures_around: set[_Key]
) -> bool:
    """Whether files of this stem only go with a moving picture of another (see the rules)."""
    folder, stem = key[0], key[1].casefold()
    around = _folder(folder)
    word = _WORD_SUFFIX.fullmatch(stem)
    if word and ((folder, word[1]) in pictures or (around, word[1]) in pictures_around):
        return True
    if _base(folder).casefold() == "audio":
        channel = _CHANNEL_FILE.fullmatch(stem)
        sisters = pictures_around if kind is not ClipKind.PICTURE else set()
        return (around, stem) in sisters or bool(
            channel and (around, channel[1]) in pictures_around
        )
    if kind is ClipKind.PICTURE:
        return False
    letter = _LETTER_SUFFIX.fullmatch(stem)
    return (folder, stem) in pictures or bool(
        letter and ((folder, letter[1]) in pictures or (around, letter[1]) in pictures_around)
    )


def _joined(drafts: list[_Draft]) -> list[_Draft]:
    """Numbered parts of one recording put together, in order."""
    runs: dict[tuple[str, str, str], list[tuple[int, _Draft]]] = defaultdict(list)
    for draft in drafts:
        if part := _part(draft):
            base, number = part
            runs[draft.folder, base, ending(draft.spans[0])].append((number, draft))
    gone: set[int] = set()
    for parts in runs.values():
        parts.sort(key=lambda each: each[0])
        numbers = [number for number, _ in parts]
        first = numbers[0]
        if len(parts) < 2 or first > 1 or numbers != list(range(first, first + len(parts))):
            continue
        whole = parts[0][1]
        for _, each in parts[1:]:
            whole.spans += each.spans
            whole.companions += each.companions
            gone.add(id(each))
    return [draft for draft in drafts if id(draft) not in gone]


def _part(draft: _Draft) -> tuple[str, int] | None:
    """The name and number of a part, where the name leaves no doubt that it is one."""
    if draft.kind is not ClipKind.PICTURE or draft.gaps:
        return None
    if is_dcf_folder(_base(draft.folder)):
        match = _DCF_PART.fullmatch(draft.stem)
        return (f"{match[1]}*{match[3]}", int(match[2])) if match else None
    match = _PART.fullmatch(draft.stem)
    if match is None:
        return None
    bundle = _base(draft.folder)
    if (ending(bundle) and match[1] == _stem(bundle)) or _REEL_AND_CLIP.fullmatch(match[1]):
        return match[1], int(match[2])
    return None


def _companions(drafts: list[_Draft], left: Iterable[str]) -> list[str]:
    """Give each file left to the clip that it goes with; those of no clip come back."""
    by_stem: dict[str, list[_Draft]] = defaultdict(list)
    for draft in drafts:
        for stem in {draft.stem, *(_stem(path) for path in draft.spans)}:
            by_stem[stem.casefold()].append(draft)
    loose: list[str] = []
    alone: list[_Draft] = []
    for path in left:
        owner = None
        for stem in _possible_stems(path):
            if owner := _nearest(path, by_stem.get(stem.casefold(), [])):
                break
        if owner is not None:
            owner.companions.append(path)
        elif _stands_alone(path):
            alone.append(_Draft(_stem(path), kind_of_name(path), _folder(path), [path]))
        else:
            loose.append(path)
    drafts += alone
    return sorted(loose)


def _stands_alone(path: str) -> bool:
    """A recording that looked like part of another clip is one of its own when there is none."""
    kind = kind_of_name(path)
    if kind is ClipKind.STILL:
        return not _in_lesser_folder(path)
    return kind is not ClipKind.OTHER


def _possible_stems(path: str) -> list[str]:
    stem = _stem(path)
    stems = [stem, _stem(stem)]  # `C0001.MOV.xmp` is named for `C0001.MOV`
    stems += [
        match[1] for each in (_WORD_SUFFIX, _LETTER_SUFFIX) if (match := each.fullmatch(stem))
    ]
    if _base(_folder(path)).casefold() == "audio" and (match := _CHANNEL_FILE.fullmatch(stem)):
        stems.append(match[1])
    if folder := _base(_folder(path)):
        stems.append(_stem(folder))  # beside the parts of a clip that has a folder of its own
    return stems


def _nearest(path: str, drafts: list[_Draft]) -> _Draft | None:
    """The clip whose folder shares most of the way from the root; None where two share it."""
    if not drafts:
        return None
    folder = _folder(path).split("/")

    def shared(draft: _Draft) -> tuple[int, bool]:
        parts = draft.folder.split("/")
        count = 0
        while count < min(len(parts), len(folder)) and parts[count] == folder[count]:
            count += 1
        return count, parts == folder

    ranked = sorted(drafts, key=shared, reverse=True)
    if len(ranked) > 1 and shared(ranked[0]) == shared(ranked[1]):
        return None
    return ranked[0]


def _name(drafts: list[_Draft]) -> None:
    """The stem; where two clips share it, as many folders in front as tell them apart."""
    alike: dict[str, list[_Draft]] = defaultdict(list)
    for draft in drafts:
        draft.name = draft.stem
        alike[draft.stem.casefold()].append(draft)
    for same in alike.values():
        if len(same) < 2:
            continue
        deepest = max(draft.folder.count("/") + 1 for draft in same)
        for depth in range(1, deepest + 1):
            for draft in same:
                parts = [part for part in draft.folder.split("/") if part][-depth:]
                draft.name = "/".join([*parts, draft.stem])
            if len({draft.name.casefold() for draft in same}) == len(same):
                break
        else:
            for draft in same:  # one folder, one stem, endings or letters in other case
                draft.name = draft.spans[0]
