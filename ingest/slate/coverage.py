"""What was planned against what was shot: which shots still have no good take.

    told = coverage(planned, rows, clips, links, day=2)
    told.missing        # shots planned for day 2 that must be shot before the set is struck
    told.owed           # all that the production still owes

A take counts for a planned shot by scene and shot. It counts once the log has it; whether its
picture has come in is said beside (`in_hand`), since at the end of a day the cards often haven't.
Sound alone, false starts and links that are still open cover nothing.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from ingest.catalog.records import Clip, Mark, PlannedShot, Rating, SlateRow, Sure, TakeLink
from ingest.media.facts import ClipKind
from ingest.slate.names import (
    camera_key,
    name_key,
    parse_scene,
    parse_take,
    scene_key,
    scene_order,
    take_key,
    take_order,
)

__all__ = ["Coverage", "Covered", "ShotCovered", "ShotTake", "coverage"]


class Covered(StrEnum):
    """How well a planned shot is covered, best first: by the best rating among its takes."""

    CIRCLED = "circled"
    KEEP = "keep"
    NOT_RATED = "not rated"
    """Shot, and nobody said how good it is."""
    NG = "only NG"
    NOT_SHOT = "not shot"


_BY_RATING = {
    Rating.CIRCLED: Covered.CIRCLED,
    Rating.KEEP: Covered.KEEP,
    None: Covered.NOT_RATED,
    Rating.NG: Covered.NG,
}
_BEST = tuple(Covered)


@dataclass(frozen=True, slots=True)
class ShotTake:
    """A take that was shot, from all rows and links that tell of it."""

    scene: str
    take: str
    shot: str | None
    rating: Rating | None
    cameras: tuple[str, ...]
    """Letters of the cameras that the log or the rolls name for it."""
    clips: tuple[str, ...]
    """Pictures that have come in, ROLL/NAME."""
    why_unplaced: str = ""
    """Why it counts for no planned shot; empty where it does."""


@dataclass(frozen=True, slots=True)
class ShotCovered:
    """A planned shot and the takes of it."""

    planned: PlannedShot
    state: Covered
    takes: tuple[ShotTake, ...]

    @property
    def owed(self) -> bool:
        """There is no good take of it. A take that nobody rated is not held against it."""
        return self.state in (Covered.NG, Covered.NOT_SHOT)

    @property
    def best(self) -> tuple[ShotTake, ...]:
        """The takes that it is covered by: those of the best rating."""
        return tuple(take for take in self.takes if _BY_RATING[take.rating] is self.state)

    @property
    def in_hand(self) -> bool:
        """The picture of at least one take that covers it has come in."""
        return any(take.clips for take in self.best)

    @property
    def cameras_missing(self) -> tuple[str, ...]:
        """Planned cameras that none of the takes that cover it names; none where no take does."""
        there = {camera_key(letter) for take in self.best for letter in take.cameras}
        if self.owed or not there:
            return ()
        return tuple(each for each in self.planned.cameras if camera_key(each) not in there)


@dataclass(frozen=True, slots=True)
class Coverage:
    """All planned shots, in the order of the plan."""

    day: int | None
    """The shoot day that was asked about, or None for all up to the last one shot."""
    last_day: int | None
    """The last day that anything was shot or logged."""
    shots: tuple[ShotCovered, ...]
    unplaced: tuple[ShotTake, ...]
    """Takes that count for no planned shot, each with why."""

    @property
    def owed(self) -> tuple[ShotCovered, ...]:
        """All that the production still owes, also what is planned for days to come."""
        return tuple(shot for shot in self.shots if shot.owed)

    @property
    def missing(self) -> tuple[ShotCovered, ...]:
        """What is owed though its day was asked about, or has come."""
        return tuple(shot for shot in self.owed if self._is_due(shot.planned))

    @property
    def later(self) -> tuple[ShotCovered, ...]:
        """What is owed on other days than the one asked about, or on days to come."""
        return tuple(shot for shot in self.owed if not self._is_due(shot.planned))

    def _is_due(self, planned: PlannedShot) -> bool:
        if self.day is not None:
            return planned.day == self.day
        return planned.day is None or self.last_day is None or planned.day <= self.last_day


def coverage(
    planned: Sequence[PlannedShot],
    rows: Iterable[SlateRow],
    clips: Iterable[Clip],
    links: Iterable[TakeLink],
    *,
    day: int | None = None,
) -> Coverage:
    """Compares the plan with the log's rows and with the clips and the takes that they hold.

    `planned`: see `ingest.slate.planned.standing`. `day`: the shoot day asked about. Pure.
    """
    rows, known = tuple(rows), {clip.id: clip for clip in clips}
    takes = _takes(rows, known, links)
    plan = _Plan(planned, takes)
    of_shot: defaultdict[int, list[ShotTake]] = defaultdict(list)
    unplaced = []
    for take in takes:
        place, why = plan.place(take)
        if place is None:
            unplaced.append(replace(take, why_unplaced=why))
        else:
            of_shot[place].append(take)
    days = [row.day for row in rows if row.day] + [clip.roll.day for clip in known.values()]
    return Coverage(
        day=day,
        last_day=max(days, default=None),
        shots=tuple(
            ShotCovered(shot, _state(of_shot[at]), tuple(of_shot[at]))
            for at, shot in enumerate(planned)
        ),
        unplaced=tuple(unplaced),
    )


def _state(takes: Sequence[ShotTake]) -> Covered:
    states = [_BY_RATING[take.rating] for take in takes] or [Covered.NOT_SHOT]
    return min(states, key=_BEST.index)


# What was shot ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Told:
    """One row or link that tells of a take."""

    scene: str
    take: str
    shot: str | None
    rating: Rating | None
    camera: str | None
    clip: str | None
    by_hand: bool = False


def _takes(
    rows: Iterable[SlateRow], clips: dict[int, Clip], links: Iterable[TakeLink]
) -> list[ShotTake]:
    told: defaultdict[tuple[str, str], list[_Told]] = defaultdict(list)
    for row in rows:
        if parse_take(row.take).has_picture and Mark.FALSE_START not in row.marks:
            one = _Told(row.scene, row.take, row.shot, row.rating, row.camera, None)
            told[scene_key(row.scene), take_key(row.take)].append(one)
    for link in links:
        clip = clips.get(link.clip_id)
        if clip is None or clip.facts.kind is not ClipKind.PICTURE or link.sure is Sure.OPEN:
            continue
        camera, name = clip.roll.camera, clip.full_name
        one = _Told(link.scene, link.take, link.shot, link.rating, camera, name, link.by_hand)
        told[scene_key(link.scene), take_key(link.take)].append(one)
    takes = [_take(some) for every in told.values() for some in _by_shot(every)]
    return sorted(takes, key=lambda take: (scene_order(take.scene), take_order(take.take)))


def _by_shot(told: Sequence[_Told]) -> list[list[_Told]]:
    """One take number of one scene may stand for a take of each of its shots."""
    of: defaultdict[str, list[_Told]] = defaultdict(list)
    for one in told:
        of[name_key(one.shot) if one.shot else ""].append(one)
    if len(of) == 2 and "" in of:  # what doesn't say the shot is of the one that is said
        return [list(told)]
    return list(of.values())


def _take(told: Sequence[_Told]) -> ShotTake:
    by_hand = [one.rating for one in told if one.by_hand and one.rating]
    rated = by_hand or [one.rating for one in told if one.rating]
    order = (Rating.CIRCLED, Rating.KEEP, Rating.NG)
    cameras = {camera_key(one.camera): one.camera for one in told if one.camera}
    return ShotTake(
        scene=told[0].scene,
        take=told[0].take,
        shot=next((one.shot for one in told if one.shot), None),
        rating=min(rated, key=order.index, default=None),
        cameras=tuple(cameras[key] for key in sorted(cameras)),
        clips=tuple(sorted({one.clip for one in told if one.clip})),
    )


# Which planned shot it is -------------------------------------------------------------------


class _Plan:
    """The planned shots by scene and shot."""

    def __init__(self, planned: Sequence[PlannedShot], takes: Iterable[ShotTake]) -> None:
        self._of_scene: defaultdict[str, list[int]] = defaultdict(list)
        self._of_shot: defaultdict[str, list[int]] = defaultdict(list)
        self._joined: defaultdict[str, list[int]] = defaultdict(list)
        self._planned = planned
        for at, shot in enumerate(planned):
            self._of_scene[scene_key(shot.scene)].append(at)
            for name in {shot.shot, shot.setup} - {None, ""}:
                assert name is not None
                self._of_shot[name_key(name)].append(at)
                self._joined[scene_key(f"{shot.scene} {name}")].append(at)
        # Where the log numbers its shots in a way of its own (running slate numbers), its
        # numbers say nothing of the plan's.
        self._one_numbering = any(
            take.shot and name_key(take.shot) in self._of_shot for take in takes
        )

    def place(self, take: ShotTake) -> tuple[int | None, str]:
        """The planned shot that the take is of, or why it is of none."""
        scene = scene_key(take.scene)
        if take.shot and self._one_numbering:
            named = self._of_shot.get(name_key(take.shot), [])
            fitting = [at for at in named if self._holds(self._planned[at].scene, take.scene)]
            if len(fitting) == 1:
                return fitting[0], ""
            if named and not fitting:
                return None, f"its shot is planned for scene {self._planned[named[0]].scene}"
            if not named:
                return None, "no such shot is planned"
        for several in (self._of_scene.get(scene, []), self._joined.get(scene, [])):
            if len(several) == 1:
                return several[0], ""
            if several:
                return None, f"it doesn't say which of {len(several)} planned shots it is"
        whole = [
            at
            for at, shot in enumerate(self._planned)
            if not shot.shot and self._holds(shot.scene, take.scene)
        ]
        return (whole[0], "") if len(whole) == 1 else (None, "its scene is not planned")

    def _holds(self, planned: str, shot: str) -> bool:
        """`12` holds `12A`: a letter behind the number is a set-up of that scene (US slating)."""
        if scene_key(planned) == scene_key(shot):
            return True
        one, other = parse_scene(planned), parse_scene(shot)
        if not one.number or (one.prefix, one.number) != (other.prefix, other.number):
            return False
        return not one.suffix and not one.rest
