"""Where a log may have slipped: numbers out of their order, clip names out of theirs.

Takes of a scene count up, one by one, and so do the clips of a card: a row that breaks this may be
right, but it isn't sure by itself. Common practice, no source.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Container, Mapping, Sequence

from ingest.catalog.records import Clip, SlateRow, Sure
from ingest.media.facts import ClipKind
from ingest.names import shown
from ingest.slate.matching.gaps import told_gaps
from ingest.slate.names import TakeKind, camera_key, parse_take
from ingest.slate.pool import Key, Pool, row_key, said_row, said_take, sound_take, take_of
from ingest.slate.timing import overlap

__all__ = ["doubtful_names", "doubtful_numbers", "doubtful_sounds", "weigh"]

_FEWEST = 3
"""Takes that it needs to have an order at all."""
_FORGOTTEN = 2
"""Slates in a row that a crew may forget."""
_AGAIN = 1.3
"""Slates a take in a log, on average, from which on it can't be in the order of the day."""


def doubtful_numbers(
    rows: Sequence[SlateRow], told: Container[int] = frozenset()
) -> dict[int, str]:
    """By the row's place: why its scene or take may be a slip of the pen, in words.

    `told`: places of the rows before which clips tell of the numbers that are missing.
    """
    cameras: defaultdict[str, list[int]] = defaultdict(list)
    logs: defaultdict[tuple[int, str], list[int]] = defaultdict(list)
    for place, row in enumerate(rows):
        if parse_take(row.take).kind is TakeKind.TAKE:
            cameras[camera_key(row.camera or "")].append(place)
            logs[row.day or 0, row.log].append(place)
    found: dict[int, str] = {}
    logged = {row_key(row) for row in rows}
    for places in cameras.values():
        order = _slates(rows, places, together=False)
        after = {at for at, run in enumerate(order) if any(place in told for place in run)}
        keys = [row_key(rows[run[0]]) for run in order]
        for at, why in _out_of_order(keys, after).items():
            found |= dict.fromkeys(order[at], why)
    for places in logs.values():
        order = _slates(rows, places, together=True)
        keys = [row_key(rows[run[0]]) for run in order]
        if len(keys) > _AGAIN * len(set(keys)):
            continue  # written camera by camera: the order of its rows isn't the order of the day
        after = {at for at, run in enumerate(order) if any(place in told for place in run)}
        for at, why in (_out_of_order(keys, after) | _gaps(keys, after, logged)).items():
            for place in order[at]:
                found.setdefault(place, why)
    return found


def _slates(rows: Sequence[SlateRow], places: Sequence[int], *, together: bool) -> list[list[int]]:
    """The rows of one slate after another, in the order of the log.

    Several rows of one take (a log line for each lens or note) are one. `together`: so are those
    of several cameras. They were copied from one slate, so that a slip is in all of them, and a
    camera that missed the takes beside it would show nothing odd.
    """
    order: list[list[int]] = []
    for place in sorted(
        places, key=lambda each: (rows[each].day or 0, rows[each].log, rows[each].row)
    ):
        row = rows[place]
        if order and row_key(rows[order[-1][0]]) == row_key(row):
            own = camera_key(row.camera or "")
            of_camera = [
                rows[each] for each in order[-1] if camera_key(rows[each].camera or "") == own
            ]
            if not of_camera:
                same = together
            else:
                last = of_camera[-1]
                same = (last.clip, last.start_timecode) == (row.clip, row.start_timecode)
            if same:
                order[-1].append(place)
                continue
        order.append([place])
    return order


def _gaps(keys: Sequence[Key], told: Container[int], logged: Container[Key]) -> dict[int, str]:
    """Where all cameras together lack a number or two: the take on either side may be it. Where
    they lack more, numbers have leapt, and what counts on from there is no surer. And where the
    only take of a scene stands under a letter too far."""
    found: dict[int, str] = {}
    last: dict[str, int] = {}
    leapt: set[str] = set()
    takes = Counter(scene for scene, _ in keys)
    for at, (scene, take) in enumerate(keys):
        before = last.get(scene)
        if before is None:
            number = _number(take)
            if number - 1 > _FORGOTTEN and (scene, str(number - 1)) not in logged:
                found[at] = f"no take {number - 1} of its scene before it"
                leapt.add(scene)
        else:
            earlier = keys[before][1]
            missing = _number(take) - _number(earlier) - 1
            if at in told:
                missing = 0
            if missing > 0:
                found[at] = f"take {take} of its scene follows take {earlier}"
            if 0 < missing <= _FORGOTTEN:
                found.setdefault(before, found[at])
            elif missing > 0:
                leapt.add(scene)
            elif missing < 0:
                leapt.discard(scene)
            elif scene in leapt and before in found:
                found[at] = found[before]
        if takes[scene] == 1 and (lacking := _letter_before(scene)) and lacking not in takes:
            found.setdefault(at, f"the only take of its scene, and none of {lacking.upper()}")
        last[scene] = at
    return found


def _number(take: str) -> int:
    return int(take[-9:]) if take.isdigit() else 0


def _letter_before(scene: str) -> str:
    """`12a` for `12b` (`12h` for `12j`: set-ups have no I and O); empty where there is none."""
    base, letter = scene[:-1], scene[-1:]
    if not base[-1:].isdigit() or not "b" <= letter <= "z":
        return ""
    earlier = chr(ord(letter) - 1)
    return base + (chr(ord(earlier) - 1) if earlier in "io" else earlier)


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


def _out_of_order(keys: Sequence[Key], told: Container[int] = frozenset()) -> dict[int, str]:
    if len(keys) < _FEWEST:
        return {}
    found: dict[int, str] = {}
    last: dict[str, int] = {}
    seen: defaultdict[Key, list[int]] = defaultdict(list)
    numbers = [_number(take) for _, take in keys]
    for at, ((scene, _), number) in enumerate(zip(keys, numbers, strict=True)):
        before = last.get(scene)
        if before is None:
            if number > 1:
                found[at] = f"no take {number - 1} of its scene before it"
        elif number != numbers[before] + 1 and at not in told:
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


def _in_order(clips: Sequence[Clip]) -> dict[int, int]:
    """By id the place of each picture in the order in which its camera counted, roll by roll."""
    pictures = sorted(
        (clip for clip in clips if clip.facts.kind is ClipKind.PICTURE),
        key=lambda clip: (clip.roll.day, clip.roll.camera or "", clip.roll.name, clip.name),
    )
    return {clip.id: place for place, clip in enumerate(pictures)}


def doubtful_names(clips: Sequence[Clip], named: Mapping[int, tuple[Clip, SlateRow]]) -> set[int]:
    """Places of the rows whose clip number may be a slip: another clip would do as well.

    Rows and clips are both in the order of the day. Between the clips that the rows before and
    after it name, a row's own clip is the only one that nothing names: then it is the one.
    `named`: by the row's place the clip that it names.
    """
    order = _in_order(clips)
    _, missed = told_gaps((row for _, row in named.values()), order, named)
    device = {clip.id: (clip.roll.day, clip.roll.name) for clip in clips}
    claimed = {clip.id for clip, _ in named.values()}
    free: defaultdict[tuple[int, str], list[int]] = defaultdict(list)
    for clip_id, place in order.items():
        if clip_id not in claimed and place not in missed:
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
    told, _ = told_gaps(pool.rows, _in_order(pool.clips), named)
    numbers = {
        id(pool.rows[place]): why for place, why in doubtful_numbers(pool.rows, told).items()
    }
    names = {id(pool.rows[place]) for place in doubtful_names(pool.clips, named)}
    sounds = doubtful_sounds(pool.clips)
    _weigh_sounds(pool)
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
            series = len(claims) > 1 and seen is None
            if (
                claim.sure is Sure.SURE
                and series
                and not any(row.start_timecode for row in claim.rows)
            ):
                claim.sure = Sure.LIKELY
                claim.basis.append("but another row names it too: a series, or the clip beside it")
            doubts = [numbers[id(row)] for row in claim.rows if id(row) in numbers]
            wrong = [row for row in claim.rows if id(row) in names]
            if claim.sure is Sure.SURE and claim.rows and len(doubts) == len(claim.rows):
                claim.sure = Sure.LIKELY
                claim.basis.append(f"but {doubts[0]}")
            # Another camera's clip that the same log names is no second source.
            alone = seen is None or not seen.alone
            if claim.sure is Sure.SURE and alone and wrong and len(wrong) == len(claim.rows):
                claim.sure = Sure.LIKELY
                claim.basis.append("but a clip beside it has no take")


def _weigh_sounds(pool: Pool) -> None:
    """Two recordings that bear one take: somebody forgot to count on, and nobody knows where."""
    bearers: defaultdict[tuple[int, Key], list[Clip]] = defaultdict(list)
    for clip in pool.clips:
        told = sound_take(clip)
        if told is not None and clip.id not in pool.hand and clip.id not in pool.wild:
            bearers[clip.roll.day, take_of(*told)].append(clip)
    for (_, key), clips in bearers.items():
        for clip in clips:
            other = next((each for each in clips if _apart(pool, clip, each)), None)
            claim = pool.claims.get(clip.id, {}).get(key)
            if other is not None and claim is not None and claim.sure is Sure.SURE:
                claim.sure = Sure.LIKELY
                claim.basis.append(f"but {shown(other.full_name)} bears the same take")


def _apart(pool: Pool, one: Clip, other: Clip) -> bool:
    """Whether they are two recordings; the parts of one, or two recorders' of one take, aren't."""
    first, second = pool.spans.get(one.id), pool.spans.get(other.id)
    if first and second:
        return not overlap(first, second)
    stamps = one.facts.recorded, other.facts.recorded
    return None not in stamps and stamps[0] != stamps[1]


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
