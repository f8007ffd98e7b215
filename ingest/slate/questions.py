"""What to ask a person about links that stay open: one question a clip, the two best answers."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from ingest.catalog.records import Clip, Sure, TakeLink
from ingest.media.facts import ClipKind
from ingest.slate.pool import Conflict, Key, said_row, take_of

__all__ = ["Answer", "Question", "open_questions"]

_MOST = 2


@dataclass(frozen=True, slots=True)
class Answer:
    """A take that the clip may hold, and what speaks for it, in words."""

    scene: str
    take: str
    basis: str


@dataclass(frozen=True, slots=True)
class Question:
    """Which take does this clip hold?"""

    clip: Clip
    answers: tuple[Answer, ...]
    """The best first, two at most."""


def open_questions(
    clips: Iterable[Clip],
    links: Iterable[TakeLink],
    conflicts: Iterable[Conflict] = (),
    candidates: Mapping[int, Sequence[Answer]] | None = None,
) -> tuple[Question, ...]:
    """The clips with no link that is likely or sure and something to choose from.

    Asked of, in this order: the open links of the clip, `candidates` by clip id (best first), and
    rows whose clip name fits several clips. A clip with nothing to choose from isn't asked about:
    much is shot without a slate. Pure.
    """
    of_clip: defaultdict[int, list[TakeLink]] = defaultdict(list)
    for link in links:
        of_clip[link.clip_id].append(link)
    named: defaultdict[int, list[Answer]] = defaultdict(list)
    for conflict in conflicts:
        if conflict.kind == "which clip":
            for row in conflict.rows:
                basis = f"{said_row(row)} names a clip of this name"
                for number in conflict.clip_ids:
                    named[number].append(Answer(row.scene, row.take, basis))
    found = []
    for clip in clips:
        held = of_clip.get(clip.id, [])
        if clip.facts.kind not in (ClipKind.PICTURE, ClipKind.SOUND):
            continue
        if any(link.sure is not Sure.OPEN for link in held):
            continue
        best: dict[Key, Answer] = {}
        for answer in (
            *(Answer(link.scene, link.take, link.basis) for link in held),
            *(candidates or {}).get(clip.id, ()),
            *named.get(clip.id, ()),
        ):
            best.setdefault(take_of(answer.scene, answer.take), answer)
        if best:
            found.append(Question(clip, tuple(best.values())[:_MOST]))
    return tuple(found)
