"""What needs a person, out of what was gathered: pure functions, the most urgent first."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from datetime import datetime

from ingest.assurance.disputes import DISPUTED, settle_dispute
from ingest.assurance.footage.set_wrong import Oddity
from ingest.assurance.footage.timecodes import TimecodeFault
from ingest.assurance.worth import Weakness
from ingest.evidence import State
from ingest.report.facts import (
    ClipLine,
    CopyLine,
    DriveLine,
    FileLine,
    OffloadLine,
    Problem,
    RollLine,
    separate_devices,
)
from ingest.wording import counted, listed

__all__ = ["find_problems", "have", "lack"]

_STILL_ON_CARD = {
    "unreadable": "could not be read from the card",
    "damaged": "came off the card with pieces missing",
    "changed": "changed on the card while it was copied",
    "vanished": "vanished from the card while it was copied",
    "appeared": "appeared on the card while it was copied, and not copied yet",
    "disputed": DISPUTED,
    "older": "left on the card because older than the date asked for",
}


def find_problems(
    *,
    files: Sequence[FileLine],
    clips: Sequence[ClipLine],
    drives: Sequence[DriveLine],
    rolls: Sequence[RollLine],
    offloads: Sequence[OffloadLine],
    wanted: int,
    now: datetime,
    odd: Sequence[Oddity] = (),
    faults: Sequence[TimecodeFault] = (),
) -> tuple[Problem, ...]:
    """Everything that needs a person, the serious first, most urgent on top."""
    found = [
        *_nothing(files, rolls),
        *_bad_copies(files),
        *_lost_on_card(offloads),
        *_cut_off(offloads),
        *_too_few(files, drives, wanted),
        *_weak_copies(files),
        *_future(files, now),
        *_broken(clips),
        *_look(clips),
        *_doubts(clips),
        *_set_wrong(odd),
        *_timecode(faults),
    ]
    return tuple(sorted(found, key=lambda problem: not problem.serious))


def _nothing(files: Sequence[FileLine], rolls: Sequence[RollLine]) -> list[Problem]:
    if not files:
        return [
            Problem(
                "nothing came in",
                "The catalog holds no file here.",
                "offload the card: ingest offload CARD --to DRIVE --to DRIVE",
                items=tuple(roll.name for roll in rolls),
            )
        ]
    empty = tuple(roll.name for roll in rolls if not roll.files)
    if not empty:
        return []
    return [
        Problem(
            "roll without files",
            f"{counted(len(empty), 'roll')} {have(len(empty))} no file in the catalog.",
            "offload the card again; it takes only what is missing",
            items=empty,
        )
    ]


def _bad_copies(files: Sequence[FileLine]) -> list[Problem]:
    groups: defaultdict[tuple[str, State], list[str]] = defaultdict(list)
    for file in files:
        for copy in file.copies:
            if copy.state.is_bad:
                groups[copy.drive, copy.state].append(file.name)
    meaning = {
        State.MISMATCH: "same length, other content",
        State.SHORT: "fewer bytes than the card gave",
        State.LONG: "more bytes than the card gave",
        State.MISSING: "no longer there",
        State.UNREADABLE: "could not be read",
    }
    return [
        Problem(
            state.value,
            f"{counted(len(names), 'copy')} on {listed([drive])}: {state.value}, {meaning[state]}.",
            "hold the card; make a new copy from one that is good"
            if state is State.MISSING
            else "hold the card; leave this copy as it is; ingest mend puts back a good one",
            items=tuple(names),
        )
        for (drive, state), names in groups.items()
    ]


def _lost_on_card(offloads: Sequence[OffloadLine]) -> list[Problem]:
    groups: defaultdict[tuple[str, str, str], list[str]] = defaultdict(list)
    for offload in offloads:
        for kind, path, _ in offload.notes:
            # What is in dispute stays so, whatever a later offload of the card took.
            if (offload.last or kind == "disputed") and kind in _STILL_ON_CARD:
                roll = offload.roll if kind == "disputed" else ""
                groups[offload.card, roll, kind].append(f"{offload.roll}/{path}")
    return [
        Problem(
            kind,
            f"{counted(len(names), 'file')} {_STILL_ON_CARD[kind]} (card {listed([card])}).",
            settle_dispute(roll)
            if kind == "disputed"
            else "hold the card; offload it again: it takes only what is missing",
            items=tuple(names),
        )
        for (card, roll, kind), names in groups.items()
    ]


def _cut_off(offloads: Sequence[OffloadLine]) -> list[Problem]:
    open_ = [offload for offload in offloads if offload.last and offload.verdict != "matched"]
    problems = []
    for offload in open_:
        name = listed([offload.roll])
        do = "hold the card; run the same offload again: it goes on where it stopped"
        if offload.verdict == "claimed":
            what = f"{name} is known from hash lists alone, and nobody has read it yet."
            do = "hold the card; ingest audit turns claims into evidence"
        elif offload.verdict == "problem":
            what = f"The last offload of {name} ended with a problem."
        else:
            what = f"The last offload of {name} was not finished: there may be more on the card."
        problems.append(
            Problem(
                "offload " + offload.verdict,
                what,
                do,
                items=(offload.roll,),
            )
        )
    return problems


def _too_few(files: Sequence[FileLine], drives: Sequence[DriveLine], wanted: int) -> list[Problem]:
    poor = tuple(file.name for file in files if file.good < wanted)
    if not poor:
        return []
    shared = separate_devices(drive.device_key for drive in drives)
    because = ""
    if len(drives) > 1 and shared < min(len(drives), wanted):
        because = f", since the {len(drives)} drives count as {shared}"
    return [
        Problem(
            "too few copies",
            f"{counted(len(poor), 'file')} of {len(files):,} {lack(len(poor), wanted)}{because}.",
            "hold the card; offload it to another drive, on a physical device of its own",
            items=poor,
        )
    ]


def _weak_copies(files: Sequence[FileLine]) -> list[Problem]:
    groups: defaultdict[tuple[str, str], list[str]] = defaultdict(list)
    for file in files:
        for copy in file.copies:
            if copy.weak in _WEAK:
                groups[copy.drive, _weakness(copy)].append(file.name)
    return [
        Problem(
            "not proven",
            f"{counted(len(names), 'copy')} on {listed([drive])} {weakness}.",
            "eject the drive, plug it in again, then: ingest audit DRIVE",
            items=tuple(names),
        )
        for (drive, weakness), names in groups.items()
    ]


_WEAK = {
    Weakness.GONE: "not counted: the drive is, or was, written down as dead or lost",
    Weakness.CACHED: "matched, but the system may have answered from memory",
    Weakness.OWN_LIST: "matched a list on a drive, but not what the card gave",
    Weakness.DOUBTFUL: "seen bad once and good since: not trusted yet",
    Weakness.UNREAD: "written, but not yet read back",
}
"""What is bad, and what is dated in the future, is told by itself."""


def _weakness(copy: CopyLine) -> str:
    if copy.state is State.CLAIMED:
        return "only claimed by a list; nobody has looked"
    return _WEAK[copy.weak] if copy.weak is not None else ""


def _future(files: Sequence[FileLine], now: datetime) -> list[Problem]:
    """Evidence dated in the future is of unknown age: a clock was wrong when it was taken."""
    ahead = tuple(
        file.name
        for file in files
        if any(copy.at is not None and copy.at > now for copy in file.copies)
    )
    if not ahead:
        return []
    return [
        Problem(
            "evidence from the future",
            f"The evidence on {counted(len(ahead), 'file')} is dated later than this report: "
            "its age is not known.",
            "set the computer's clock, then: ingest audit DRIVE",
            items=ahead,
        )
    ]


def _broken(clips: Sequence[ClipLine]) -> list[Problem]:
    """A copy proven bit for bit of a broken clip is still broken."""
    broken = [clip for clip in clips if clip.health == "broken"]
    if not broken:
        return []
    return [
        Problem(
            "broken clip",
            f"{counted(len(broken), 'clip')} can't be played whole.",
            "hold the card; view the clip on the card itself, and tell the director",
            items=tuple(f"{clip.name}: {' '.join(clip.findings)}" for clip in broken),
        )
    ]


def _look(clips: Sequence[ClipLine]) -> list[Problem]:
    odd = [clip for clip in clips if clip.health == "look"]
    if not odd:
        return []
    play, ask = ("plays", "asks") if len(odd) == 1 else ("play", "ask")
    return [
        Problem(
            "clip to look at",
            f"{counted(len(odd), 'clip')} {play} and {ask} for an eye or an ear.",
            "play it to its end before the card is formatted",
            serious=False,
            items=tuple(f"{clip.name}: {' '.join(clip.findings)}" for clip in odd),
        )
    ]


def _doubts(clips: Sequence[ClipLine]) -> list[Problem]:
    doubtful = [clip for clip in clips if clip.doubts and clip.health not in ("broken", "look")]
    if not doubtful:
        return []
    return [
        Problem(
            "clip not fully understood",
            f"{counted(len(doubtful), 'clip')} could not be read in full, or "
            "two of its own statements disagree.",
            "play it to its end before the card is formatted",
            serious=False,
            items=tuple(f"{clip.name}: {'; '.join(clip.doubts)}" for clip in doubtful),
        )
    ]


def _set_wrong(odd: Sequence[Oddity]) -> list[Problem]:
    """Clips recorded otherwise than ingest.toml asks, or than the device's other clips were."""
    wrong = [one for one in odd if one.wrong]
    if not wrong:
        return []
    clips = len({one.clip for one in wrong})
    return [
        Problem(
            "set wrong",
            f"{counted(clips, 'clip')} {'was' if clips == 1 else 'were'} recorded with other "
            "settings than asked for, or than the rest.",
            "ask the camera department whether it was meant",
            serious=False,
            items=tuple(f"{one.clip}: {one.words} ({one.basis})" for one in wrong),
        )
    ]


def _timecode(faults: Sequence[TimecodeFault]) -> list[Problem]:
    if not faults:
        return []
    return [
        Problem(
            "timecode",
            f"Timecode does not go forwards in {counted(len(faults), 'place')}.",
            "tell whoever syncs picture and sound; jam the cameras again",
            serious=False,
            items=tuple(fault.words for fault in faults),
        )
    ]


def lack(number: int, wanted: int) -> str:
    """What files that have fewer good copies than wanted lack: `has no good second copy`."""
    what = {1: "no good copy", 2: "no good second copy"}.get(
        wanted, f"fewer than {wanted} good copies"
    )
    return f"{have(number)} {what}"


def have(number: int) -> str:
    """`has` or `have`."""
    return "has" if number == 1 else "have"
