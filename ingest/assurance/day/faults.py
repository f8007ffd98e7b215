"""Clips that don't play, or were set wrong, as findings of the day. Pure.

A few clips of a device are told one by one; a device that was set wrong on many is told once.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from ingest.assurance.day.values import DayFacts, Fault, Finding, Kind, settle_words
from ingest.assurance.story import ShotStory, said_shot, story_words
from ingest.names import shown
from ingest.wording import counted, listed

__all__ = ["fault_findings", "gone_tonight"]

_FEW = 3


def fault_findings(
    facts: DayFacts, faults: Sequence[Fault], stories: Sequence[ShotStory]
) -> Iterator[Finding]:
    """`faults`: those of the day's clips; `stories`: what the loss of each would cost."""
    alike: dict[tuple[str, ...], list[Fault]] = {}
    for fault in faults:
        said = facts.settled_as(fault.clip) or ""
        apart = fault.clip if fault.broken or not fault.device else ""
        alike.setdefault((fault.device, fault.wrong, fault.because, said, apart), []).append(fault)
    for some in alike.values():
        if len(some) > _FEW:
            yield _device(facts, some, stories)
        else:
            for fault in some:
                yield _clip(facts, fault, stories)


def gone_tonight(last_day: int | None, facts: DayFacts) -> bool:
    return last_day is not None and last_day <= facts.day


def _clip(facts: DayFacts, fault: Fault, stories: Sequence[ShotStory]) -> Finding:
    mine = _losing(stories, {fault.clip})
    again = [story for story in mine if story.again]
    told = "; ".join(story_words(story) for story in mine)
    clip, device = shown(fault.clip), shown(fault.device)
    if again:
        do = "ask whether it can be used as it is; else it must be shot again"
    elif fault.broken:
        do = "play it; offload the card again if it is whole there; or, if it will do: "
        do += settle_words(fault.clip)
    else:
        do = f"set {device} right before it rolls again, then: {settle_words(fault.clip)}"
    if again:
        do += f"; when that is decided: {settle_words(fault.clip)}"
    return Finding(
        Kind.BROKEN if fault.broken else Kind.SET_WRONG,
        f"{clip}: {fault.wrong}",
        f"{fault.because}{f'; {told}' if told else ''}",
        do,
        key=fault.clip,
        tonight=any(gone_tonight(story.last_day, facts) for story in again),
    )


def _device(facts: DayFacts, some: Sequence[Fault], stories: Sequence[ShotStory]) -> Finding:
    """One finding for a device of which many clips are wrong in the same way."""
    first, clips = some[0], tuple(fault.clip for fault in some)
    names = set(clips)
    kinds = {clip.kind for clip in facts.clips if clip.full_name in names}
    every = sum(
        clip.day == facts.day and clip.device == first.device and clip.kind in kinds
        for clip in facts.clips
    )
    mine = _losing(stories, names)
    again = [story for story in mine if story.again]
    because = first.because
    if again:
        shots = listed([said_shot(story.scene, story.shot) for story in again])
        because += f"; without them no good take is left of {shots}"
    if covered := len(mine) - len(again):
        because += f"; other clips cover {counted(covered, 'shot')} that they hold"
    key = f"{first.device}-{_slug(first.wrong)}"
    device = shown(first.device)
    asked = "ask whether they can be used as they are, else shoot again; " if again else ""
    return Finding(
        Kind.SET_WRONG,
        f"{device}: {len(clips):,} of {counted(every, 'clip')}: {first.wrong}",
        because,
        f"{asked}set {device} right before it rolls again; "
        f"which they are: ingest wrap --day {facts.day} --each; then: {settle_words(key)}",
        key=key,
        clips=clips,
        tonight=any(gone_tonight(story.last_day, facts) for story in again),
    )


def _losing(stories: Sequence[ShotStory], clips: set[str]) -> list[ShotStory]:
    return [story for story in stories if any(held.clip in clips for held, _ in story.lost)]


def _slug(wrong: str) -> str:
    """What was found, as one word to type: `29.97-fps` of `29.97 fps instead of 23.976 fps`."""
    found = ", ".join(one.partition(" instead of ")[0] for one in wrong.split(", "))
    return re.sub(r"[^A-Za-z0-9.]+", "-", found).strip("-")
