"""Finding clips: by scene and take, camera, day, roll, words, timecode; and where to read them."""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from ingest.assurance.state import copy_state
from ingest.catalog.catalog import Catalog
from ingest.catalog.records import Clip, ClipRole, Copy, FileRecord, Rating, TakeLink
from ingest.errors import Ambiguous, NotKnown, UsageError
from ingest.evidence import State
from ingest.jobs.known import DriveHere, drives_here
from ingest.names import shown
from ingest.settings import Settings
from ingest.slate.cells import BadCell, read_label
from ingest.slate.display import display_names
from ingest.slate.names import (
    camera_key,
    name_key,
    scene_key,
    scene_order,
    split_slate,
    take_key,
    take_order,
)
from ingest.slate.timing import holds_label

__all__ = [
    "Found",
    "Place",
    "Wanted",
    "choose_production",
    "find",
    "find_clip",
    "fits",
    "fitting_takes",
    "own_production",
    "understand_words",
]

_RANK = {State.MATCHED: 0, State.UNVERIFIED: 1, State.CLAIMED: 2, State.DOUBTFUL: 3}
_SLATE_WORDS = frozenset({"scene", "sc", "slate", "take", "tk", "t"})


@dataclass(frozen=True, slots=True)
class Wanted:
    """What clips are looked for. Scene, take, shot and circled must hold of one and the same take.

    `text`: words that must all stand somewhere in the clip's names, notes or shots.
    `timecode`: HH:MM:SS:FF, a frame that the clip must hold, at the clip's own rate.
    """

    scene: str | None = None
    take: str | None = None
    shot: str | None = None
    circled: bool = False
    camera: str | None = None
    day: int | None = None
    roll: str | None = None
    text: tuple[str, ...] = ()
    timecode: str | None = None


@dataclass(frozen=True, slots=True)
class Place:
    """One copy of one of a clip's main files."""

    drive: str
    file: str
    """Path in the roll."""
    path: str
    """Absolute: where the drive is mounted, or where it was last seen."""
    mounted: bool
    state: State

    @property
    def readable(self) -> bool:
        """It can be read now, and nothing bad is known of it."""
        return self.mounted and not self.state.is_bad


@dataclass(frozen=True, slots=True)
class Found:
    clip: Clip
    takes: tuple[TakeLink, ...]
    """Those that were asked for first, then the clip's others, each in order."""
    places: tuple[Place, ...]
    """What is mounted first, then by state and drive; file after file within."""
    display: str | None = None
    """The name that an editor knows it by; None where it holds no take."""

    @property
    def best(self) -> tuple[Place | None, ...]:
        """For each main file, in order, the copy to read; None where none can be read now."""
        of_file: dict[str, Place] = {}
        for place in self.places:
            if place.readable:
                of_file.setdefault(place.file, place)
        return tuple(of_file.get(path) for path in _main_files(self.clip))


def choose_production(catalog: Catalog, asked: str | None) -> str:
    """The production that is meant: the only one, or the one asked for (case doesn't count).

    Raises NotKnown when there is none of that name, UsageError when several could be meant.
    """
    known = catalog.productions()
    if asked is not None:
        if asked in known:
            return asked
        alike = [name for name in known if name.casefold() == asked.casefold()]
        if len(alike) == 1:
            return alike[0]
        raise NotKnown(
            f"There is no production {shown(asked)} in the catalog"
            + (f"; there is {_listed(known)}." if known else "."),
            do="name one of these with --production" if known else "bring a card in first",
        )
    if not known:
        raise NotKnown("No card has come in yet.", do="ingest offload")
    if len(known) > 1:
        raise UsageError(
            f"The catalog holds several productions: {_listed(known)}.",
            do="say which with --production",
        )
    return known[0]


def own_production(catalog: Catalog, settings: Settings, asked: str | None) -> str:
    """The production asked for, else that of ingest.toml, else the only one.

    Raises as `choose_production`.
    """
    named = settings.production if settings.production in catalog.productions() else None
    return choose_production(catalog, asked or named)


def find_clip(catalog: Catalog, text: str, production: str | None = None) -> Clip:
    """The clip of this name: ROLL/NAME, or its bare name where only one clip has it.

    Raises Ambiguous with the candidates, NotKnown when there is none.
    """
    chosen = choose_production(catalog, production)
    clips = catalog.clips(catalog.rolls(production=chosen))
    roll, slash, name = text.rpartition("/")
    for key in (str, str.casefold):
        candidates = [
            clip
            for clip in clips
            if key(name) in (key(clip.name), *map(key, _file_names(clip)))
            and (not slash or key(roll) == key(clip.roll.name))
        ]
        if len(candidates) == 1:
            return candidates[0]
        if candidates:
            raise Ambiguous(
                f"{shown(text)} is the name of {len(candidates)} clips: "
                f"{_listed([clip.full_name for clip in candidates])}.",
                do="name the roll too: ROLL/NAME",
            )
    raise NotKnown(
        f"There is no clip {shown(text)} in {shown(chosen)}.",
        do="ingest find lists the clips; a clip is named ROLL/NAME, without extension",
    )


def find(
    catalog: Catalog,
    wanted: Wanted,
    words: Sequence[str] = (),
    production: str | None = None,
    *,
    display: str | None = None,
) -> tuple[Found, ...]:
    """The clips of one production that fit, in the order of day, roll and name.

    `words`: free words, see `understand_words`. `display`: the pattern of display names. Raises
    UsageError for a timecode that is none.
    """
    chosen = choose_production(catalog, production)
    clips = catalog.clips(catalog.rolls(production=chosen))
    links = catalog.links([clip.id for clip in clips])
    every = [link for some in links.values() for link in some]
    wanted = understand_words(wanted, words, every)
    if wanted.timecode is not None:
        wanted = replace(wanted, timecode=_label(wanted.timecode))
    fitting = [clip for clip in clips if fits(clip, links.get(clip.id, ()), wanted)]
    places = _places(catalog, fitting)
    names = display_names(clips, links, display)
    return tuple(
        Found(
            clip,
            _in_order(links.get(clip.id, ()), wanted),
            places.get(clip.id, ()),
            names.get(clip.id),
        )
        for clip in sorted(
            fitting, key=lambda clip: (clip.roll.day, clip.roll.name, clip.name, clip.id)
        )
    )


def understand_words(wanted: Wanted, words: Sequence[str], known: Iterable[TakeLink]) -> Wanted:
    """Free words as a question: scene, then take, else text. An option beats them. Pure.

    `12A 3`, `12A-3`, `12A T3` and `scene 12A take 3` are scene 12A take 3 where that scene is
    known; what is no known scene or take of it is looked for in names and notes.
    """
    takes: defaultdict[str, set[str]] = defaultdict(set)
    for link in known:
        takes[scene_key(link.scene)].add(take_key(link.take))
    scene, take = wanted.scene, wanted.take
    rest = [word for word in words if word.strip()]
    if scene is None:
        ahead = rest[1:] if rest and rest[0].casefold() in _SLATE_WORDS else rest
        if ahead and scene_key(ahead[0]) in takes:
            scene, rest = ahead[0], ahead[1:]
        elif ahead:
            bare, split = split_slate(ahead[0])
            if split and scene_key(bare) in takes and take is None:
                scene, take, rest = bare, split, ahead[1:]
    if scene is not None and take is None:
        ahead = rest[1:] if rest and rest[0].casefold() in _SLATE_WORDS else rest
        if ahead and _is_take(ahead[0], takes[scene_key(scene)]):
            take, rest = ahead[0], ahead[1:]
    return replace(wanted, scene=scene, take=take, text=(*wanted.text, *rest))


def fits(clip: Clip, links: Sequence[TakeLink], wanted: Wanted) -> bool:
    """Does the clip, with these takes, fit? Pure."""
    roll = clip.roll
    if wanted.camera is not None and (
        not roll.camera or camera_key(roll.camera) != camera_key(wanted.camera)
    ):
        return False
    if wanted.day is not None and roll.day != wanted.day:
        return False
    if wanted.roll is not None and roll.name.casefold() != wanted.roll.casefold():
        return False
    if wanted.timecode is not None and not holds_label(clip, wanted.timecode):
        return False
    if _asks_for_take(wanted) and not fitting_takes(links, wanted):
        return False
    if wanted.text:
        everything = "\n".join(_texts(clip, links)).casefold()
        return all(word.casefold() in everything for word in wanted.text)
    return True


def fitting_takes(links: Sequence[TakeLink], wanted: Wanted) -> tuple[TakeLink, ...]:
    """Those takes that are what was asked for. Pure."""
    return tuple(
        link
        for link in links
        if (wanted.scene is None or scene_key(link.scene) == scene_key(wanted.scene))
        and (wanted.take is None or take_key(link.take) == take_key(wanted.take))
        and (wanted.shot is None or (link.shot and name_key(link.shot) == name_key(wanted.shot)))
        and (not wanted.circled or link.rating is Rating.CIRCLED)
    )


def _asks_for_take(wanted: Wanted) -> bool:
    return wanted.circled or any(
        each is not None for each in (wanted.scene, wanted.take, wanted.shot)
    )


def _is_take(word: str, known: set[str]) -> bool:
    # A number after a scene is a take even where that take is not known: then nothing fits.
    key = take_key(word)
    return key in known or (key.isascii() and key.isdigit())


def _in_order(links: Sequence[TakeLink], wanted: Wanted) -> tuple[TakeLink, ...]:
    first = set(map(id, fitting_takes(links, wanted)))
    return tuple(
        sorted(
            links,
            key=lambda link: (
                id(link) not in first,
                scene_order(link.scene),
                take_order(link.take),
            ),
        )
    )


def _texts(clip: Clip, links: Sequence[TakeLink]) -> list[str]:
    texts = [clip.full_name, *(file.path for file in clip.files)]
    for link in links:
        texts += [link.scene, link.shot or "", link.note or ""]
    if clip.facts.sound is not None:
        texts += [clip.facts.sound.note or "", *clip.facts.sound.tracks]
    return texts


def _label(text: str) -> str:
    try:
        label = read_label(text)
    except BadCell as bad:
        raise UsageError(f"{shown(text)} is no timecode.", do=bad.do) from None
    if label is None:
        raise UsageError("An empty timecode fits nothing.", do="write it as 10:02:00:00")
    return label


def _places(catalog: Catalog, clips: Sequence[Clip]) -> dict[int, tuple[Place, ...]]:
    """By clip id, every copy of its main files."""
    rolls = list({clip.roll.id: clip.roll for clip in clips}.values())
    if not rolls:
        return {}
    here = {one.drive.id: one for one in drives_here(catalog)}
    files: dict[tuple[int, str], list[FileRecord]] = defaultdict(list)
    for file in catalog.files(rolls):
        files[file.roll_id, file.path].append(file)
    copies: defaultdict[int, list[Copy]] = defaultdict(list)
    for copy in catalog.copies(rolls=rolls):
        copies[copy.file_id].append(copy)
    needed: dict[int, list[tuple[str, Copy]]] = {
        clip.id: [
            (path, copy)
            for path in _main_files(clip)
            for file in files[clip.roll.id, path]
            for copy in copies[file.id]
        ]
        for clip in clips
    }
    looks = catalog.looks([copy.id for some in needed.values() for _, copy in some])
    found = {}
    for clip in clips:
        order = {path: at for at, path in enumerate(_main_files(clip))}
        some = [
            _place(path, copy, here[copy.drive_id], copy_state(looks.get(copy.id, ())).state)
            for path, copy in needed[clip.id]
        ]
        some.sort(
            key=lambda one: (
                not one.mounted,
                _RANK.get(one.state, len(_RANK)),
                one.drive,
                order[one.file],
            )
        )
        found[clip.id] = tuple(some)
    return found


def _place(file: str, copy: Copy, here: DriveHere, state: State) -> Place:
    root = here.drive.root
    mounted = here.seen is not None and not here.doubt
    if here.seen is not None and mounted:
        root = here.seen.root
    path = os.path.join(root, copy.path)
    if mounted and not os.path.isfile(path):
        state = State.MISSING  # whatever the evidence says: it isn't there now
    return Place(here.drive.name, file, path, mounted, state)


def _main_files(clip: Clip) -> tuple[str, ...]:
    return tuple(file.path for file in clip.files if file.role is ClipRole.SPAN)


def _file_names(clip: Clip) -> list[str]:
    return [path.rpartition("/")[2] for path in _main_files(clip)]


def _listed(names: Sequence[str]) -> str:
    said = [shown(name) for name in names[:6]]
    if len(names) > 6:
        return ", ".join(said) + f" and {len(names) - 6:,} more"
    return ", ".join(said[:-1]) + " and " + said[-1] if len(said) > 1 else "".join(said)
