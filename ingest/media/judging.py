"""What a look at a clip means: its health. Pure.

Thresholds are common practice, no source, unless said otherwise.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from fractions import Fraction

from ingest.media.facts import ClipFacts, ClipKind, Sign
from ingest.media.health import Depth, Finding, Health, Severity
from ingest.media.kinds import is_raw
from ingest.media.looking.seen import BLACK, Glimpse, Seen
from ingest.wording import counted, listed

__all__ = ["judge"]

_FLAT = 3.0
_QUIET = 8 / 32768
"""Silent: not more than 3 bits of 16 ever move (-72 dB of full scale)."""
_FROZEN = 0.15
"""Mean difference of luma, pixel by pixel: sensor noise alone is more."""
_MOSTLY = Fraction(95, 100)
"""Of a frozen picture's frames, that equal the one before."""
_FEWEST_FRAMES = 3
_SHORT = Fraction(1, 2)
_FEWEST_SECONDS = 1


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


_STREAMS = ("MPEG-TS", "BDAV")
"""Transport streams, as MediaInfo names them: with packets of 188 bytes, and of 192."""


def _signs(facts: ClipFacts, *, raw: bool) -> tuple[Finding, ...]:
    signs = [sign for sign in facts.signs if sign in _SIGNS]
    if Sign.NO_INDEX in signs or Sign.PAST_END in signs:
        signs = [sign for sign in signs if sign is not Sign.CLAIMS_MORE]  # the same, less sure
    if raw:
        signs = [sign for sign in signs if sign not in (Sign.UNKNOWN, Sign.CLAIMS_MORE)]
    found = []
    for sign in signs:
        # A transport stream may end in the middle of a packet by its nature.
        stream = sign is Sign.CLAIMS_MORE and facts.container in _STREAMS
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
    if facts.kind is not ClipKind.PICTURE:
        return []
    places = [each for each in seen.glimpses if not each.error]
    numbers = [each.number for each in places if each.number is not None]
    if len(set(numbers)) < min(_FEWEST_FRAMES, len(numbers)):
        places = []  # too few different frames to say anything of all of them
    if where := _black(seen, places):
        return [Finding("black", Severity.LOOK, f"Its picture is black {where}.")]
    long_enough = facts.duration_seconds is None or facts.duration_seconds >= _FEWEST_SECONDS
    if long_enough and (where := _frozen(seen, places)):
        return [Finding("frozen", Severity.LOOK, f"Its picture is the same {where}: frozen?")]
    return []


def _black(seen: Seen, places: Sequence[Glimpse]) -> str:
    """Where its picture was black, if it was so throughout."""
    if seen.depth is Depth.DEEP and seen.frames:
        looked, black, what = seen.frames, seen.black_frames, "frames"
    else:
        looked = len(places)
        black = sum(each.mean <= BLACK and each.spread <= _FLAT for each in places)
        what = "places"
    return _where(black, looked, what) if black == looked >= _FEWEST_FRAMES else ""


def _frozen(seen: Seen, places: Sequence[Glimpse]) -> str:
    """Where its picture was the same, if it was so throughout.

    An encoder that settles, or begins a group, redraws a frozen picture now and then: one place,
    or a few frames, may differ. No two frames of a live one are the same, for its noise.
    """
    frames = seen.frames or 0
    if seen.depth is Depth.DEEP and frames >= _FEWEST_FRAMES:
        same = seen.same_frames + 1
        if same >= frames * _MOSTLY:
            return _where(same, frames, "frames")
    same = max(
        (sum(_same(one.middle, each.middle) for each in places) for one in places), default=0
    )
    if same >= max(_FEWEST_FRAMES, len(places) - 1):
        return _where(same, len(places), "places")
    return ""


def _where(some: int, looked: int, what: str) -> str:
    share = "all" if some == looked else f"{some:,} of"
    return f"in {share} " + (
        f"its {looked:,} frames" if what == "frames" else f"{looked} places looked at"
    )


def _same(one: bytes, other: bytes) -> bool:
    if not one or len(one) != len(other):
        return False
    return sum(abs(a - b) for a, b in zip(one, other, strict=True)) <= _FROZEN * len(one)


def _sound(facts: ClipFacts, seen: Seen) -> list[Finding]:
    wrong: defaultdict[tuple[str, Severity, str], list[int]] = defaultdict(list)
    for number, heard in enumerate(seen.sounds, 1):
        if heard.error:
            where = " throughout" if heard.places else ""
            words = f"can't be decoded{where}: {heard.error}."
            wrong["sound", Severity.BROKEN, words].append(number)
    length = seen.picture_seconds
    for number, seconds in enumerate(seen.sound_seconds, 1):
        if length and seconds is not None and length - seconds > max(_SHORT, length / 100):
            words = f"ends before the picture: {float(seconds):.2f} of {float(length):.2f} s."
            wrong["short sound", Severity.LOOK, words].append(number)
    told = [
        Finding(kind, severity, _of_tracks(words, numbers, seen))
        for (kind, severity, words), numbers in wrong.items()
    ]
    return [*told, *_silence(seen)]


def _of_tracks(words: str, numbers: Sequence[int], seen: Seen) -> str:
    """One sentence for all tracks of which the same is to be said."""
    if len(seen.sounds) <= 1:
        return f"Its sound {words}"
    if len(numbers) == 1:
        return f"Its sound track {numbers[0]} {words}"
    if numbers[-1] - numbers[0] == len(numbers) - 1:
        which = f"{numbers[0]} to {numbers[-1]}"
    else:
        which = listed([str(number) for number in numbers], 8)
    return f"Its sound, tracks {which}, {words}"


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
