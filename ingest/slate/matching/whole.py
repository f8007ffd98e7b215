"""Links clips to takes, says how surely and on what basis, and shows what can't be true.

Pure: clips and log rows in, links and open questions out. In this order:

1. A link set by hand beats all others; its clip gets no other.
2. A log row that names a clip (see `ingest.slate.naming`).
3. A sound file's own iXML, which the recorder wrote.
4. Timecode, for clips that nothing names (see `ingest.slate.matching.by_timecode`).

Whatever contradicts is a `Conflict` in words; it never changes a link silently.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import tzinfo

from ingest.catalog.records import Clip, Rating, SlateRow, Sure, TakeLink
from ingest.media.facts import ClipKind
from ingest.names import shown
from ingest.slate.matching.by_clock import link_by_clock
from ingest.slate.matching.by_name import link_named_rows
from ingest.slate.matching.by_order import link_by_order
from ingest.slate.matching.by_pattern import link_by_pattern
from ingest.slate.matching.by_timecode import link_by_timecode
from ingest.slate.matching.clocks import ClockOffset, ZoneDoubt, doubt_zones
from ingest.slate.matching.doubts import weigh
from ingest.slate.matching.jams import TimecodeOffset
from ingest.slate.names import camera_key, parse_take, scene_key, scene_order, take_order
from ingest.slate.naming import scope_of
from ingest.slate.pool import (
    Conflict,
    Key,
    Pool,
    row_key,
    said_row,
    said_rows,
    said_take,
    sound_take,
    take_of,
)
from ingest.slate.questions import Answer
from ingest.slate.timing import Span, overlap, row_span
from ingest.wording import listed

__all__ = ["Conflict", "Matching", "match"]

_NEAR_ENOUGH = 0.8
"""How near, of 3, a take must come by the clock for a person to be asked about it."""
_SLACK = 2_000_000
"""Microseconds by which a logged time may miss its clip: a hand wrote it."""


@dataclass(frozen=True, slots=True)
class Matching:
    """What came of it. Links set by hand are among the links, as they were."""

    links: tuple[TakeLink, ...]
    rows_without_clip: tuple[SlateRow, ...]
    clips_without_take: tuple[Clip, ...]
    """Pictures and sound only: stills and other files have no take."""
    conflicts: tuple[Conflict, ...]
    clocks: tuple[ClockOffset, ...] = ()
    """How far each camera's clock was off, by day; a clock set anew in the day comes twice."""
    starts: Mapping[int, float] = field(default_factory=dict)
    """By clip id when it started by its own device's clock, in seconds of its own date and time."""
    zones: tuple[ZoneDoubt, ...] = ()
    """What most cameras of a day are off by alike, left out of `clocks`: is the zone right?"""
    timecodes: tuple[TimecodeOffset, ...] = ()
    """How far the timecode of each camera that was never jammed runs from the sound's."""
    candidates: Mapping[int, tuple[Answer, ...]] = field(default_factory=dict)
    """By clip id, for clips whose links are open or none: the two best answers, best first."""


def match(
    clips: Sequence[Clip],
    rows: Sequence[SlateRow],
    earlier_by_hand: Iterable[TakeLink] = (),
    *,
    modified: Mapping[int, int] | None = None,
    zone: tzinfo | None = None,
    day_ends: int = 5,
    names: str | None = None,
) -> Matching:
    """Links all clips of one production to the takes that its log and its sound files name.

    `earlier_by_hand`: links of these clips that a person set; others among them are ignored.
    `modified`: by clip id when its file was last written, nanoseconds since 1970 (UTC). `zone`:
    where the production is. `day_ends`: the hour at which a shoot day ends. `names`: the pattern
    by which files or folders are named for their take, such as `{scene}-{take}`.
    """
    pool = Pool(clips, rows, (link for link in earlier_by_hand if link.by_hand))
    named = link_named_rows(pool)
    _link_sound(pool)
    if names:
        link_by_pattern(pool, names)
    timecodes = link_by_timecode(pool, [row for row in rows if not row.clip])
    laid, starts = link_by_clock(pool, timecodes, modified or {}, zone, day_ends=day_ends)
    clocks, zones = doubt_zones(laid)
    _check_ratings(pool)
    _check_times(pool, named)
    weigh(pool, named)
    link_by_order(pool)
    links = tuple(link for clip in clips for link in _links(pool, clip))
    unmet = _rows_without_clip(pool, named)
    _check_circled(pool, links)
    return Matching(
        links=links,
        rows_without_clip=unmet,
        clips_without_take=tuple(
            clip
            for clip in clips
            if clip.facts.kind in (ClipKind.PICTURE, ClipKind.SOUND) and not pool.keys(clip)
        ),
        conflicts=tuple(pool.conflicts),
        clocks=clocks,
        starts=starts,
        zones=zones,
        timecodes=timecodes.offsets,
        candidates=_candidates(pool, links),
    )


def _candidates(pool: Pool, links: Iterable[TakeLink]) -> dict[int, tuple[Answer, ...]]:
    settled = {link.clip_id for link in links if link.sure is not Sure.OPEN}
    named: dict[Key, tuple[str, str]] = {
        key: (rows[0].scene, rows[0].take) for key, rows in pool.rows_of.items()
    }
    for clip in pool.clips:
        if (told := sound_take(clip)) is not None:
            named.setdefault(take_of(*told), told)
    found = {}
    for clip in pool.clips:
        if clip.id in settled or clip.facts.kind not in (ClipKind.PICTURE, ClipKind.SOUND):
            continue
        answers = {
            key: Answer(claim.scene, claim.take, "; ".join(claim.basis))
            for key, claim in pool.claims.get(clip.id, {}).items()
        }
        for key, near in sorted(pool.candidates.get(clip.id, ()), key=lambda each: -each[1]):
            if key in named and near >= _NEAR_ENOUGH:
                answers.setdefault(key, Answer(*named[key], "ran near it, by the clock"))
        if answers:
            found[clip.id] = tuple(answers.values())[:2]
    return found


# By the recorder ----------------------------------------------------------------------------


def _link_sound(pool: Pool) -> None:
    for clip in pool.clips:
        told = sound_take(clip)
        if told is None or clip.id in pool.hand:
            continue
        scene, take = told
        key = take_of(scene, take)
        logged = dict(pool.claims.get(clip.id, {}))
        pool.claim(clip, scene, take, Sure.SURE, "the recorder wrote it into the file (iXML)")
        if logged and key not in logged:
            for other in (*logged.values(), pool.claims[clip.id][key]):
                other.sure = Sure.OPEN
            said = " and ".join(said_take(each.scene, each.take) for each in logged.values())
            rows = [row for each in logged.values() for row in each.rows]
            words = (
                f"{shown(clip.full_name)}: the recorder says {said_take(scene, take)}, "
                f"{said_row(rows[0])} says {said}"
            )
            pool.conflict("log or sound", words, [clip], rows)


def _check_ratings(pool: Pool) -> None:
    for clip in pool.clips:
        # A file that holds a series has one flag for all its takes: it contradicts none.
        if (told := sound_take(clip)) and len(pool.claims.get(clip.id, ())) == 1:
            _check_rating(pool, clip, *told)


def _check_rating(pool: Pool, clip: Clip, scene: str, take: str) -> None:
    recorded = _recorded_rating(clip)
    row = _row_for(pool, clip, scene, take)
    if recorded and row and row.rating and {recorded, row.rating} == {Rating.CIRCLED, Rating.NG}:
        words = (
            f"{said_take(scene, take)}: the recorder says {recorded.value} "
            f"({shown(clip.full_name)}), {said_row(row)} says {row.rating.value}"
        )
        pool.conflict("log or sound", words, [clip], [row])


def _recorded_rating(clip: Clip) -> Rating | None:
    sound = clip.facts.sound
    if sound is None:
        return None
    if sound.circled:
        return Rating.CIRCLED
    return Rating.NG if "NO_GOOD" in sound.take_type else None


# Checks -------------------------------------------------------------------------------------


def _check_times(pool: Pool, named: dict[int, tuple[Clip, SlateRow]]) -> None:
    """Logged times against the clips that rows name, and rows of one clip against each other."""
    rows_of: defaultdict[int, list[SlateRow]] = defaultdict(list)
    clip_of = {clip.id: clip for clip, _ in named.values()}
    for clip, row in named.values():
        rows_of[clip.id].append(row)
        told, span = row_span(row, clip), pool.spans.get(clip.id)
        if told and span and not overlap(told, Span(span.start - _SLACK, span.end + _SLACK)):
            words = (
                f"{said_row(row)} has {said_take(row.scene, row.take)} at {row.start_timecode}, "
                f"but {shown(clip.full_name)} starts at {clip.facts.start_timecode} and does not "
                "run then"
            )
            pool.conflict("time", words, [clip], [row])
            _doubt(pool, clip, row)
    for clip_id, rows in rows_of.items():
        clip = clip_of[clip_id]
        for index, one in enumerate(rows):
            for other in rows[index + 1 :]:
                _check_pair(pool, clip, one, other)


def _check_pair(pool: Pool, clip: Clip, one: SlateRow, other: SlateRow) -> None:
    """Two rows that name one clip: a series, unless they can't both lie in it."""
    if row_key(one) == row_key(other):
        return
    both = f"{said_take(one.scene, one.take)} and {said_take(other.scene, other.take)}"
    where = said_rows(one, other)
    first, second = row_span(one, clip), row_span(other, clip)
    if first and second and first.length and second.length:
        if overlap(first, second) > _SLACK:
            words = f"{where} put {both} into {shown(clip.full_name)} at the same time"
            pool.conflict("overlap", words, [clip], [one, other])
            _doubt(pool, clip, one)
            _doubt(pool, clip, other)
    elif scene_key(one.scene) != scene_key(other.scene):
        words = f"{where} put {both} into {shown(clip.full_name)}: is one clip number wrong?"
        pool.conflict("scene", words, [clip], [one, other])
        _doubt(pool, clip, one)
        _doubt(pool, clip, other)


def _doubt(pool: Pool, clip: Clip, row: SlateRow) -> None:
    claim = pool.claims.get(clip.id, {}).get(row_key(row))
    if claim is not None and claim.sure is Sure.SURE:
        claim.sure = Sure.LIKELY


def _check_circled(pool: Pool, links: Iterable[TakeLink]) -> None:
    linked = {take_of(link.scene, link.take) for link in links}
    for key, rows in pool.rows_of.items():
        circled = [row for row in rows if row.rating is Rating.CIRCLED]
        if circled and key not in linked and parse_take(circled[0].take).has_picture:
            row = circled[0]
            rolls = listed(list(dict.fromkeys(one.roll for one in circled if one.roll)))
            words = (
                f"{said_take(row.scene, row.take)} is circled ({said_row(row)}) and no clip "
                f"holds it: was it recorded, and has its card{f' ({rolls})' if rolls else ''} "
                "come in?"
            )
            pool.conflict("no clip", words, (), circled)


# Out ----------------------------------------------------------------------------------------


def _links(pool: Pool, clip: Clip) -> list[TakeLink]:
    if clip.id in pool.hand:
        return pool.hand[clip.id]
    made = []
    for claim in pool.claims.get(clip.id, {}).values():
        row = next(iter(claim.rows), None) or _row_for(pool, clip, claim.scene, claim.take)
        rating = row.rating if row else None
        made.append(
            TakeLink(
                clip_id=clip.id,
                scene=row.scene if row else claim.scene,
                take=row.take if row else claim.take,
                shot=row.shot if row else None,
                rating=rating or _recorded_rating(clip),
                sure=claim.sure,
                basis="; ".join(claim.basis),
                note=(row.note if row else None)
                or (clip.facts.sound.note if clip.facts.sound else None),
            )
        )
    return sorted(made, key=lambda link: (scene_order(link.scene), take_order(link.take)))


def _row_for(pool: Pool, clip: Clip, scene: str, take: str) -> SlateRow | None:
    """The log's row of this take: of the clip's own camera, else of no camera, else any."""
    rows = [
        row
        for row in pool.rows_of.get(take_of(scene, take), ())
        if row.day is None or row.day == clip.roll.day
    ]
    own = camera_key(clip.roll.camera) if clip.roll.camera else ""
    for row in rows:
        if row.camera and camera_key(row.camera) == own:
            return row
    return next((row for row in rows if not row.camera), rows[0] if rows else None)


def _rows_without_clip(pool: Pool, named: dict[int, tuple[Clip, SlateRow]]) -> tuple[SlateRow, ...]:
    holders: defaultdict[Key, list[Clip]] = defaultdict(list)
    for clip in pool.clips:
        for key in pool.keys(clip):
            holders[key].append(clip)
    unmet = []
    for place, row in enumerate(pool.rows):
        if place in named:
            continue
        held = holders[row_key(row)]
        if row.clip:  # it names a clip that isn't there, unless a person has said which it is
            held = [clip for clip in held if clip.id in pool.hand]
        elif not parse_take(row.take).has_picture:
            row = replace(row, camera=None)  # sound has no camera, whatever stands in the log
        if not any(not scope_of(row, clip).denied or clip.id in pool.hand for clip in held):
            unmet.append(pool.rows[place])
    return tuple(unmet)
