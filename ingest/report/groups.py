"""The clips in the order in which a report shows them, by scene or by roll."""

from __future__ import annotations

from dataclasses import dataclass

from ingest import wording as words
from ingest.report.facts import ClipLine, IntakeFacts
from ingest.report.phrases import Words, clip_copies

__all__ = ["Group", "Row", "group", "grouped_by_scene"]

NO_SCENE = "No scene yet"


@dataclass(frozen=True, slots=True)
class Row:
    clip: ClipLine
    scene: str
    scene_rank: int
    rank: int
    take_rank: int
    seconds: float
    ratings: str
    copies: tuple[Words, ...]


@dataclass(frozen=True, slots=True)
class Group:
    title: str
    rows: tuple[Row, ...]

    @property
    def count(self) -> int:
        return len(self.rows)

    @property
    def circled(self) -> int:
        return sum(row.clip.circled for row in self.rows)


def _rows(facts: IntakeFacts) -> list[Row]:
    scenes = sorted({clip.scene for clip in facts.clips if clip.scene}, key=words.natural)
    ranks = {scene: rank for rank, scene in enumerate(scenes)}
    clips = sorted(facts.clips, key=lambda clip: words.natural(clip.name))
    takes = {
        clip.name: rank
        for rank, clip in enumerate(
            sorted(clips, key=lambda clip: words.natural(clip.takes[0].take if clip.takes else ""))
        )
    }
    rows = []
    for rank, clip in enumerate(clips):
        rows.append(
            Row(
                clip=clip,
                scene=f"Scene {clip.scene}" if clip.scene else NO_SCENE,
                scene_rank=ranks.get(clip.scene or "", len(ranks)),
                rank=rank,
                take_rank=takes[clip.name],
                seconds=float(clip.duration_seconds or 0),
                ratings=" ".join(take.rating for take in clip.takes if take.rating)
                or ("unrated" if clip.takes else "none"),
                copies=clip_copies(clip, facts.wanted),
            )
        )
    return rows


def grouped_by_scene(facts: IntakeFacts) -> bool:
    """By scene where any clip has one, else by roll."""
    return any(clip.takes for clip in facts.clips)


def group(facts: IntakeFacts) -> list[Group]:
    """The clips in groups, in the order in which they are shown."""
    by_scene, rows = grouped_by_scene(facts), _rows(facts)
    held: dict[tuple[int, str], list[Row]] = {}
    for row in rows:
        key = (row.scene_rank, row.scene) if by_scene else (0, f"Roll {row.clip.roll}")
        held.setdefault(key, []).append(row)
    order = sorted(held, key=lambda key: key[0])
    return [
        Group(
            title=key[1],
            rows=tuple(sorted(held[key], key=lambda row: row.take_rank) if by_scene else held[key]),
        )
        for key in order
    ]
