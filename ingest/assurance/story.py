"""Damage told as a story: which planned shots lose their last good take, what still covers them,
what must be shot again. Pure.

A take is *good* unless it is NG: a circled one first, then a keep, then one that nobody rated.
A shot whose every remaining take is NG, or that has none, must be shot again. (Common practice,
no published source: ratings are the director's.)
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from ingest.catalog.records import PlannedShot, Rating
from ingest.names import shown
from ingest.slate.names import name_key, scene_key, scene_order, take_key
from ingest.wording import listed, natural

__all__ = [
    "Cover",
    "Held",
    "LostClip",
    "ShotStory",
    "last_days",
    "said_shot",
    "story_words",
    "tell_story",
]


@dataclass(frozen=True, slots=True)
class Held:
    """A take that a picture clip holds."""

    clip: str
    """ROLL/NAME."""
    camera: str | None
    scene: str
    take: str
    shot: str | None = None
    rating: Rating | None = None

    @property
    def good(self) -> bool:
        return self.rating is not Rating.NG


@dataclass(frozen=True, slots=True)
class LostClip:
    """A clip that can't be used as it is, and why, in words."""

    clip: str
    why: str


@dataclass(frozen=True, slots=True)
class Cover:
    """What a shot can be cut from instead."""

    held: Held
    same_take: bool
    """The very take that was lost, from another camera."""


@dataclass(frozen=True, slots=True)
class ShotStory:
    """What a loss means for one shot."""

    scene: str
    shot: str | None
    planned: PlannedShot | None
    """None: no shot list names it."""
    lost: tuple[tuple[Held, str], ...]
    """Good takes that can't be used, each with why."""
    covers: tuple[Cover, ...]
    """Best first: circled, keep, not rated; the same take before others. Never an NG one."""
    last_day: int | None = None
    """The last shoot day at its location, by the shot list."""

    @property
    def again(self) -> bool:
        """It has lost its last good take."""
        return not self.covers

    @property
    def keep_only(self) -> bool:
        """What covers it is a keep or not rated, where a circled take was lost."""
        circled = any(held.rating is Rating.CIRCLED for held, _ in self.lost)
        return circled and not any(c.held.rating is Rating.CIRCLED for c in self.covers)


_BEST = {Rating.CIRCLED: 0, Rating.KEEP: 1, None: 2}


def tell_story(
    lost: Iterable[LostClip], held: Sequence[Held], planned: Sequence[PlannedShot] = ()
) -> tuple[ShotStory, ...]:
    """The shots that lose a good take with these clips, those to be shot again first, each kind in
    order of the location's last day (unknown last), then of scene and shot.

    `held`: every take of every picture clip of the production, the lost ones among them. A shot
    that loses nothing but NG takes is no story.
    """
    why = {one.clip: one.why for one in lost}
    if not why:
        return ()
    days, plans = last_days(planned), _Plan(planned)
    groups: dict[tuple[str, str], list[Held]] = defaultdict(list)
    shots: dict[tuple[str, str], PlannedShot | None] = {}
    for one in held:
        plan = plans.of(one)
        key = _shot_key(plan.scene, plan.shot) if plan else _shot_key(one.scene, one.shot)
        groups[key].append(one)
        shots.setdefault(key, plan)
    stories = []
    for key, some in groups.items():
        gone = [(one, why[one.clip]) for one in some if one.clip in why and one.good]
        if not gone:
            continue
        plan = shots[key]
        stories.append(
            ShotStory(
                scene=plan.scene if plan else gone[0][0].scene,
                shot=plan.shot if plan else gone[0][0].shot,
                planned=plan,
                lost=tuple(gone),
                covers=_covers(some, gone, why),
                last_day=days.get(_place(plan)) if plan else None,
            )
        )
    return tuple(sorted(stories, key=_order))


def _covers(
    some: Sequence[Held], gone: Sequence[tuple[Held, str]], why: Mapping[str, str]
) -> tuple[Cover, ...]:
    lost = {(scene_key(one.scene), take_key(one.take)) for one, _ in gone}
    covers = [
        Cover(one, (scene_key(one.scene), take_key(one.take)) in lost)
        for one in some
        if one.clip not in why and one.good
    ]
    return tuple(
        sorted(
            covers,
            key=lambda c: (_BEST[c.held.rating], not c.same_take, natural(c.held.clip)),
        )
    )


def last_days(planned: Iterable[PlannedShot]) -> Mapping[str, int]:
    """The last shoot day planned at each location (its name folded)."""
    days: dict[str, int] = {}
    for shot in planned:
        if shot.day is not None and (place := _place(shot)):
            days[place] = max(days.get(place, 0), shot.day)
    return days


def _place(shot: PlannedShot) -> str:
    return name_key(shot.location) if shot.location else ""


def _shot_key(scene: str, shot: str | None) -> tuple[str, str]:
    return scene_key(scene), name_key(shot) if shot else ""


class _Plan:
    """The planned shots by scene, each name read once."""

    def __init__(self, planned: Iterable[PlannedShot]) -> None:
        self._of_scene: defaultdict[str, list[PlannedShot]] = defaultdict(list)
        self._named: dict[tuple[str, str], PlannedShot] = {}
        for shot in planned:
            key = _shot_key(shot.scene, shot.shot)
            self._of_scene[key[0]].append(shot)
            if shot.shot:
                self._named.setdefault(key, shot)

    def of(self, held: Held) -> PlannedShot | None:
        """The planned shot that a take is of: by shot and scene, else by the scene when only one
        shot is planned in it."""
        key = _shot_key(held.scene, held.shot)
        if held.shot and key in self._named:
            return self._named[key]
        of_scene = self._of_scene.get(key[0], [])
        alone = len(of_scene) == 1 and (not held.shot or not of_scene[0].shot)
        return of_scene[0] if alone else None


def _order(story: ShotStory) -> tuple[object, ...]:
    day = story.last_day
    return (
        not story.again,
        day is None,
        day or 0,
        scene_order(story.scene),
        natural(story.shot or ""),
    )


# In words -----------------------------------------------------------------------------------------


def said_shot(scene: str, shot: str | None) -> str:
    """`shot 7 (scene 17)`, or `scene 17` where the shot has no name; shown safely."""
    return f"shot {shown(shot)} (scene {shown(scene)})" if shot else f"scene {shown(scene)}"


def story_words(story: ShotStory) -> str:
    """One sentence: what is lost, what covers it, or that it must be shot again."""
    name = said_shot(story.scene, story.shot)
    by_clip: dict[tuple[str, str], list[str]] = {}
    for held, why in story.lost:
        by_clip.setdefault((held.clip, why), []).append(held.take)
    takes = [
        f"take{'s' if len(some) > 1 else ''} {listed(some, 6)} in {shown(clip)} ({why})"
        for (clip, why), some in by_clip.items()
    ]
    said = f"{name} loses {' and '.join(takes)}"
    if story.again:
        where = story.planned.location if story.planned is not None else None
        place = f" at {shown(where)}" if where else ""
        last = f"; the last day there is day {story.last_day}" if story.last_day else ""
        return f"{said}: no good take is left, so it must be shot again{place}{last}"
    best = story.covers[0]
    camera = f", camera {shown(best.held.camera)}" if best.held.camera else ""
    take = "the same take" if best.same_take else f"take {shown(best.held.take)}"
    rating = {Rating.CIRCLED: "circled", Rating.KEEP: "a keep"}.get(
        best.held.rating or Rating.NG, "not rated"
    )
    more = len(story.covers) - 1
    others = f", and {more} more" if more else ""
    return f"{said}; {take}{camera} ({shown(best.held.clip)}, {rating}) covers it{others}"
