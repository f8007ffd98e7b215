"""The words that page and PDF share: how a drive, a copy, a clip or an offload stands."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction

from ingest import wording as words
from ingest.report.facts import ClipLine, CopyLine, DayEnd, DriveLine, OffloadLine, OpenLine

__all__ = [
    "PROVES_NOT",
    "STANDS",
    "Words",
    "age",
    "alike",
    "clip_copies",
    "copy_words",
    "day_parts",
    "day_title",
    "drive_words",
    "evidence_words",
    "format_words",
    "health_words",
    "left_words",
    "name_of",
    "place_words",
    "proves",
    "read_words",
    "room_words",
]


@dataclass(frozen=True, slots=True)
class Words:
    """A phrase, and whether it is bad news."""

    text: str
    bad: bool = False


def clip_copies(clip: ClipLine, wanted: int) -> tuple[Words, ...]:
    """How the copies of a clip stand, its worst file first."""
    if not clip.files:
        return (Words("file not in the catalog", bad=True),)
    worst = clip.good
    said = [Words(f"{worst} matched" if worst else "no good copy", bad=worst < wanted)]
    other = [copy for file in clip.files for copy in file.copies if not copy.proven]
    said += [
        Words(f"{copy.state.value} on {words.shortened(copy.drive, 24)}", bad=True)
        if copy.state.value != "matched"
        else Words(f"not proven on {words.shortened(copy.drive, 24)}", bad=True)
        for copy in other[:3]
    ]
    if len(other) > 3:
        said.append(Words(f"and {len(other) - 3} more", bad=True))
    return tuple(said)


def drive_words(drive: DriveLine) -> list[Words]:
    """How the copies on a drive stand, in numbers."""
    said = []
    if drive.proven:
        said.append(
            Words(f"{drive.proven:,} of {drive.copies:,} read back past the cache, matched")
        )
    if drive.bad:
        said.append(Words(f"{drive.bad:,} bad or gone", bad=True))
    if drive.waiting:
        said.append(Words(f"{drive.waiting:,} not yet read back or not trusted yet", bad=True))
    if drive.cached:
        said.append(
            Words(f"{drive.cached:,} matched, perhaps only in the computer’s memory", bad=True)
        )
    if drive.own_list:
        said.append(Words(f"{drive.own_list:,} matched a list only", bad=True))
    if drive.discounted:
        said.append(
            Words(f"{drive.discounted:,} not counted: the drive was lost or dead", bad=True)
        )
    return said


def evidence_words(drive: DriveLine, now: datetime) -> list[str]:
    """When the deciding looks were taken, and how old the oldest of them is."""
    if drive.oldest is None or drive.newest is None:
        return ["none"]
    first, last = words.moment(drive.oldest), words.moment(drive.newest)
    said = [first] if first == last else [f"{first} to", last]
    return [*said, age(drive.oldest, now)]


def age(at: datetime, now: datetime) -> str:
    """`of just now`, `40 minutes old`, `3 days old`; never more exact than that."""
    seconds = (now - at).total_seconds()
    if seconds < 0:
        return "of unknown age"
    if seconds < 120:
        return "of just now"
    for unit, length in (("day", 86400), ("hour", 3600), ("minute", 60)):
        if seconds >= 2 * length:
            return f"{words.counted(int(seconds // length), unit)} old"
    return "of just now"


def read_words(drive: DriveLine) -> str:
    """How often the cards of what is on it were read."""
    if drive.once and drive.twice:
        return f"cards read once ({drive.once:,}) or twice ({drive.twice:,})"
    if drive.twice:
        return "each card read twice" if drive.twice > 1 else "card read twice"
    if drive.once:
        return "each card read once" if drive.once > 1 else "card read once"
    return "how often the card was read is not recorded"


def room_words(drive: DriveLine) -> str:
    """What may still be written, as far as it can be seen now."""
    if drive.free is None:
        return "not plugged in" if not drive.mounted else "not known"
    return words.size(drive.free)


def place_words(drive: DriveLine) -> str:
    """Where it is said to be."""
    return drive.where or "not said"


def name_of(clip: ClipLine) -> str:
    """What people call the clip: its display name, or ROLL/NAME."""
    return clip.display or clip.name


def health_words(clip: ClipLine) -> Words:
    """Whether it plays, as far as anybody looked."""
    said = {
        "healthy": "plays",
        "look": "look at it",
        "broken": "broken",
        "unchecked": "not decoded here",
    }.get(clip.health or "", "not looked at")
    return Words(said, bad=clip.health in ("broken", "look"))


def proves(kinds: Sequence[str]) -> str:
    """What a match means, with the kinds of checksum that were compared."""
    named = f" ({', '.join(kinds)})" if kinds else ""
    return (
        "A copy called matched past the cache was read again from the drive itself, not from the "
        f"computer’s memory, and its checksum{named} equals that of what the card reader delivered."
    )


PROVES_NOT = (
    (
        "the card reader delivered what is on the card. A card read once was compared with "
        "nothing; a card read twice, only with itself;"
    ),
    (
        "the picture and sound are what was wanted, or play to the end: a copy of a broken clip "
        "matches too;"
    ),
    "every card came in: what was never offloaded is not in this report;",
    "a copy is still good today: it says what was seen, and when. Drives fail and get lost;",
    (
        "nobody changed a file on purpose before it was read. Fast checksums find accidents; they "
        "don’t stop a forger."
    ),
)
"""What a report like this one does not prove, each the end of a sentence."""

STANDS = (
    "An earlier bad reading stands until the copy is written again or has been read well twice."
)


def format_words(clip: ClipLine) -> list[str]:
    """Codec, size in pixels, rate; of sound, its channels."""
    said = []
    if clip.codec or clip.container:
        said.append(clip.codec or clip.container or "")
    if clip.width and clip.height:
        said.append(f"{clip.width} × {clip.height}")
    if clip.variable_rate:
        said.append("variable rate")
    elif clip.frame_rate is not None and clip.kind == "picture":
        # 23.976 is 24000/1001 to everyone in the trade; 29.97 as 2997/100 is worth a word.
        known = clip.frame_rate.denominator in (1, 1001)
        exact = "" if known else f" ({clip.frame_rate})"
        said.append(f"{words.rate(clip.frame_rate)} fps{exact}")
    if clip.channels and clip.kind == "sound":
        hertz = f", {words.rate(Fraction(clip.sample_rate, 1000))} kHz" if clip.sample_rate else ""
        said.append(f"{words.counted(clip.channels, 'channel')}{hertz}")
    return said or ["not read"]


def copy_words(copy: CopyLine) -> str:
    """The state of one copy, and what says so."""
    parts = [copy.state.value]
    if copy.route:
        parts.append("past the cache" if copy.proven else f"route: {copy.route.value}")
    if copy.against:
        parts.append(f"against {copy.against.value}")
    if copy.at:
        parts.append(words.moment(copy.at))
    if copy.why and not copy.proven:
        parts.append(copy.why)
    return ", ".join(parts)


def day_title(end: DayEnd) -> str:
    """`The end of day 2`."""
    return "The end of the day" if end.day is None else f"The end of day {end.day}"


def day_parts(end: DayEnd) -> list[tuple[str, list[OpenLine]]]:
    """What is open, in two parts: what can't be had again tomorrow, and the rest."""
    tonight = [one for one in end.open if one.tonight]
    later = [one for one in end.open if not one.tonight]
    parts = [("Not to be had again tomorrow", tonight), ("The rest" if tonight else "Open", later)]
    return [(title, its) for title, its in parts if its]


def alike(copies: Sequence[CopyLine]) -> list[tuple[list[str], Words]]:
    """The drives whose copies are told in the same words, and the words."""
    held: dict[Words, list[str]] = {}
    for copy in copies:
        held.setdefault(Words(copy_words(copy), bad=not copy.proven), []).append(copy.drive)
    return [(drives, said) for said, drives in held.items()]


def left_words(offload: OffloadLine) -> list[str]:
    """What stayed on the card."""
    said = []
    if offload.litter:
        said.append(f"{words.counted(offload.litter, 'file')} of system litter")
    kinds: dict[str, int] = {}
    for kind, _, _ in offload.notes:
        kinds[kind] = kinds.get(kind, 0) + 1
    said += [f"{number:,} {kind}" for kind, number in kinds.items()]
    if not said and offload.left_out:
        said.append(words.counted(offload.left_out, "file"))
    return said or ["nothing"]
