"""Numbers that should count on without a gap: of rolls, and of clips in a camera. Pure.

How devices number is common practice with no published source (reel and clip as in ASC MHL v1.0
Appendix B; four digits after a stem as in CIPA DC-009). What doesn't look like a counter is none.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from ingest.assurance.day.values import Finding, Kind, settle_words
from ingest.names import shown
from ingest.wording import counted, natural

__all__ = [
    "Gap",
    "all_logged",
    "clip_gaps",
    "clip_number",
    "gap_finding",
    "roll_gaps",
    "roll_number",
]

_ROLL = re.compile(r"([^\W\d_]{1,8})[ _-]?(\d{1,5})", re.ASCII)
_REEL_AND_CLIP = re.compile(r"[A-Z]\d{3,4}_?(C)(\d{3,4})(?:_[0-9A-Z]+)*", re.IGNORECASE | re.ASCII)
_STEM_AND_NUMBER = re.compile(r"(.*[^\W\d_]_?)(\d{3,5})", re.ASCII | re.DOTALL)
_SLATE_LIKE = re.compile(r"\d", re.ASCII)


@dataclass(frozen=True, slots=True)
class Gap:
    """Numbers that are missing between two that are there."""

    missing: tuple[str, ...]
    """The first and, where there are several, the last, as the device would write them."""
    numbers: tuple[int, ...]
    before: str
    """Name of what comes before the gap; empty where the series begins too late."""
    after: str
    roll: str
    """The roll of what comes after it."""

    @property
    def words(self) -> str:
        return " to ".join(self.missing)


def roll_number(name: str) -> tuple[str, int, int] | None:
    """Letters, number and width of a roll's name: `A003` is ("A", 3, 3)."""
    found = _ROLL.fullmatch(name)
    return (found[1].upper(), int(found[2]), len(found[2])) if found else None


def clip_number(name: str) -> tuple[str, int, int] | None:
    """Stem, number and width of a clip's counter: `A001C003_260314_K7QD` is ("C", 3, 3),
    `SKIM0001` is ("SKIM", 1, 4). None where the name holds no counter: a date, a scene and take.
    """
    name = name.rpartition("/")[2]
    found = _REEL_AND_CLIP.fullmatch(name)
    if found is None:
        found = _STEM_AND_NUMBER.fullmatch(name)
        if found is None or _SLATE_LIKE.search(found[1]):
            return None
    return found[1].upper(), int(found[2]), len(found[2])


def roll_gaps(rolls: Iterable[str]) -> tuple[Gap, ...]:
    """The numbers missing between rolls of one device, and before a first one of 2 to 9: a higher
    one may be the number that a rented camera had come to."""
    numbered = {told: name for name in rolls if (told := roll_number(name))}
    firsts: dict[str, tuple[str, int, int]] = {}
    for told in sorted(numbered):
        firsts.setdefault(told[0], told)
    gaps = [
        _gap((first[0], 0, first[2]), first, "", numbered[first], numbered[first])
        for first in firsts.values()
        if 1 < first[1] < 10
    ]
    for one, other in pairwise(sorted(numbered)):
        if one[0] == other[0] and other[1] - one[1] > 1:
            gaps.append(_gap(one, other, numbered[one], numbered[other], numbered[other]))
    return tuple(gaps)


def clip_gaps(rolls: Sequence[tuple[str, Sequence[str]]]) -> tuple[Gap, ...]:
    """The numbers missing in one camera's clips, within its rolls and from one to the next.

    `rolls`: name and clip names of each, in the camera's order. From one roll to the next a
    counter may go on or begin at 1 again. Where a roll is missing between two, nothing is said of
    the clips between them: the roll is what is missing.
    """
    gaps: list[Gap] = []
    last: tuple[str, int] | None = None
    before = ""
    before_roll = ""
    for roll, names in rolls:
        counted = _counted(names)
        numbers = sorted(counted)
        if not numbers or not _is_counter(numbers):
            last = None
            continue
        first = numbers[0]
        if last is not None and first[0] == last[0] and not _roll_between(before_roll, roll):
            if first[1] > last[1] + 1:
                gaps.append(_gap((last[0], last[1], first[2]), first, before, counted[first], roll))
            elif first[1] != 1 and first[1] <= last[1]:
                gaps.append(_gap((first[0], 0, first[2]), first, "", counted[first], roll))
        for one, other in pairwise(numbers):
            if other[1] - one[1] > 1:
                gaps.append(_gap(one, other, counted[one], counted[other], roll))
        last, before, before_roll = numbers[-1][:2], counted[numbers[-1]], roll
    return tuple(gaps)


def _gap(
    one: tuple[str, int, int], other: tuple[str, int, int], before: str, after: str, roll: str
) -> Gap:
    numbers = tuple(range(one[1] + 1, other[1]))
    ends = (numbers[0], numbers[-1]) if len(numbers) > 1 else (numbers[0],)
    missing = tuple(f"{other[0]}{number:0{other[2]}d}" for number in ends)
    return Gap(missing, numbers, before, after, roll)


def _counted(names: Iterable[str]) -> dict[tuple[str, int, int], str]:
    """The names of the stem that most of them have, by their numbers; empty where most have
    none.
    """
    names = list(names)
    every = {told: name for name in names if (told := clip_number(name))}
    stems = Counter(stem for stem, _, _ in every)
    stem, count = stems.most_common(1)[0] if stems else ("", 0)
    return (
        {told: every[told] for told in every if told[0] == stem} if count * 2 > len(names) else {}
    )


def _is_counter(numbers: Sequence[tuple[str, int, int]]) -> bool:
    """No more numbers are missing than there are (a handful always may be)."""
    missing = numbers[-1][1] - numbers[0][1] + 1 - len(numbers)
    return missing <= max(len(numbers), 5)


def _roll_between(one: str, other: str) -> bool:
    numbers = roll_number(one), roll_number(other)
    if numbers[0] is None or numbers[1] is None:
        return natural(one) >= natural(other)
    return numbers[1][1] - numbers[0][1] != 1


def all_logged(gap: Gap, device: str, logged: set[tuple[str, tuple[str, int]]]) -> bool:
    """Each clip that is missing is one that a take of the log is missing for: told there."""
    stem = gap.missing[0].rstrip("0123456789")
    return all((device, (stem, number)) in logged for number in gap.numbers)


def gap_finding(gap: Gap) -> Finding:
    """How clips that a counter has jumped over are told."""
    many = len(gap.numbers) > 1
    if gap.before:
        because = f"the counter jumps from {shown(gap.before)} to {shown(gap.after)}"
    else:
        because = f"{shown(gap.roll)} begins with {shown(gap.after)}"
    key = f"{gap.roll}/{gap.missing[0]}"
    return Finding(
        Kind.CLIP,
        f"{shown(gap.roll)}: {shown(gap.words)} {'are' if many else 'is'} not in "
        f"({counted(len(gap.numbers), 'clip')})",
        because,
        "look for it on the card and in the camera before anybody formats "
        f"them; or, if it was deleted in the camera: {settle_words(key)}",
        key=key,
        tonight=True,
    )
