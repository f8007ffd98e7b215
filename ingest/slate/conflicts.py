"""What can't all be true of clips, log, sound and plan: shown to a person, never settled silently.

    find_conflicts(clips, rows, links, planned)

It looks at the links as they stand, however they were made, so that the matching, the end of the
day and the report all say the same. Wild tracks, room tone and MOS are what they are: never a
conflict for what they lack.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence

from ingest.catalog.records import Clip, Mark, PlannedShot, SlateRow, TakeLink
from ingest.media.facts import ClipKind
from ingest.names import shown, typed
from ingest.slate.coverage import Covered, coverage
from ingest.slate.names import camera_key, parse_take, scene_key, take_key
from ingest.slate.pool import (
    Conflict,
    Key,
    row_key,
    said_row,
    said_rows,
    said_take,
    sound_take,
    take_of,
)
from ingest.slate.slips import likely_slips, slip_cost, without_i_and_o
from ingest.slate.timing import Span, clip_span, free_running, overlap

__all__ = ["find_conflicts"]

_SLIP = {
    "letter": "one letter is the likelier slip than a digit",
    "digits swapped": "two digits may have changed places",
    "digit": "a digit may be wrong",
    "take": "the take's number breaks the run",
}


def find_conflicts(
    clips: Sequence[Clip],
    rows: Sequence[SlateRow],
    links: Iterable[TakeLink],
    planned: Sequence[PlannedShot] = (),
    *,
    known: Sequence[Conflict] = (),
) -> tuple[Conflict, ...]:
    """What contradicts, in one production. `known`: conflicts that were found on the way to these
    links; what is among them already is not told twice. Pure."""
    links = tuple(links)
    found = [
        *_slips(rows, links),
        *_letters(rows, links, planned),
        *_log_or_sound(clips, rows, links),
        *_twice_recorded(clips, links),
        *_twice_logged(rows),
        *_two_bodies(clips),
        *_one_camera(clips, rows, links, planned),
    ]
    return tuple(one for one in found if not any(_covers(other, one) for other in known))


def _covers(known: Conflict, found: Conflict) -> bool:
    """Both are of one kind, and of the same clips or rows."""
    if known.kind != found.kind:
        return False
    return bool(set(known.clip_ids) & set(found.clip_ids)) or any(
        row in known.rows for row in found.rows
    )


# The log by itself --------------------------------------------------------------------------


def _slips(rows: Sequence[SlateRow], links: Sequence[TakeLink]) -> Iterator[Conflict]:
    by_hand = {take_of(link.scene, link.take) for link in links if link.by_hand}
    slips = likely_slips(rows)
    for number, slip in enumerate(slips):
        row = slip.row
        if row_key(row) in by_hand:  # a person has said that this take is right
            continue
        if number and (slips[number - 1].row.log, row_key(slips[number - 1].row)) == (
            row.log,
            row_key(row),
        ):
            continue  # another camera of the same take
        meant = said_take(slip.scene, slip.take)
        yield Conflict(
            "slip",
            f"{said_row(row)} says {said_take(row.scene, row.take)} where {meant} would follow: "
            f"{_SLIP[slip.kind]}",
            rows=(row,),
            do=f"if {meant} was meant, write it into {said_row(row)}",
        )


def _letters(
    rows: Sequence[SlateRow], links: Sequence[TakeLink], planned: Sequence[PlannedShot]
) -> Iterator[Conflict]:
    """A scene with the letter I or O, where the same with 1 or 0 is a scene of its own."""
    names = [row.scene for row in rows] + [shot.scene for shot in planned]
    scenes = {scene_key(name): name for name in (*names, *(link.scene for link in links))}
    told: set[str] = set()
    for row in rows:
        meant = without_i_and_o(row.scene)
        if meant is None or meant not in scenes or scene_key(row.scene) in told:
            continue
        told.add(scene_key(row.scene))
        yield Conflict(
            "slip",
            f"{said_row(row)} says scene {shown(row.scene)}, and there is a scene "
            f"{shown(scenes[meant])}: set-up letters leave out I and O, which read as 1 and 0",
            rows=(row,),
            do=f"if {shown(scenes[meant])} was meant, write it into {said_row(row)}",
        )


def _twice_logged(rows: Sequence[SlateRow]) -> Iterator[Conflict]:
    """One take on one camera letter and two rolls, with no times to tell why."""
    told: defaultdict[object, list[SlateRow]] = defaultdict(list)
    for row in rows:
        again = {Mark.FALSE_START, Mark.PICK_UP} & set(row.marks)
        if row.camera and row.roll and not again and not row.start_timecode and not row.start_clock:
            told[row_key(row), row.day, camera_key(row.camera)].append(row)
    for some in told.values():
        if len({(row.roll or "").casefold() for row in some}) > 1:
            one, other = some[0], next(row for row in some if row.roll != some[0].roll)
            yield Conflict(
                "same letter",
                f"{said_rows(one, other)} have {said_take(one.scene, one.take)} on "
                f"camera {shown(one.camera or '')} twice, on {shown(one.roll or '')} and "
                f"{shown(other.roll or '')}: do two cameras bear one letter?",
                rows=(one, other),
                do="give each camera a letter of its own in the log",
            )


# Log and recorder ---------------------------------------------------------------------------


def _log_or_sound(
    clips: Sequence[Clip], rows: Sequence[SlateRow], links: Sequence[TakeLink]
) -> Iterator[Conflict]:
    """A picture that the log gives one take, and sound that ran with it and says another."""
    of_clip: defaultdict[int, dict[Key, TakeLink]] = defaultdict(dict)
    for link in links:
        of_clip[link.clip_id][take_of(link.scene, link.take)] = link
    mute = {row_key(row) for row in rows if row.mos}
    logged: defaultdict[Key, list[SlateRow]] = defaultdict(list)
    for row in rows:
        logged[row_key(row)].append(row)
    sounds = _sounds_with_takes(clips)
    for clip, span in _running_pictures(clips):
        takes = of_clip.get(clip.id, {})
        if not takes or any(link.by_hand for link in takes.values()) or set(takes) <= mute:
            continue
        beside = [
            (sound, key)
            for sound, key, heard in sounds.get(clip.roll.day, ())
            if _mostly_together(span, heard)
        ]
        if not beside or any(key in takes for _, key in beside):
            continue
        sound, key = beside[0]
        link = next(iter(takes.values()))
        told = [
            row
            for row in logged[take_of(link.scene, link.take)]
            if row.day in (None, clip.roll.day)
        ]
        if not told:
            continue
        recorder = sound_take(sound)
        assert recorder is not None
        scene, take = recorder
        what = (
            f"{shown(clip.full_name)}: {said_row(told[0])} says "
            f"{said_take(link.scene, link.take)}, the sound that ran with it "
            f"({shown(sound.full_name)}) says {said_take(scene, take)}"
        )
        do = "look at the slate in the picture, and correct the one that is wrong"
        if key[1] == take_key(link.take) and slip_cost(scene, link.scene) == 1:
            what += f"; {_SLIP['letter']}"
            meant = said_take(scene, take)
            do = f"if the slate in the picture says {meant}, write it into {said_row(told[0])}"
        yield Conflict("log or sound", what, (clip.id, sound.id), (told[0],), do)


def _sounds_with_takes(clips: Sequence[Clip]) -> dict[int, list[tuple[Clip, Key, Span]]]:
    found: defaultdict[int, list[tuple[Clip, Key, Span]]] = defaultdict(list)
    for clip in clips:
        told, span = sound_take(clip), clip_span(clip)
        if told is not None and span is not None and parse_take(told[1]).has_picture:
            assert clip.facts.sound is not None
            if "WILD_TRACK" not in clip.facts.sound.take_type:
                found[clip.roll.day].append((clip, take_of(*told), span))
    return found


def _running_pictures(clips: Sequence[Clip]) -> Iterator[tuple[Clip, Span]]:
    """Pictures whose timecode ran on between the clips of their camera and day."""
    of_camera: defaultdict[object, list[Clip]] = defaultdict(list)
    for clip in clips:
        if clip.facts.kind is ClipKind.PICTURE:
            of_camera[clip.roll.day, camera_key(clip.roll.camera or clip.roll.name)].append(clip)
    for some in of_camera.values():
        running = free_running(some)
        for clip in some:
            span = clip_span(clip)
            if clip.id in running and span is not None:
                yield clip, span


# Clips against clips ------------------------------------------------------------------------


def _twice_recorded(clips: Sequence[Clip], links: Sequence[TakeLink]) -> Iterator[Conflict]:
    """One take on two clips of one camera letter, or of two recordings, that ran together."""
    by_id = {clip.id: clip for clip in clips}
    holders: defaultdict[object, list[tuple[Clip, TakeLink]]] = defaultdict(list)
    for link in links:
        clip = by_id.get(link.clip_id)
        if clip is None or link.by_hand:
            continue
        key = take_of(link.scene, link.take)
        if clip.facts.kind is ClipKind.PICTURE and clip.roll.camera:
            holders[key, clip.roll.day, camera_key(clip.roll.camera)].append((clip, link))
        elif clip.facts.kind is ClipKind.SOUND:
            holders[key, clip.roll.day, ClipKind.SOUND].append((clip, link))
    for some in holders.values():
        for at, (one, link) in enumerate(some):
            for other, _ in some[at + 1 :]:
                if not _together(one, other):
                    continue
                take = said_take(link.scene, link.take)
                both = f"{shown(one.full_name)} and {shown(other.full_name)}"
                if one.facts.kind is ClipKind.SOUND:
                    if _same_recording(one, other):
                        continue
                    yield Conflict(
                        "two sounds",
                        f"{both} both say {take} and ran at the same time: which is its sound?",
                        (one.id, other.id),
                        do="name the right one with ingest slate set, or keep both recorders",
                    )
                elif one.roll.id != other.roll.id:
                    yield Conflict(
                        "same letter",
                        f"{take} is on {both} at the same time, both of camera "
                        f"{shown(one.roll.camera or '')}: do two cameras bear one letter?",
                        (one.id, other.id),
                        do=f"ingest rolls set {typed(other.roll.name)} --camera LETTER",
                    )


def _together(one: Clip, other: Clip) -> bool:
    first, second = clip_span(one), clip_span(other)
    if first is None or second is None:
        return False
    return _mostly_together(first, second)


def _mostly_together(one: Span, other: Span) -> bool:
    """More than half of the shorter one ran while the other did."""
    apart = (other.start - one.start) % one.day
    if one.length <= apart <= one.day - other.length:  # soon said of most pairs
        return False
    return 2 * overlap(one, other) > min(one.length, other.length)


def _same_recording(one: Clip, other: Clip) -> bool:
    """Parts of one recording (a file a track) share iXML's FAMILY_UID."""
    first, second = one.facts.sound, other.facts.sound
    return bool(first and second and first.family_uid and first.family_uid == second.family_uid)


def _two_bodies(clips: Sequence[Clip]) -> Iterator[Conflict]:
    """Two serial numbers under one letter on one day, turn by turn: not one body for another."""
    bodies: defaultdict[tuple[int, str], defaultdict[str, list[Clip]]] = defaultdict(
        lambda: defaultdict(list)
    )
    for clip in clips:
        serial = (clip.facts.camera_serial or "").strip()
        if clip.facts.kind is ClipKind.PICTURE and clip.roll.camera and serial:
            bodies[clip.roll.day, camera_key(clip.roll.camera)][serial].append(clip)
    for (day, _), of_serial in sorted(bodies.items()):
        if len(of_serial) < 2:
            continue
        (one, first), (other, second) = list(of_serial.items())[:2]
        if _one_after_the_other(first, second):
            continue
        letter = shown(first[0].roll.camera or "")
        yield Conflict(
            "same letter",
            f"day {day}: camera {letter} is two bodies that worked at the same time, serial "
            f"{shown(one)} ({shown(first[0].roll.name)}) and {shown(other)} "
            f"({shown(second[0].roll.name)}): do two cameras bear one letter?",
            (first[0].id, second[0].id),
            do=f"ingest rolls set {typed(second[0].roll.name)} --camera LETTER",
        )


def _one_after_the_other(first: Sequence[Clip], second: Sequence[Clip]) -> bool:
    ranges = []
    for some in (first, second):
        spans = [span for clip in some if (span := clip_span(clip))]
        if len(spans) < len(some):
            return False
        ranges.append((min(span.start for span in spans), max(span.end for span in spans)))
    (start, end), (begin, finish) = ranges
    return end <= begin or finish <= start


# Against the plan ---------------------------------------------------------------------------


def _one_camera(
    clips: Sequence[Clip],
    rows: Sequence[SlateRow],
    links: Sequence[TakeLink],
    planned: Sequence[PlannedShot],
) -> Iterator[Conflict]:
    """A circled take on fewer cameras than were planned for its shot."""
    by_id = {clip.id: clip for clip in clips}
    for shot in coverage(planned, rows, clips, links).shots:
        if shot.state is not Covered.CIRCLED or not (missing := shot.cameras_missing):
            continue
        take = shot.best[0]
        key = take_of(take.scene, take.take)
        has = " and ".join(map(shown, take.cameras))
        lacks = " and ".join(map(shown, missing))
        yield Conflict(
            "one camera",
            f"{said_take(take.scene, take.take)} is circled on camera {has} alone; "
            f"{lacks} was planned too: did it roll, and has its card come in?",
            tuple(
                link.clip_id
                for link in links
                if link.clip_id in by_id and take_of(link.scene, link.take) == key
            ),
            tuple(row for row in rows if row_key(row) == key),
            do=f"look for the roll of camera {lacks}, or take it off the shot list",
        )
