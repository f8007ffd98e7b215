"""The answer in a sentence, and what belongs beside it: pure functions of what was gathered.

The sentence never claims more than was compared, never says that footage is safe, and always
says as of when.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from datetime import datetime

from ingest.report.facts import DayEnd, DriveLine, FileLine, OffloadLine, Problem, RollLine
from ingest.report.problems import have, lack
from ingest.wording import brief, counted, listed, moment, size

__all__ = ["CAUTIONS", "say_remarks", "say_verdict"]

CAUTIONS = (
    "Format a card in the camera it goes into, never in the computer.",
    "Whoever offloads says when a card may be formatted; nobody else decides it.",
    "Not before the copies are in two bags that travel apart.",
    "If the system offers to repair the card, say no.",
    "Formatted is not erased: what was shot can often still be read by others.",
)
"""The usual cautions before a card is formatted: common practice, no published source."""


def say_verdict(
    *, files: Sequence[FileLine], problems: Sequence[Problem], wanted: int, now: datetime
) -> str:
    """The sentence at the top of every form of the report."""
    as_of = f"(as of {moment(now)})"
    if not files:
        return f"Nothing to vouch for: the catalog holds no file here {as_of}."
    serious = [problem for problem in problems if problem.serious]
    copies = [copy for file in files for copy in file.copies]
    names = {copy.drive for copy in copies}
    everything = f"{counted(len(files), 'file')}, {size(sum(file.size for file in files))}"
    if not serious:
        where = f"on {counted(len(names), 'drive')}"
        fewest = min(len(file.copies) for file in files)
        if fewest < len(names):
            where = f"each on at least {fewest} of {len(names)} drives"
        return (
            f"{everything}, {where}: every copy was read back past the cache and matched {as_of}."
        )
    poor = [file.name for file in files if file.good < wanted]
    if poor:
        nowhere = files_without(files) == len(poor)
        lacking = f"{have(len(poor))} no good copy at all" if nowhere else lack(len(poor), wanted)
        return (
            f"Not safe yet: {counted(len(poor), 'file')} of {len(files):,} {lacking}: "
            f"{listed([brief(name) for name in poor])} {as_of}."
        )
    not_good = sum(not copy.proven for copy in copies)
    many = _copies_in_words(wanted)
    if not_good:
        are = "is" if not_good == 1 else "are"
        return (
            f"Needs a person: {counted(not_good, 'copy')} of {len(copies):,} {are} "
            "not proven good, "
            f"though each of {counted(len(files), 'file')} has {many} elsewhere that were read "
            f"back past the cache and matched {as_of}."
        )
    return (
        f"Needs a person: {_lower(serious[0].what)} The {counted(len(files), 'file')} that did "
        f"come in have {many} each that were read back past the cache and matched {as_of}."
    )


def files_without(files: Iterable[FileLine]) -> int:
    """How many files have no good copy at all."""
    return sum(file.good == 0 for file in files)


def say_remarks(
    *,
    files: Sequence[FileLine],
    drives: Sequence[DriveLine],
    rolls: Sequence[RollLine],
    offloads: Sequence[OffloadLine],
    day_end: DayEnd | None = None,
) -> tuple[str, ...]:
    """What belongs beside the verdict, a sentence each."""
    said: list[str] = []
    none = files_without(files)
    if none:
        said.append(f"{counted(none, 'file')} {have(none)} no good copy anywhere.")
    once = [roll.name for roll in rolls if roll.card_read == 1]
    twice = [roll.name for roll in rolls if roll.card_read > 1]
    unknown = [roll.name for roll in rolls if roll.card_read < 1]
    if once:
        said.append(
            f"Card read once ({listed(once, 6)}): the copies equal what the card reader "
            "delivered in that one pass."
        )
    if twice:
        said.append(
            f"Card read twice ({listed(twice, 6)}): both passes over the card were compared."
        )
    if unknown:
        said.append(f"How often the card was read is not recorded: {listed(unknown, 6)}.")
    said += _shared_devices(drives)
    looks = [copy.at for file in files for copy in file.copies if copy.at is not None]
    if looks:
        first, last = moment(min(looks)), moment(max(looks))
        until = f" to {last}" if last != first else ""
        said.append(f"The evidence dates from {first}{until}.")
    absent = [drive.name for drive in drives if not drive.mounted]
    if absent:
        said.append(
            f"Not plugged in when this was written: {listed(absent, 6)}. "
            "What is said of them is what was seen then."
        )
    if day_end is not None and day_end.open:
        things = counted(len(day_end.open), "thing")
        said.append(f"Day {day_end.day} is still open: {things}, named under its end.")
    return tuple(said)


def _shared_devices(drives: Sequence[DriveLine]) -> list[str]:
    groups: defaultdict[str, list[str]] = defaultdict(list)
    for drive in drives:
        groups[drive.device_key].append(drive.name)
    said = [
        f"{listed(names, 6)} lie on one physical device and count as one copy."
        for key, names in groups.items()
        if key and len(names) > 1
    ]
    if groups[""] and len(drives) > 1:
        them = groups[""]
        said.append(
            f"Which physical device {listed(them, 6)} {'lies' if len(them) == 1 else 'lie'} on "
            "is not known, so it can't be counted as a separate copy."
        )
    return said


def _copies_in_words(wanted: int) -> str:
    return "one good copy" if wanted == 1 else f"{wanted} good copies on separate devices"


def _lower(sentence: str) -> str:
    return sentence[:1].lower() + sentence[1:]
