"""What is known while clips are matched to takes: claims, their grounds, what contradicts."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache

from ingest.catalog.records import Clip, SlateRow, Sure, TakeLink
from ingest.media.facts import ClipKind
from ingest.names import shown
from ingest.slate.names import parse_take, scene_key, take_key
from ingest.slate.timing import Span, clip_span

__all__ = [
    "Claim",
    "Conflict",
    "Key",
    "Met",
    "Pool",
    "row_key",
    "said_row",
    "said_rows",
    "said_take",
    "sound_take",
    "take_of",
]

Key = tuple[str, str]
"""Scene and take in the form in which they are compared."""

_SURENESS = {Sure.OPEN: 0, Sure.LIKELY: 1, Sure.SURE: 2}


@dataclass(frozen=True, slots=True)
class Conflict:
    """Two things that can't both be true, or one that asks for an answer."""

    kind: str
    """which clip, wrong roll, time, overlap, scene, log or sound, timecode, no clip; slip, same
    letter, two sounds, one camera (see `ingest.slate.conflicts`)."""
    words: str
    """In words, foreign names already shown safely."""
    clip_ids: tuple[int, ...] = ()
    rows: tuple[SlateRow, ...] = ()
    do: str = ""
    """The likely remedy, in words; empty where there is none to offer."""


@dataclass(slots=True)
class Claim:
    """A take that a clip seems to hold, while the evidence for it is gathered."""

    scene: str
    take: str
    sure: Sure
    basis: list[str]
    rows: list[SlateRow] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Met:
    """A take that a clip ran with, by timecode or by a clock whose offset is known."""

    scene: str
    take: str
    sound: Clip | None
    """The sound file that says which take it is; None where only a log does."""
    alone: bool
    """Nothing else of that camera ran with the take, nor the clip with another take."""


class Pool:
    """Clips, rows, and what is claimed so far."""

    def __init__(
        self, clips: Sequence[Clip], rows: Sequence[SlateRow], by_hand: Iterable[TakeLink]
    ) -> None:
        self.clips = tuple(clips)
        self.rows = tuple(rows)
        self.hand: defaultdict[int, list[TakeLink]] = defaultdict(list)
        for link in by_hand:
            self.hand[link.clip_id].append(link)
        self.claims: defaultdict[int, dict[Key, Claim]] = defaultdict(dict)
        self.conflicts: list[Conflict] = []
        self.spans: dict[int, Span] = {
            clip.id: span for clip in clips if (span := clip_span(clip)) is not None
        }
        self.shifted: dict[int, Span] = {}
        """By clip id, where a clip whose timecode was never jammed ran on the sound's axis."""
        self.met: defaultdict[int, dict[Key, Met]] = defaultdict(dict)
        """By clip id, the takes that it ran with."""
        self.candidates: defaultdict[int, list[tuple[Key, float]]] = defaultdict(list)
        """By clip id, takes that came near, with how near: the more the better."""
        self.wild = frozenset(clip.id for clip in clips if _is_wild(clip))
        """Sound without picture: wild tracks and room tone."""
        self.rows_of: defaultdict[Key, list[SlateRow]] = defaultdict(list)
        for row in rows:
            self.rows_of[row_key(row)].append(row)

    def claim(
        self, clip: Clip, scene: str, take: str, sure: Sure, basis: str, row: SlateRow | None = None
    ) -> None:
        """One more ground for a clip to hold a take; the surest of them counts."""
        key = take_of(scene, take)
        claim = self.claims[clip.id].get(key)
        if claim is None:
            claim = self.claims[clip.id][key] = Claim(scene, take, sure, [])
        if _SURENESS[sure] > _SURENESS[claim.sure]:
            claim.sure = sure
            claim.basis.insert(0, basis)
        elif basis not in claim.basis:
            claim.basis.append(basis)
        if row is not None and row not in claim.rows:
            claim.rows.append(row)

    def keys(self, clip: Clip) -> set[Key]:
        """The takes that the clip is known to hold, by hand or claimed."""
        by_hand = {take_of(link.scene, link.take) for link in self.hand.get(clip.id, ())}
        return by_hand | set(self.claims.get(clip.id, ()))

    def conflict(
        self, kind: str, words: str, clips: Sequence[Clip] = (), rows: Sequence[SlateRow] = ()
    ) -> None:
        found = Conflict(kind, words, tuple(clip.id for clip in clips), tuple(rows))
        if found not in self.conflicts:
            self.conflicts.append(found)


def _is_wild(clip: Clip) -> bool:
    sound = clip.facts.sound
    if clip.facts.kind is not ClipKind.SOUND or sound is None:
        return False
    return "WILD_TRACK" in sound.take_type or not parse_take(sound.take or "").has_picture


@lru_cache(maxsize=16_384)
def take_of(scene: str, take: str) -> Key:
    """The key of a take."""
    return scene_key(scene), take_key(take)


def row_key(row: SlateRow) -> Key:
    """The key of the take that a row logs."""
    return take_of(row.scene, row.take)


def said_take(scene: str, take: str) -> str:
    """`12A take 3`, `12A WT2`: a take as a person says it, names shown safely."""
    word = "" if parse_take(take).kind.value in ("wild track", "room tone") else "take "
    return f"{shown(scene)} {word}{shown(take)}"


def said_row(row: SlateRow) -> str:
    """`day1.csv row 5`."""
    return f"{shown(row.log)} row {row.row}" if row.log else f"row {row.row}"


def said_rows(one: SlateRow, other: SlateRow) -> str:
    """`day1.csv row 5 and row 8`; the second log is named where it is another one."""
    return f"{said_row(one)} and {f'row {other.row}' if one.log == other.log else said_row(other)}"


def sound_take(clip: Clip) -> tuple[str, str] | None:
    """Scene and take that a recorder wrote into its file, where it wrote both."""
    sound = clip.facts.sound
    if clip.facts.kind is not ClipKind.SOUND or sound is None:
        return None
    scene, take = (sound.scene or "").strip(), (sound.take or "").strip()
    return (scene, take) if scene and take else None
