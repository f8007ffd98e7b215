"""The end of the day in one answer: everything that is open, the most urgent first. Pure."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence

from ingest.assurance.day.absence import Absence
from ingest.assurance.day.faults import fault_findings, gone_tonight
from ingest.assurance.day.values import (
    SHOT,
    BadCopies,
    ClipIn,
    DayFacts,
    Finding,
    Kind,
    Wrapped,
    settle_words,
)
from ingest.assurance.disputes import DISPUTED, settle_dispute
from ingest.assurance.story import (
    Held,
    LostClip,
    ShotStory,
    last_days,
    said_shot,
    story_words,
    tell_story,
)
from ingest.names import shown, typed
from ingest.slate.names import name_key
from ingest.wording import counted, listed, natural

__all__ = ["judge_day", "picture_takes", "span_words"]

_ORDER = {kind: place for place, kind in enumerate(Kind)}
_LEFT_OUT = {"older": "older than the date that was asked for"}
_CORRECT = (
    "correct the log and load it again, or say it by hand: ingest slate set {} --scene S --take N"
)
_NOT_WHOLE = {
    "unreadable": "could not be read",
    "damaged": "could be read in part only",
    "changed": "changed while it was copied",
    "vanished": "vanished while it was copied",
    "appeared": "appeared while the card was copied",
    "disputed": DISPUTED,
}


def judge_day(facts: DayFacts) -> Wrapped:
    """What is open at the end of the day, each with what it rests on and what to do.

    First what can't be had again tomorrow, then the rest; within both in the order of `Kind`.
    What somebody settled, and devices that somebody said were idle, are not open.
    """
    absence = Absence(facts)
    found = [*absence.findings, *_standing(facts)]
    found.sort(key=lambda one: (not one.tonight, _ORDER[one.kind]))
    said = [(one, facts.settled_as(*one.settled_by)) for one in found]
    return Wrapped(
        day=facts.day,
        open=tuple(one for one, words in said if words is None),
        settled=tuple((one, words) for one, words in said if words is not None),
        idle=tuple(sorted(facts.idle)),
    )


def picture_takes(clips: Sequence[ClipIn]) -> tuple[Held, ...]:
    """Every take that a picture clip holds, as the story of a loss wants them."""
    return tuple(
        Held(clip.full_name, clip.device, take.scene, take.take, take.shot, take.rating)
        for clip in clips
        if clip.kind == "picture"
        for take in clip.takes
    )


def _standing(facts: DayFacts) -> Iterator[Finding]:
    held = picture_takes(facts.clips)
    faults = tuple(fault for fault in facts.faults if fault.clip in _of_today(facts))
    # A clip may be settled: somebody looked at it and can live with it.
    lost = [*facts.lost]
    lost += [LostClip(f.clip, f.wrong) for f in faults if facts.settled_as(f.clip) is None]
    stories = tell_story(lost, held, facts.planned)
    yield from _problems(facts, stories)
    yield from _not_whole(facts)
    yield from _copies(facts)
    yield from fault_findings(facts, faults, stories)
    yield from _owed(facts, stories)
    yield from _clocks(facts)
    for one in facts.conflicts:
        clip = next(iter(one.clips), "")
        key = f"conflict {clip}".strip()
        yield Finding(
            Kind.CONFLICT,
            one.words,
            f"the log, the sound files and the clips of {shown(clip)} don't agree"
            if clip
            else "the log, the sound files and the clips don't agree",
            f"{one.do or _CORRECT.format(shown(clip) or 'ROLL/NAME')}; if both may stand: "
            f"{settle_words(key)}",
            key=key,
        )
    for held_roll in facts.held:
        yield Finding(
            Kind.HOLD, f"{shown(held_roll.roll)}: its card is held", held_roll.why, held_roll.do
        )
    for card in facts.due:
        yield Finding(
            Kind.CARD,
            f"card {shown(card.card)} is due at the rental house",
            f"it was to be back on {card.due.isoformat()}",
            f"ingest reuse, bring it back, then: ingest cards set {typed(card.card)} --returned",
        )


def _of_today(facts: DayFacts) -> frozenset[str]:
    return frozenset(clip.full_name for clip in facts.clips if clip.day == facts.day)


# Copies -------------------------------------------------------------------------------------------


def _problems(facts: DayFacts, stories: Sequence[ShotStory]) -> Iterator[Finding]:
    for bad in facts.bad:
        of_roll = [s for s in stories if any(_is_of(h.clip, bad) for h, _ in s.lost)]
        if bad.lost:
            told = "; ".join(story_words(story) for story in of_roll)
            because = f"no other good copy of {_it(bad)} is known" + (f"; {told}" if told else "")
            do = (
                f"keep the card of {shown(bad.roll)}, and offload it again if it is still whole: "
                "ingest offload CARD"
            )
        else:
            because = f"the copies of {_it(bad)} on other drives are good"
            do = f"ingest mend {typed(bad.drive)}"
        yield Finding(
            Kind.PROBLEM,
            f"{shown(bad.roll)}: {counted(len(bad.paths), 'file')} {bad.state} on "
            f"{shown(bad.drive)} ({listed(bad.paths, 2)})",
            because,
            do,
            tonight=bad.lost,
        )


def _is_of(clip: str, bad: BadCopies) -> bool:
    return clip.partition("/")[0] == bad.roll


def _it(bad: BadCopies) -> str:
    return "it" if len(bad.paths) == 1 else "them"


def _not_whole(facts: DayFacts) -> Iterator[Finding]:
    groups: defaultdict[tuple[str, str], list[str]] = defaultdict(list)
    for note in facts.notes:
        groups[note.roll, note.kind].append(note.path)
    for (roll, kind), paths in sorted(groups.items()):
        if kind in _NOT_WHOLE:
            yield Finding(
                Kind.PROBLEM,
                f"{shown(roll)}: {counted(len(paths), 'file')} {_NOT_WHOLE[kind]} "
                f"({listed(paths, 2)})",
                "the offload of its card saw it",
                settle_dispute(roll)
                if kind == "disputed"
                else "keep the card, try another reader and cable, and offload it again",
                tonight=True,
            )
        elif kind in _LEFT_OUT:
            yield Finding(
                Kind.HOLD,
                f"{shown(roll)}: {counted(len(paths), 'file')} left on the card, {_LEFT_OUT[kind]}",
                "the last offload of its card left them out",
                "offload the card again without --since before it is formatted",
            )


def _copies(facts: DayFacts) -> Iterator[Finding]:
    groups: defaultdict[tuple[int, tuple[str, ...]], list[str]] = defaultdict(list)
    for roll in facts.rolls:
        if not roll.finished:
            yield Finding(
                Kind.UNFINISHED,
                f"{shown(roll.name)}: its offload was cut off",
                "it has a start in the catalog and no end",
                "put the card in and run ingest offload again: it goes on",
                tonight=True,
            )
        elif roll.files and roll.copies < facts.wanted:
            groups[roll.copies, roll.drives].append(roll.name)
    for (copies, drives), names in sorted(groups.items()):
        rolls = listed(sorted(names, key=natural), 6)
        count = {0: "no proven copy", 1: "one proven copy"}.get(copies, f"{copies} proven copies")
        where = f"on {listed(drives, 4)}" if drives else "on no drive that counts"
        name = names[0] if len(names) == 1 else None
        which = f"--roll {shown(name)}" if name else f"--day {facts.day}"
        do = f"ingest copy {which} --to DRIVE, another physical device; keep the cards until then"
        if copies == 0:
            do = f"ingest audit, which reads them past the cache; then {do}"
        yield Finding(
            Kind.COPIES,
            f"{rolls}: {count} on separate devices, {facts.wanted} wanted",
            f"what is known of the copies {where}",
            do,
            tonight=copies == 0,
        )


# Shots --------------------------------------------------------------------------------------------


def _owed(facts: DayFacts, stories: Sequence[ShotStory]) -> Iterator[Finding]:
    """Planned shots with no good take, neither in nor in the log; what a loss has cost is told
    with the loss."""
    days = last_days(facts.planned)
    lost = {(shot.scene, shot.shot) for story in stories if (shot := story.planned)}
    for covered in facts.covered:
        shot = covered.planned
        due = facts.last_day if shot.day is None else shot.day <= facts.day
        if not covered.owed or not due or (shot.scene, shot.shot) in lost:
            continue
        last = days.get(name_key(shot.location)) if shot.location else None
        where = f" at {shown(shot.location)}" if shot.location else ""
        tonight = facts.last_day or gone_tonight(last, facts)
        when = f"; the last day there is day {last}" if last is not None else ""
        taken = f"only {counted(len(covered.takes), 'NG take')}" if covered.takes else "no take"
        day = f" for day {shot.day}" if shot.day is not None else ""
        key = shown(f"{SHOT}{shot.shot or shot.scene}")
        yield Finding(
            Kind.SHOT,
            f"{said_shot(shot.scene, shot.shot)} is still owed{where}",
            f"{shown(shot.list) or 'the shot list'} plans it{day}, {taken} is known{when}",
            ("shoot it before you leave" if tonight else "shoot it on another day")
            + f"; or move it in the shot list; or, if it is dropped: {settle_words(key)}",
            key=key,
            tonight=tonight,
        )


# Clocks -------------------------------------------------------------------------------------------


def _clocks(facts: DayFacts) -> Iterator[Finding]:
    for clock in facts.clocks:
        device = facts.device_named(clock.device)
        name = shown(clock.device) + (f" {shown(device.name)}" if device and device.name else "")
        yield Finding(
            Kind.CLOCK,
            f"{name} is {span_words(abs(clock.seconds))} {'fast' if clock.seconds > 0 else 'slow'}",
            clock.because,
            f"set its clock before it rolls again, then: {settle_words(f'clock-{clock.device}')}",
            key=f"clock-{clock.device}",
        )


def span_words(seconds: int) -> str:
    """`3 min 12 s`, `1 h 17 s`, `1 day 2 h`."""
    parts = []
    for unit, size in (("day", 86400), ("h", 3600), ("min", 60), ("s", 1)):
        count, seconds = divmod(seconds, size)
        if count:
            name = "days" if unit == "day" and count > 1 else unit
            parts.append(f"{count} {name}")
    return " ".join(parts[:3]) or "0 s"
