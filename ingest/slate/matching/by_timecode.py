"""Links clips that nothing names, by the timecode that they share with takes.

Takes with a time are log rows with a start timecode and sound files whose recorder wrote scene
and take. Timecode is believed only where it ran on between clips and doesn't contradict what
the log says about other clips of that camera and day.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from ingest.catalog.records import Clip, SlateRow, Sure
from ingest.media.facts import ClipKind
from ingest.names import shown
from ingest.slate.matching.jams import FEWEST, Timecodes, lay_timecodes, told_timecodes
from ingest.slate.names import camera_key, parse_take
from ingest.slate.naming import scope_of
from ingest.slate.pool import Key, Met, Pool, row_key, said_row, said_take, sound_take, take_of
from ingest.slate.timing import Span, free_running, overlap, row_span

__all__ = ["link_by_timecode"]


@dataclass(frozen=True, slots=True)
class _Take:
    """A take that has a time: from a row or from a sound file."""

    scene: str
    take: str
    key: Key
    row: SlateRow | None = None
    sound: Clip | None = None

    @property
    def said(self) -> str:
        if self.row is not None:
            return said_row(self.row)
        assert self.sound is not None
        return f"sound file {shown(self.sound.full_name)}"


@dataclass(frozen=True, slots=True)
class _Meeting:
    """A clip and a take that ran at the same time."""

    clip: Clip
    take: _Take
    amount: int
    """Microseconds that both ran."""
    share: float
    """Of the shorter of the two; 0 where the take is only a moment."""


def link_by_timecode(pool: Pool, rows: Sequence[SlateRow]) -> Timecodes:
    """Claims takes for clips by overlapping timecode, and notes what contradicts.

    A camera whose timecode ran free but was never jammed is laid on the sound's first. `rows`:
    those of the pool's rows that name no clip. Sure only where one clip of a camera and one take
    share more than half of the shorter one and meet nobody else; likely otherwise.
    """
    sounds = _sound_takes(pool)
    for takes in sounds.values():
        for take in takes:
            _link_sound_series(pool, take)
    contested = _log_against_sound(pool, sounds)
    groups: defaultdict[tuple[str, int], list[Clip]] = defaultdict(list)
    for clip in pool.clips:
        if clip.facts.kind is ClipKind.PICTURE:
            roll = clip.roll
            camera = camera_key(roll.camera) if roll.camera else f"roll {roll.name}"
            groups[camera, roll.day].append(clip)
    timed = [row for row in rows if row.start_timecode and parse_take(row.take).has_picture]
    days = {at: _days_of(pool, row) for at, row in enumerate(timed) if row.day is None}
    laid = lay_timecodes(pool, groups)
    for (camera, day), clips in groups.items():
        takes = [_Take(row.scene, row.take, row_key(row), row=row) for row in timed]
        usable = [
            take
            for place, take in enumerate(takes)
            if (timed[place].day == day or days.get(place) == {day})
        ]
        is_laid = (camera, day) in laid
        _link_group(pool, clips, usable, sounds.get(day, []), contested, is_laid=is_laid)
    for place, found in days.items():
        if len(found) > 1:
            row = timed[place]
            words = (
                f"{said_row(row)}: clips of days {', '.join(map(str, sorted(found)))} ran at "
                f"{row.start_timecode}: write the day into the log"
            )
            pool.conflict("which clip", words, (), [row])
    _link_plain_sound(pool)
    return told_timecodes(pool, laid)


def _sound_takes(pool: Pool) -> dict[int, list[_Take]]:
    """Takes with picture, by shoot day, from sound files that have a time."""
    takes: defaultdict[int, list[_Take]] = defaultdict(list)
    for clip in pool.clips:
        told = sound_take(clip)
        if told is None or clip.id not in pool.spans or clip.id in pool.wild:
            continue
        takes[clip.roll.day].append(_Take(*told, take_of(*told), sound=clip))
    return takes


def _link_sound_series(pool: Pool, take: _Take) -> None:
    """A sound file that ran through several takes of its scene bears the name of one of them.

    Where the log's row of that take lies in it by time, so do the scene's other rows that do.
    """
    assert take.sound is not None
    clip, own = take.sound, pool.spans[take.sound.id]
    if clip.id in pool.hand:
        return
    inside: list[SlateRow] = []
    for row in pool.rows:
        if row_key(row)[0] != take.key[0] or row.mos or not parse_take(row.take).has_picture:
            continue
        told = row_span(row, clip)
        if row.day in (None, clip.roll.day) and told and 2 * overlap(told, own) > told.length > 0:
            inside.append(row)
    if any(row_key(row) == take.key for row in inside):
        for row in inside:
            if row_key(row) != take.key:
                basis = f"a series: {said_row(row)} lies in it by its timecode"
                pool.claim(clip, row.scene, row.take, Sure.LIKELY, basis, row)


def _days_of(pool: Pool, row: SlateRow) -> set[int]:
    """The shoot days on which a clip ran at the row's time, for a row that doesn't say the day."""
    return {
        clip.roll.day
        for clip in pool.clips
        if clip.facts.kind is ClipKind.PICTURE
        and clip.id in pool.spans
        and not scope_of(row, clip).denied
        and (told := row_span(row, clip))
        and overlap(told, pool.spans[clip.id])
    }


def _link_group(
    pool: Pool,
    clips: Sequence[Clip],
    logged: Sequence[_Take],
    sounds: Sequence[_Take],
    contested: set[Key],
    *,
    is_laid: bool,
) -> None:
    """One camera on one day. `is_laid`: how its timecode runs to the sound's is known."""
    running = free_running(clips)
    timed = [clip for clip in clips if clip.id in running]
    by_sound = [meeting for take in sounds for meeting in _meetings(pool, timed, take)]
    if not is_laid and _is_unlikely(timed, sounds, by_sound):
        by_sound = []
    trust = _compare_with_log(pool, timed, by_sound)
    if trust is None:
        by_sound = []
    by_log = [meeting for take in logged for meeting in _meetings(pool, timed, take)]
    meetings = by_log + by_sound
    met = {meeting.clip.id for meeting in meetings}
    at_most = Sure.SURE if trust is not False and 2 * len(met) >= len(timed) else Sure.LIKELY
    known = {clip.id for clip in timed if pool.keys(clip)}
    for meeting in _chosen(meetings):
        take = meeting.take
        alone = _is_alone(meeting, meetings)
        if at_most is Sure.SURE and meeting.share > 0.5:
            of_clip = pool.met[meeting.clip.id]
            if take.key not in of_clip or take.sound is not None:
                of_clip[take.key] = Met(take.scene, take.take, take.sound, alone)
        if meeting.clip.id in known and not _is_more_of_it(pool, meeting):
            continue
        alone = alone and meeting.clip.id not in known
        sure = at_most if alone else Sure.LIKELY
        if take.key in contested:
            sure = Sure.OPEN
        amount = f"{meeting.share:.0%} of the shorter" if meeting.share else "its start"
        basis = f"timecode shared with {take.said} ({amount})"
        pool.claim(meeting.clip, take.scene, take.take, sure, basis, take.row)


def _meetings(pool: Pool, clips: Sequence[Clip], take: _Take) -> list[_Meeting]:
    found = []
    for clip in clips:
        span = _span_of(pool, take, clip)
        if span is None:
            continue
        own = pool.spans[clip.id]
        if take.sound is not None:
            own = pool.shifted.get(clip.id, own)
        amount = overlap(own, span)
        if take.row is not None and clip.id in pool.shifted:
            # The log tells the camera's timecode or the sound's: whichever fits.
            amount = max(amount, overlap(pool.shifted[clip.id], span))
        if amount and not (take.row is not None and scope_of(take.row, clip).denied):
            shorter = min(own.length, span.length)
            found.append(_Meeting(clip, take, amount, amount / shorter if shorter else 0.0))
    return found


def _span_of(pool: Pool, take: _Take, clip: Clip) -> Span | None:
    if take.row is not None:
        return row_span(take.row, clip)
    assert take.sound is not None
    return pool.spans[take.sound.id]


def _is_unlikely(
    clips: Sequence[Clip], sounds: Sequence[_Take], meetings: Sequence[_Meeting]
) -> bool:
    """Enough of both to lay one on the other, nothing that fits, and few clips on any sound:
    what meets does by chance."""
    if len(clips) < FEWEST or len(sounds) < FEWEST:
        return False
    met = {meeting.clip.id for meeting in meetings if meeting.share > 0.8}
    return 2 * len(met) < len(clips)


def _chosen(meetings: Sequence[_Meeting]) -> list[_Meeting]:
    """For each take the clips that hold more than half of the shorter, else the one most of all.

    A clip that only brushes a take, because somebody was slow to cut, doesn't hold it as long as
    it meets another one for more than half.
    """
    of_take: defaultdict[int, list[_Meeting]] = defaultdict(list)
    for meeting in meetings:
        of_take[id(meeting.take)].append(meeting)
    held = {meeting.clip.id for meeting in meetings if meeting.share > 0.5}
    chosen = []
    for found in of_take.values():
        most = [meeting for meeting in found if meeting.share > 0.5]
        if not most:
            most = [max(found, key=lambda meeting: meeting.amount)]
            most = [each for each in most if each.clip.id not in held or not each.share]
        chosen.extend(most)
    return chosen


def _is_more_of_it(pool: Pool, meeting: _Meeting) -> bool:
    """Another take of a series, in a clip that the log names for one of its takes only."""
    claims = pool.claims.get(meeting.clip.id, {})
    if meeting.clip.id in pool.hand or meeting.share <= 0.5 or meeting.take.key in claims:
        return False
    return any(scene == meeting.take.key[0] for scene, _ in claims)


def _is_alone(meeting: _Meeting, meetings: Sequence[_Meeting]) -> bool:
    """The take meets no other clip of the camera, the clip no other take, for more than half."""
    if meeting.share <= 0.5:
        return False
    return not any(
        (other.take is meeting.take and other.clip.id != meeting.clip.id)
        or (other.clip.id == meeting.clip.id and other.take.key != meeting.take.key)
        for other in meetings
    )


def _compare_with_log(
    pool: Pool, clips: Sequence[Clip], by_sound: Sequence[_Meeting]
) -> bool | None:
    """Does the timecode shared with sound say what the log says about clips that it names?

    True where it does or nothing can be compared, False where in doubt, None where it speaks
    against the log more often than for it: then this camera's timecode is not the sound's.
    """
    agree: list[Clip] = []
    against: list[tuple[Clip, list[_Meeting]]] = []
    for clip in clips:
        keys = pool.keys(clip)
        heard = [each for each in by_sound if each.clip.id == clip.id and each.share > 0.5]
        if not keys or not heard:
            continue
        if any(meeting.take.key in keys for meeting in heard):
            agree.append(clip)
        elif not _is_mute(pool, clip):
            against.append((clip, heard))
    if len(against) >= 2 and len(against) > len(agree):
        roll = clips[0].roll
        camera = f"camera {shown(roll.camera)}" if roll.camera else f"roll {shown(roll.name)}"
        words = (
            f"{camera}, day {roll.day}: its timecode does not run with the sound's "
            f"({len(against)} of {len(against) + len(agree)} logged clips meet another take's "
            "sound), so it was not used"
        )
        pool.conflict("timecode", words, [clip for clip, _ in against])
        return None
    for clip, heard in against:
        _say_against(pool, clip, heard)
    return not against or len(agree) > len(against)


def _is_mute(pool: Pool, clip: Clip) -> bool:
    return any(row.mos for claim in pool.claims.get(clip.id, {}).values() for row in claim.rows)


def _say_against(pool: Pool, clip: Clip, heard: Sequence[_Meeting]) -> None:
    claims = list(pool.claims.get(clip.id, {}).values())
    if not claims:
        return  # set by hand: the person's word stands
    rows = [row for claim in claims for row in claim.rows]
    told = " and ".join(said_take(claim.scene, claim.take) for claim in claims)
    sound = heard[0].take
    who = said_row(rows[0]) if rows else "the log"
    words = (
        f"{shown(clip.full_name)}: {who} says {told}, but the sound recorded at its timecode "
        f"({sound.said}) says {said_take(sound.scene, sound.take)}"
    )
    pool.conflict("log or sound", words, [clip], rows)
    for claim in claims:
        if claim.sure is Sure.SURE:
            claim.sure = Sure.LIKELY


def _log_against_sound(pool: Pool, sounds: dict[int, list[_Take]]) -> set[Key]:
    """Rows without a clip whose time is that of a sound file with another name: both takes."""
    contested: set[Key] = set()
    for row in pool.rows:
        if row.clip or row.mos or not row.end_timecode or not parse_take(row.take).has_picture:
            continue
        heard = []
        for day, takes in sounds.items():
            if row.day not in (None, day):
                continue
            for take in takes:
                assert take.sound is not None
                told, span = row_span(row, take.sound), pool.spans[take.sound.id]
                if told and 2 * overlap(told, span) > min(told.length, span.length) > 0:
                    heard.append(take)
        if not heard or any(
            take.sound is not None and row_key(row) in pool.keys(take.sound) for take in heard
        ):
            continue
        if row.day is None and len(sounds) > 1:
            continue  # any day's timecode fits: proves nothing
        contested |= {row_key(row), *(take.key for take in heard)}
        words = (
            f"{said_row(row)} says {said_take(row.scene, row.take)} at {row.start_timecode}, but "
            f"{heard[0].said} says {said_take(heard[0].scene, heard[0].take)}"
        )
        clips = [take.sound for take in heard if take.sound is not None]
        pool.conflict("log or sound", words, clips, [row])
    return contested


def _link_plain_sound(pool: Pool) -> None:
    """Sound files without scene and take, by the log's times: likely, where only one take fits."""
    for clip in pool.clips:
        if clip.facts.kind is not ClipKind.SOUND or pool.keys(clip):
            continue
        own = pool.spans.get(clip.id)
        if own is None:
            continue
        fitting = []
        for row in pool.rows:
            told = row_span(row, clip)
            if told and row.day in (None, clip.roll.day) and not row.mos:
                shorter = min(told.length, own.length)
                if shorter and 2 * overlap(told, own) > shorter:
                    fitting.append(row)
        if len({row_key(row) for row in fitting}) == 1:
            row = fitting[0]
            basis = f"timecode shared with {said_row(row)}"
            pool.claim(clip, row.scene, row.take, Sure.LIKELY, basis, row)
