"""Where a log may have slipped: numbers out of their order, clip names out of theirs.

Takes of a scene count up, one by one, and so do the clips of a card: a row that breaks this may be
right, but it isn't sure by itself. Common practice, no source.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence

from ingest.catalog.records import Clip, SlateRow, Sure
from ingest.media.facts import ClipKind
from ingest.names import shown
from ingest.slate.names import TakeKind, camera_key, parse_take
from ingest.slate.pool import Key, Pool, row_key, said_row, said_take, sound_take, take_of

__all__ = ["doubtful_names", "doubtful_numbers", "doubtful_sounds", "weigh"]

_FEWEST = 3
"""Takes that it needs to have an order at all."""


def doubtful_numbers(rows: Sequence[SlateRow]) -> dict[int, str]:
    """By the row's place: why its scene or take may be a slip of the pen, in words."""
    groups: defaultdict[str, list[int]] = defaultdict(list)
    for place, row in enumerate(rows):
        if parse_take(row.take).kind is TakeKind.TAKE:
            groups[camera_key(row.camera or "")].append(place)
    found: dict[int, str] = {}
    for places in groups.values():
        places.sort(key=lambda place: (rows[place].day or 0, rows[place].log, rows[place].row))
        # Several rows of one take (a log line for each lens or note) are one.
        order: list[list[int]] = []
        for place in places:
            row = rows[place]
            last = rows[order[-1][-1]] if order else None
            if (
                last is not None
                and row_key(last) == row_key(row)
                and (last.clip, last.start_timecode) == (row.clip, row.start_timecode)
            ):
                order[-1].append(place)
            else:
                order.append([place])
        keys = [row_key(rows[run[0]]) for run in order]
        for at, why in _out_of_order(keys).items():
            for place in order[at]:
                found[place] = why
    return found


def doubtful_sounds(clips: Sequence[Clip]) -> set[int]:
    """Ids of the sound files whose take breaks the order that the others keep."""
    found: set[int] = set()
    days: defaultdict[tuple[int, str], list[tuple[Clip, Key]]] = defaultdict(list)
    for clip in clips:
        told = sound_take(clip)
        if told is not None and parse_take(told[1]).kind is TakeKind.TAKE:
            days[clip.roll.day, clip.roll.name].append((clip, take_of(*told)))
    for each in days.values():
        each.sort(key=lambda pair: (_reference(pair[0]), pair[0].name))
        for at in _out_of_order([key for _, key in each]):
            found.add(each[at][0].id)
    return found


def _reference(clip: Clip) -> int:
    sound = clip.facts.sound
    return sound.time_reference or 0 if sound else 0


def _out_of_order(keys: Sequence[Key]) -> dict[int, str]:
    if len(keys) < _FEWEST:
        return {}
    found: dict[int, str] = {}
    last: dict[str, int] = {}
    seen: defaultdict[Key, list[int]] = defaultdict(list)
    numbers = [int(take[-9:]) if take.isdigit() else 0 for _, take in keys]
    for at, ((scene, _), number) in enumerate(zip(keys, numbers, strict=True)):
        before = last.get(scene)
        if before is None:
            if number > 1:
                found[at] = f"no take {number - 1} of its scene before it"
        elif number != numbers[before] + 1:
            found[at] = f"take {number} of its scene follows take {numbers[before]}"
            if number <= numbers[before]:
                found.setdefault(before, found[at])
        if 0 < at < len(keys) - 1 and keys[at - 1][0] == keys[at + 1][0] != scene:
            found.setdefault(at, "the takes before and after it are of another scene")
        if (
            at < len(keys) - 1
            and keys[at + 1][0] != scene
            and numbers[at + 1] == number + 1
            and (keys[at + 1][0], str(number)) not in seen
        ):
            found.setdefault(at, "the next take's scene lacks the take of this number")
        last[scene] = at
        seen[keys[at]].append(at)
    for places in seen.values():
        if len(places) > 1:
            for at in places:
                found.setdefault(at, "that take is logged twice")
    return found


def doubtful_names(clips: Sequence[Clip], named: Mapping[int, tuple[Clip, SlateRow]]) -> set[int]:
    """Places of the rows whose clip number may be a slip: another clip would do as well.

    Rows and clips are both in the order of the day. Between the clips that the rows before and
    after it name, a row's own clip is the only one that nothing names: then it is the one.
    `named`: by the row's place the clip that it names.
    """
    order = {
        clip.id: place
        for place, clip in enumerate(
            sorted(
                (clip for clip in clips if clip.facts.kind is ClipKind.PICTURE),
                key=lambda clip: (clip.roll.day, clip.roll.camera or "", clip.roll.name, clip.name),
            )
        )
    }
    device = {clip.id: (clip.roll.day, clip.roll.name) for clip in clips}
    claimed = {clip.id for clip, _ in named.values()}
    free: defaultdict[tuple[int, str], list[int]] = defaultdict(list)
    for clip_id, place in order.items():
        if clip_id not in claimed:
            free[device[clip_id]].append(place)
    groups: defaultdict[tuple[int, str, str], list[int]] = defaultdict(list)
    for place, (clip, row) in named.items():
        if clip.id in order:
            groups[*device[clip.id], row.log].append(place)
    found: set[int] = set()
    for (day, roll, _), places in groups.items():
        places.sort(key=lambda place: (named[place][1].row, place))
        runs = [order[named[place][0].id] for place in places]
        for at, place in enumerate(places):
            own = runs[at]
            before = next((each for each in reversed(runs[:at]) if each != own), -1)
            after = next((each for each in runs[at + 1 :] if each != own), len(order))
            if not before < own < after or any(before < each < after for each in free[day, roll]):
                found.add(place)
    return found


def weigh(pool: Pool, named: Mapping[int, tuple[Clip, SlateRow]]) -> None:
    """What names a clip against what it ran with: confirmed, doubted, or put right.

    Sure stays what two independent sources say, or one that nothing makes doubtful.
    """
    numbers = {id(pool.rows[place]): why for place, why in doubtful_numbers(pool.rows).items()}
    names = {id(pool.rows[place]) for place in doubtful_names(pool.clips, named)}
    sounds = doubtful_sounds(pool.clips)
    for clip in pool.clips:
        if clip.id in pool.hand or clip.facts.kind is not ClipKind.PICTURE:
            continue
        claims = pool.claims.get(clip.id, {})
        met = pool.met.get(clip.id, {})
        against = {
            key: each
            for key, each in met.items()
            if key not in claims and each.sound is not None and each.alone
        }
        for key, claim in list(claims.items()):
            if claim.sure is Sure.OPEN:
                continue
            seen = met.get(key)
            if seen is not None and seen.sound is not None:
                if claim.rows and seen.alone:
                    claim.sure = Sure.SURE
                elif seen.sound.id in sounds and not any(row for row in claim.rows):
                    claim.sure = Sure.LIKELY
                continue
            if seen is None and against and not any(row.mos for row in claim.rows):
                slipped = all(id(row) in numbers or id(row) in names for row in claim.rows)
                heard = next(iter(against.values()))
                if heard.sound is not None and heard.sound.id in sounds and not slipped:
                    claim.sure = Sure.LIKELY
                    continue
                claim.sure = Sure.OPEN
                _put_right(pool, clip, against, claim.rows)
                continue
            doubts = [numbers[id(row)] for row in claim.rows if id(row) in numbers]
            wrong = [row for row in claim.rows if id(row) in names]
            if claim.sure is Sure.SURE and claim.rows and len(doubts) == len(claim.rows):
                claim.sure = Sure.LIKELY
                claim.basis.append(f"but {doubts[0]}")
            if claim.sure is Sure.SURE and seen is None and wrong and len(wrong) == len(claim.rows):
                claim.sure = Sure.LIKELY
                claim.basis.append("but a clip beside it has no take")


def _put_right(
    pool: Pool, clip: Clip, against: Mapping[Key, object], rows: Sequence[SlateRow]
) -> None:
    for key in against:
        seen = pool.met[clip.id][key]
        assert seen.sound is not None
        basis = f"ran with sound file {shown(seen.sound.full_name)}, against the log"
        pool.claim(clip, seen.scene, seen.take, Sure.LIKELY, basis)
        said = said_row(rows[0]) if rows else "the log"
        told = said_take(rows[0].scene, rows[0].take) if rows else "another take"
        words = (
            f"{shown(clip.full_name)}: {said} says {told}, but it ran with the sound of "
            f"{said_take(seen.scene, seen.take)} ({shown(seen.sound.full_name)})"
        )
        if not any(
            conflict.kind == "log or sound" and clip.id in conflict.clip_ids
            for conflict in pool.conflicts
        ):
            pool.conflict("log or sound", words, [clip], rows)
