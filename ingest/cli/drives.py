"""`ingest drives`: the drives that are known, and how what is on them stands."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import TYPE_CHECKING, Any

from ingest.cli.terminal import Terminal, job
from ingest.errors import ExitCode
from ingest.names import shown
from ingest.wording import size

if TYPE_CHECKING:
    from ingest.jobs.known import DriveOverview, Tally

__all__ = ["age", "command", "tally_document", "tally_words"]


@job("drives")
def command(terminal: Terminal) -> int:
    """The drives that are known: whether each is mounted, and the state of the copies on it.

    Exit: 0; 3 when a copy on one of them is damaged, missing or doubtful.
    """
    from datetime import UTC

    from ingest.jobs.known import drive_overviews

    now = datetime.now(UTC)
    with terminal.catalog() as catalog:
        overviews = drive_overviews(catalog, now)
    terminal.answer(
        {"drives": [_document(one) for one in overviews]},
        _lines(overviews, now) if overviews else ["No drive is known yet. Do: ingest offload"],
    )
    bad = any(one.tally.bad or one.tally.doubtful or one.here.doubt for one in overviews)
    return ExitCode.FOOTAGE if bad else ExitCode.WELL


def _document(one: DriveOverview) -> dict[str, Any]:
    drive, volume = one.here.drive, one.here.volume
    return {
        "name": drive.name,
        "marker": drive.marker,
        "mounted": volume is not None,
        "root": volume.root if volume is not None else drive.root,
        "device": volume.device if volume is not None else drive.device,
        "fs_type": drive.fs_type,
        "free": volume.free if volume is not None else None,
        "total": volume.total if volume is not None else None,
        "last_seen": drive.last_seen.isoformat(),
        "doubt": one.here.doubt or None,
        "rolls": list(one.rolls),
        **tally_document(one.tally),
    }


def _lines(overviews: tuple[DriveOverview, ...], now: datetime) -> Iterator[str]:
    for one in overviews:
        drive, volume = one.here.drive, one.here.volume
        if volume is not None:
            where = f"mounted at {shown(volume.root)}, {size(volume.free)} free"
        else:
            where = f"not mounted, last seen {age(drive.last_seen, now)} at {shown(drive.root)}"
        yield f"{shown(drive.name)}: {where}; {shown(drive.device)}"
        if one.here.doubt:
            yield f"  ! {one.here.doubt}. Don't: count on what is on it"
        yield f"  {len(one.rolls)} rolls, {tally_words(one.tally, now)}"


def tally_document(tally: Tally) -> dict[str, Any]:
    """How copies stand, as JSON."""
    return {
        "copies": tally.copies,
        "proven": tally.proven,
        "states": {str(state): count for state, count in sorted(tally.states.items())},
        "oldest_evidence": tally.oldest.isoformat() if tally.oldest is not None else None,
        "newest_evidence": tally.newest.isoformat() if tally.newest is not None else None,
        "dated_in_the_future": tally.future,
    }


def tally_words(tally: Tally, now: datetime) -> str:
    """How copies stand, in words."""
    if not tally.copies:
        return "no copies"
    states = ", ".join(f"{count} {state}" for state, count in sorted(tally.states.items()))
    text = f"{tally.copies} copies: {states}"
    if tally.proven < tally.matched:
        text += f" ({tally.proven} of them read past the cache)"
    if tally.oldest is not None:
        text += f"; oldest evidence {age(tally.oldest, now)}"
    return text + (", some dated in the future" if tally.future else "")


def age(then: datetime, now: datetime) -> str:
    """How long ago, roughly; a time in the future says nothing about age."""
    seconds = int((now - then).total_seconds())
    if seconds < 0:
        return "of unknown age"
    for unit, length in (("day", 86400), ("hour", 3600), ("minute", 60)):
        if (count := seconds // length) > 0:
            return f"{count} {unit}{'s' if count > 1 else ''} ago"
    return "just now"
