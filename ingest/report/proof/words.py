"""The sentences of a proof: dated, and never more than was compared. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from fractions import Fraction

from ingest.names import shown
from ingest.report.proof.facts import CHECKABLE, ProofDrive, ProofFacts
from ingest.wording import counted, listed, moment, size, speed

__all__ = ["bounds", "duration", "headline", "mail", "missing_kinds", "title", "todays"]


_FRESH = timedelta(hours=24)


def title(facts: ProofFacts) -> str:
    return (
        f"{shown(facts.scope)}: what was checked, as of {moment(facts.as_of)}, and how to check it "
        "yourself"
    )


def headline(facts: ProofFacts) -> str:
    """What was compared, in one sentence."""
    files = f"{counted(len(facts.files), 'file')}, {size(facts.bytes)}"
    if not facts.drives:
        return f"As of {moment(facts.as_of)}, no copy of {files} on a drive is known."
    names = listed([drive.name for drive in facts.drives], 6)
    looked = _looked(facts)
    if facts.well:
        each = "each of its copies" if len(facts.files) == 1 else "every copy"
        return (
            f"As of {moment(facts.as_of)}, of {shown(facts.scope)} ({files}), {each} on {names} "
            f"had been read again after it was written, {_route(facts.drives)}, and was equal in "
            f"length and checksum to {_against(facts.drives)}; {looked}."
        )
    wrong = len({(one.drive, one.what) for one in facts.findings})
    equal = len(facts.files) - len({file.name for file in facts.files} & _named(facts))
    told = (
        "1 thing is not as it should be and is"
        if wrong == 1
        else (f"{wrong:,} things are not as they should be and are")
    )
    return (
        f"As of {moment(facts.as_of)}, of {shown(facts.scope)} ({files}), "
        f"{counted(equal, 'file')} {'was' if equal == 1 else 'were'} equal in length and checksum "
        f"in every copy on {names}; {told} named in this proof; {looked}."
    )


def _named(facts: ProofFacts) -> set[str]:
    return {finding.what for finding in facts.findings}


def mail(facts: ProofFacts, folder: str) -> tuple[str, str]:
    """Two sentences for a mail."""
    signed = (
        f", and is signed with the key {facts.signer}, which we tell you by another way than this"
        if facts.signer
        else ""
    )
    return (
        headline(facts),
        (
            f"The folder {shown(folder)} names every file with its checksums{signed}; its "
            "VERIFY.html says what to type on macOS, Windows or Linux to check your drive yourself."
        ),
    )


def todays(facts: ProofFacts) -> tuple[str, ...]:
    """What would make it today's, for whoever sends it: which drive, and how long it takes."""
    stale = [
        drive
        for drive in facts.drives
        if drive.oldest is None or facts.as_of - drive.oldest > _FRESH
    ]
    if not stale:
        return ("Every look it rests on was taken in the last 24 hours.",) if facts.drives else ()
    return tuple(
        f"To make it today's for {shown(drive.name)}: "
        f"{'it is plugged in' if drive.mounted else 'plug it in'}; ingest audit "
        f"{shown(drive.name)} ({duration(drive)}), then ingest proof again."
        for drive in stale
    )


def missing_kinds(facts: ProofFacts) -> tuple[str, ...]:
    """What the client's computer can't do with these checksums, and the reading that helps."""
    said = []
    missing, unbound = facts.uncheckable, facts.unbound
    quickest = min(
        facts.drives, key=lambda one: (not one.mounted, one.seconds is None, one.seconds or 0),
        default=None,
    )  # fmt: skip
    if missing:
        said.append(
            f"{counted(missing, 'file')} of {len(facts.files):,} "
            f"{'has' if missing == 1 else 'have'} no checksum that a computer can check with what "
            f"it brings along ({', '.join(CHECKABLE)})."
        )
    elif facts.signer and unbound:
        said.append(
            f"{counted(unbound, 'file')} of {len(facts.files):,} "
            f"{'has' if unbound == 1 else 'have'} no c4 or sha256: for "
            f"{'it' if unbound == 1 else 'them'} the signature shows accidental damage, not "
            "tampering."
        )
    if said and quickest is not None:
        name = shown(quickest.name)
        where = f"reading {name}" if quickest.mounted else f"plug in {name}; reading it"
        said.append(
            f"Do: {where} once adds c4 ({duration(quickest)}): ingest audit {name} --checksum c4, "
            "then ingest proof again"
        )
    return tuple(said)


def bounds(facts: ProofFacts) -> tuple[str, ...]:
    """What the proof shows, and what it doesn't."""
    once = sorted(roll.name for roll in facts.rolls if roll.card_read == 1)
    said = [
        (
            "It shows that each copy, when it was last read, was equal to what the card's reader "
            "gave when the card was copied."
        ),
        (
            "It does not show what became of a drive since that look: read the drive again to "
            "know, as VERIFY.html says."
        ),
        "It does not show that the card held what the camera saw, nor that a clip plays.",
    ]
    if once:
        said.append(
            f"The card was read once ({listed(once, 8)}): an error of the card's reader in that "
            "one pass would be in every copy."
        )
    if facts.devices < len(facts.drives):
        names = listed([drive.name for drive in facts.drives], 6)
        said.append(f"It does not show that {names} are separate devices: some of them may be one.")
    cached = [drive.name for drive in facts.drives if drive.cached]
    if cached:
        said.append(
            f"On {listed(cached)} the computer may have answered from its memory instead of the "
            "drive, so that such a look shows less."
        )
    lists = [drive.name for drive in facts.drives if drive.own_list]
    if lists:
        said.append(f"On {listed(lists)} some copies were compared with a list on a drive only.")
    if facts.signer and facts.binds:
        said.append(
            f"It is signed with the key {facts.signer}, and every file has a checksum that nobody "
            "is known to be able to forge (c4 or sha256): whoever changes a file or this folder "
            "on purpose is found out, as long as you know from the sender that this is the key."
        )
    elif facts.signer:
        said.append(
            f"It is signed with the key {facts.signer}, but {facts.unbound:,} of "
            f"{counted(len(facts.files), 'file')} have neither c4 nor sha256: for those it shows "
            "accidental damage, not tampering."
        )
    else:
        said.append(
            "It is not signed: it shows accidental damage, not tampering, since whoever changes a "
            "file could change its checksum here, too."
        )
    if facts.redacted:
        said.append(
            "Scene and take, notes, and names of people and computers are left out. Names of "
            "files are not, since nothing could be checked without them."
        )
    return tuple(said)


def duration(drive: ProofDrive) -> str:
    """How long reading a drive's files takes, with what it rests on."""
    if drive.seconds is None or drive.speed is None:
        guess = Fraction(drive.bytes, 100_000_000)
        return (
            f"{size(drive.bytes)}; its speed was never measured, at 100 MB/s it would take "
            f"{_spelled(guess)}"
        )
    return f"{size(drive.bytes)}, {_spelled(drive.seconds)} at the {speed(drive.speed)} measured"


def _spelled(seconds: Fraction) -> str:
    if seconds < 90:
        return f"about {max(1, round(seconds))} s"
    if seconds < 5400:
        return f"about {round(seconds / 60)} min"
    return f"about {float(seconds / 3600):.1f} h"


def _looked(facts: ProofFacts) -> str:
    oldest, newest = facts.oldest, facts.newest
    if oldest is None or newest is None:
        return "no copy has been looked at"
    if moment(oldest) == moment(newest):
        return f"the last look at each was on {moment(newest)}"
    return f"the last look at each was between {moment(oldest)} and {moment(newest)}"


def _route(drives: Sequence[ProofDrive]) -> str:
    cached = sum(drive.cached for drive in drives)
    if not cached:
        return "past the computer's cache"
    if cached == sum(drive.matched for drive in drives):
        return "though the computer may have answered from its memory"
    return f"{counted(cached, 'copy')} of them perhaps from the computer's memory"


def _against(drives: Sequence[ProofDrive]) -> str:
    listed_only = sum(drive.own_list for drive in drives)
    if not listed_only:
        return "what the card's reader gave"
    if listed_only == sum(drive.matched for drive in drives):
        return "a list on a drive (no read of the card is known)"
    return f"what the card's reader gave ({counted(listed_only, 'copy')}: to a list on a drive)"
