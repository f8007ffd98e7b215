"""Does a clip play? What was found by looking at it, as values, and the judgement on that.

A copy proven bit for bit of a broken clip is still broken. `viewing` looks; `judge` is pure and
decides what that means. Healthy is only what was decoded here and showed nothing wrong; what
can't be decoded here is unchecked.

Thresholds are common practice, no source, unless said otherwise.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from enum import StrEnum
from fractions import Fraction

from ingest.media.facts import ClipFacts, ClipKind, Sign
from ingest.media.kinds import is_raw
from ingest.names import shown
from ingest.wording import counted

__all__ = [
    "Depth",
    "Finding",
    "Glimpse",
    "Health",
    "HealthState",
    "Heard",
    "Seen",
    "Severity",
    "date_of",
    "far_from_shoot",
    "joined",
    "judge",
    "lost",
    "standing",
]


class HealthState(StrEnum):
    """What is known of a clip, the worst first."""

    BROKEN = "broken"
    """Part of it is missing or can't be played: view it before its card is used again."""
    LOOK = "look"
    """It plays, and something about it asks for a person's eye or ear."""
    UNCHECKED = "unchecked"
    """It was not decoded: nothing is known of whether it plays."""
    HEALTHY = "healthy"
    """What was decoded of it (see `Health.depth`) showed nothing wrong."""


class Severity(StrEnum):
    BROKEN = "broken"
    LOOK = "look"
    NOTE = "note"
    """Worth a line, and no more."""


class Depth(StrEnum):
    """How much of it was decoded."""

    NONE = "none"
    SAMPLED = "sampled"
    """The first, middle and last frame and some between; pieces of the sound."""
    DEEP = "deep"
    """Every frame and every sample."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing found. `kind` is a word for programs, `words` a sentence for people."""

    kind: str
    severity: Severity
    words: str


@dataclass(frozen=True, slots=True)
class Health:
    depth: Depth = Depth.NONE
    findings: tuple[Finding, ...] = ()
    frames: int | None = None
    """Frames decoded."""
    unchecked: str = ""
    """Why it was not decoded, a sentence, or empty."""

    @property
    def state(self) -> HealthState:
        kinds = {finding.severity for finding in self.findings}
        if Severity.BROKEN in kinds:
            return HealthState.BROKEN
        if Severity.LOOK in kinds:
            return HealthState.LOOK
        return HealthState.UNCHECKED if self.depth is Depth.NONE else HealthState.HEALTHY

    def with_findings(self, more: Sequence[Finding]) -> Health:
        return replace(self, findings=(*self.findings, *more))


# What a look at the clip gave ---------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Glimpse:
    """One frame that was looked at, or tried."""

    place: str
    """first, middle, last, or a share of the length."""
    error: str = ""
    """Why it could not be decoded, or empty; then the rest says nothing."""
    mean: float = 0.0
    """Luma from 0 (black) to 255."""
    spread: float = 0.0
    """Standard deviation of luma."""
    sharp: float = 0.0
    """Mean difference of neighbours on a small copy: blur and black are near 0."""
    middle: bytes = b""
    """Luma of its middle, pixel for pixel, to tell a frozen picture from a quiet one."""
    number: int | None = None
    """Its time in the file's own count: one frame may stand for two places of a short clip."""


@dataclass(frozen=True, slots=True)
class Heard:
    """What was heard of one sound track."""

    peaks: tuple[float, ...] = ()
    """By channel, the loudest sample heard, full scale being 1."""
    places: int = 0
    """How many pieces were listened to; 0 with an error: none could be."""
    error: str = ""


@dataclass(frozen=True, slots=True)
class Seen:
    """What looking at a clip gave, before it is judged."""

    error: str = ""
    """Why it can't be opened, or empty."""
    no_decoder: str = ""
    """The codec that can't be decoded here, or empty."""
    glimpses: tuple[Glimpse, ...] = ()
    sounds: tuple[Heard, ...] = ()
    picture_seconds: Fraction | None = None
    sound_seconds: tuple[Fraction | None, ...] = ()
    depth: Depth = Depth.SAMPLED
    frames: int | None = None
    """Frames decoded; with `depth` deep, all that there are."""
    bad_frames: int = 0
    """Deep only: packets that could not be decoded, and frames that the decoder calls corrupt."""
    first_bad: Fraction | None = None
    """Seconds from its start."""
    same_frames: int = 0
    """Deep only: frames that equal the one before."""
    black_frames: int = 0
    """Deep only."""


BLACK = 24.0
"""Mean luma of 255 up to which a frame counts as black, with little spread; video black is 16."""

_FLAT = 3.0
_QUIET = 8 / 32768
"""Silent: not more than 3 bits of 16 ever move (-72 dB of full scale)."""
_FROZEN = 0.15
"""Mean difference of luma, pixel by pixel: sensor noise alone is more."""
_SHORT = Fraction(1, 2)
_FEWEST_SECONDS = 1
_FAR_DAYS = 1
"""A camera in another time zone and a day that ends at five explain one day, not two."""


def judge(facts: ClipFacts, seen: Seen | None, *, name: str) -> Health:
    """The health of a clip, from its facts and a look at it (None: it was not looked at). Pure.

    `name` is its file's name: camera RAW that nothing here knows is unchecked, not broken.
    """
    raw = is_raw(name)
    findings = _signs(facts, raw=raw)
    if facts.kind is ClipKind.OTHER:
        return Health(findings=(), unchecked="It is of no kind that is known here.")
    if Sign.UNKNOWN in facts.signs and raw:
        return Health(findings=findings, unchecked="Camera RAW that can't be decoded here.")
    if seen is None or seen.depth is Depth.NONE:
        return Health(findings=findings, unchecked="It was not decoded; a deep look does that.")
    if seen.no_decoder:
        return Health(findings=findings, unchecked=f"{seen.no_decoder} can't be decoded here.")
    if seen.error and raw:
        return Health(findings=findings, unchecked="Camera RAW that can't be decoded here.")
    if seen.error:
        if not findings:
            words = f"It can't be opened for playing: {seen.error}."
            findings = (Finding("closed", Severity.BROKEN, words),)
        return Health(findings=findings, unchecked="It could not be opened for playing.")
    findings = (
        *findings,
        *_undecodable(seen),
        *_deep(facts, seen),
        *_black_or_frozen(facts, seen),
        *_sound(facts, seen),
    )
    return Health(depth=seen.depth, findings=findings, frames=seen.frames)


def lost(why: str) -> Health:
    """The health of a clip on which the decoder hung or crashed. `why`: a sentence."""
    return Health(findings=(Finding("decoder", Severity.BROKEN, why),), unchecked=why)


def standing(healths: Sequence[Health]) -> Health | None:
    """What looks at one clip, in the order of time, come to. Pure.

    A later look replaces an earlier one that was no deeper; what was found broken since stands
    whatever the depth. So a few good frames never outweigh what decoding all of them has shown.
    """
    found: Health | None = None
    for health in healths:
        deeper = found is None or _ORDER[health.depth] >= _ORDER[found.depth]
        if deeper or health.state is HealthState.BROKEN:
            found = health
    return found


def joined(parts: Sequence[tuple[str, Health]]) -> Health:
    """The health of a recording of several files, by (path, health) in their order. Pure.

    What was found names the file where there are several; it is as deep as its shallowest part.
    """
    if not parts:
        return Health(unchecked="It was not looked at.")
    if len(parts) == 1:
        return parts[0][1]
    counts = [health.frames for _, health in parts if health.frames is not None]
    return Health(
        depth=min((health.depth for _, health in parts), key=_ORDER.__getitem__),
        findings=tuple(
            replace(finding, words=f"{shown(path.rpartition('/')[2])}: {finding.words}")
            for path, health in parts
            for finding in health.findings
        ),
        frames=sum(counts) if counts else None,
        unchecked=next((health.unchecked for _, health in parts if health.unchecked), ""),
    )


_ORDER = {Depth.NONE: 0, Depth.SAMPLED: 1, Depth.DEEP: 2}

_SIGNS = {
    Sign.EMPTY: "It is empty (0 bytes).",
    Sign.ZEROS: "It begins with zeros only: nothing was recorded, or it was lost.",
    Sign.TEXT: "It holds text where its name promises picture or sound.",
    Sign.UNKNOWN: "Nothing in it is known here as picture, still or sound.",
    Sign.UNREADABLE: "The system could not read it.",
    Sign.NO_INDEX: "It has no index: the recording was cut off before it was closed "
    "(a dead battery, or the card pulled). Its frames may still be there.",
    Sign.CLAIMS_MORE: "It was cut short: its container says more than there is.",
    Sign.PAST_END: "It was cut short: what it lists lies past the end of the file.",
    Sign.UNFINISHED: "Its header was never finished: the recording was cut off.",
    Sign.NO_END: "Its picture has no end: it was cut short.",
    Sign.NO_SOUND: "It holds no sound.",
}


def _signs(facts: ClipFacts, *, raw: bool) -> tuple[Finding, ...]:
    signs = [sign for sign in facts.signs if sign in _SIGNS]
    if Sign.NO_INDEX in signs or Sign.PAST_END in signs:
        signs = [sign for sign in signs if sign is not Sign.CLAIMS_MORE]  # the same, less sure
    if raw:
        signs = [sign for sign in signs if sign not in (Sign.UNKNOWN, Sign.CLAIMS_MORE)]
    found = []
    for sign in signs:
        # A transport stream may end in the middle of a packet by its nature.
        stream = sign is Sign.CLAIMS_MORE and "MPEG-TS" in (facts.container or "")
        severity = Severity.LOOK if stream else Severity.BROKEN
        found.append(Finding(sign.value, severity, _SIGNS[sign]))
    return tuple(found)


def _undecodable(seen: Seen) -> list[Finding]:
    bad = [each for each in seen.glimpses if each.error]
    named = [each for each in bad if each.place in ("first", "middle", "last")]
    found = []
    for each in named or bad[:1]:
        where = f"Its {each.place} frame" if named else f"A frame at {each.place} of its length"
        words = f"{where} can't be decoded: {each.error}."
        found.append(Finding(f"{each.place} frame", Severity.BROKEN, words))
    return found


def _deep(facts: ClipFacts, seen: Seen) -> list[Finding]:
    if seen.depth is not Depth.DEEP or facts.kind is not ClipKind.PICTURE:
        return []
    found = []
    if seen.bad_frames:
        at = f", the first at {float(seen.first_bad):.2f} s" if seen.first_bad is not None else ""
        words = f"{counted(seen.bad_frames, 'frame')} of it can't be decoded whole{at}."
        found.append(Finding("bad frames", Severity.BROKEN, words))
    wanted = facts.duration_frames
    if wanted and seen.frames is not None and seen.frames < wanted:
        words = f"It says {counted(wanted, 'frame')}, {seen.frames:,} can be decoded."
        # Edit lists and a cut at a group's border hide a frame or two of whole clips.
        severity = Severity.BROKEN if wanted - seen.frames > 2 else Severity.NOTE
        found.append(Finding("fewer frames", severity, words))
    return found


def _black_or_frozen(facts: ClipFacts, seen: Seen) -> list[Finding]:
    frames = [each for each in seen.glimpses if not each.error]
    numbers = [each.number for each in frames if each.number is not None]
    if len(set(numbers)) < min(3, len(numbers)):
        return []  # too few different frames to say anything of all of them
    if facts.kind is not ClipKind.PICTURE or len(frames) < 3:
        return []
    where = f"in all {len(frames)} places looked at"
    if seen.depth is Depth.DEEP and seen.frames:
        where = f"in all its {seen.frames:,} frames"
        black = seen.black_frames == seen.frames
        frozen = seen.same_frames == seen.frames - 1
    else:
        black = all(each.mean <= BLACK and each.spread <= _FLAT for each in frames)
        frozen = all(_same(each.middle, frames[0].middle) for each in frames[1:])
    if black:
        return [Finding("black", Severity.LOOK, f"Its picture is black {where}.")]
    long_enough = facts.duration_seconds is None or facts.duration_seconds >= _FEWEST_SECONDS
    if frozen and long_enough:
        return [Finding("frozen", Severity.LOOK, f"Its picture is the same {where}: frozen?")]
    return []


def _same(one: bytes, other: bytes) -> bool:
    if not one or len(one) != len(other):
        return False
    return sum(abs(a - b) for a, b in zip(one, other, strict=True)) <= _FROZEN * len(one)


def _sound(facts: ClipFacts, seen: Seen) -> list[Finding]:
    found = []
    for number, heard in enumerate(seen.sounds, 1):
        if heard.error and not heard.places:
            words = f"{_track(number, seen)} can't be decoded: {heard.error}."
            found.append(Finding("sound", Severity.BROKEN, words))
        elif heard.error:
            words = f"{_track(number, seen)} can't be decoded throughout: {heard.error}."
            found.append(Finding("sound", Severity.BROKEN, words))
    found += _silence(seen)
    length = seen.picture_seconds
    for number, seconds in enumerate(seen.sound_seconds, 1):
        if length and seconds is not None and length - seconds > max(_SHORT, length / 100):
            words = (
                f"{_track(number, seen)} is shorter than the picture: "
                f"{float(seconds):.2f} of {float(length):.2f} s."
            )
            found.append(Finding("short sound", Severity.LOOK, words))
    return found


def _silence(seen: Seen) -> list[Finding]:
    peaks = [
        (number, channel, peak)
        for number, heard in enumerate(seen.sounds, 1)
        for channel, peak in enumerate(heard.peaks, 1)
    ]
    silent = [each for each in peaks if each[2] <= _QUIET]
    if not silent:
        return []
    places = max(heard.places for heard in seen.sounds)
    where = "throughout"
    if seen.depth is not Depth.DEEP:
        where = f"wherever it was heard ({counted(places, 'place')})"
    if len(silent) == len(peaks):
        return [Finding("silent", Severity.LOOK, f"Its sound is silent {where}.")]
    names = ", ".join(
        f"channel {channel}" if len(seen.sounds) == 1 else f"track {number} channel {channel}"
        for number, channel, _ in silent[:8]
    )
    words = f"{names[:1].upper()}{names[1:]} of its sound: silent {where}."
    return [Finding("silent channel", Severity.NOTE, words)]


def _track(number: int, seen: Seen) -> str:
    return "Its sound" if len(seen.sounds) <= 1 else f"Its sound track {number}"


# The recording date -------------------------------------------------------------------------------


_DATE = re.compile(r"(?<!\d)(\d{4})[-:/.](\d{1,2})[-:/.](\d{1,2})(?!\d)")


def date_of(written: str | None) -> date | None:
    """The calendar date in a recording date as written; None where there is none."""
    found = _DATE.search(written or "")
    if found is None:
        return None
    try:
        return date(*map(int, found.groups()))
    except ValueError:
        return None


def far_from_shoot(facts: ClipFacts, shoot: date) -> tuple[Finding, ...]:
    """Whether its recording date lies far from the shoot day: more than a day. Pure."""
    recorded = date_of(facts.recorded)
    if recorded is None or abs((recorded - shoot).days) <= _FAR_DAYS:
        return ()
    never = recorded.year in (1904, 1970, 1980, 2000)  # where common clocks begin to count
    why = "a clock that was never set?" if never else "the camera's clock, or an older recording?"
    words = f"It says that it was recorded on {recorded}, the shoot day is {shoot}: {why}"
    return (Finding("date", Severity.LOOK, words),)
