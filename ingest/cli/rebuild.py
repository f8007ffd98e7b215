"""`ingest rebuild`: the catalog from the drives' hash lists alone."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

import click

from ingest.cli.terminal import Terminal, job
from ingest.errors import ExitCode
from ingest.names import shown
from ingest.wording import counted, whole

if TYPE_CHECKING:
    from ingest.jobs.rebuilding.values import Difference, Result

__all__ = ["command"]

_MOST = 20
_FEW = 10


@job("rebuild")
@click.argument("drives", nargs=-1, required=True, metavar="DRIVE...")
@click.option("--production", metavar="NAME", help="Where a folder's place doesn't tell it.")
@click.option("--day", type=int, metavar="N", help="Where a folder's place doesn't tell it.")
@click.option("--roll", metavar="NAME", help="Where a folder's place doesn't tell it.")
@click.option("--clips", is_flag=True, help="Then read what the clips are, from these drives.")
@click.option("--mark", is_flag=True, help="Write a marker file on a drive that has none.")
def command(
    terminal: Terminal,
    drives: tuple[str, ...],
    production: str | None,
    day: int | None,
    roll: str | None,
    clips: bool,
    mark: bool,
) -> int:
    """Make the catalog anew from the hash lists on each DRIVE.

    Name every drive that is left at once: files on which their lists differ are named. No footage
    is read, so everything taken in is a claim until ingest audit has read it; and no claim ever
    carries a card to reuse. Running it again adds nothing.

    --clips then reads facts, pictures and health of the clips of every roll that has none, from
    copies on drives that are here. That makes no claim evidence: only an audit compares.

    Exit: 0 taken in; 3 lists differ, name what isn't there, or can't be trusted.
    """
    import secrets
    from datetime import UTC, datetime

    from ingest.jobs.further.lists import Request
    from ingest.jobs.reading_clips import read_missing_clips
    from ingest.jobs.rebuilding.running import rebuild

    request = Request(
        drives=drives,
        settings=terminal.settings(places=drives, production=production),
        production=production,
        day=day,
        roll=roll,
        mark=mark,
    )
    with terminal.catalog() as catalog:
        result = rebuild(
            request,
            catalog,
            terminal.observer(),
            run=lambda: secrets.token_hex(8),
            now=lambda: datetime.now(UTC),
        )
        read: Mapping[str, int] = {}
        if clips:
            read = read_missing_clips(
                catalog,
                terminal.observer(),
                request.settings,
                run=secrets.token_hex(8),
                now=lambda: datetime.now(UTC),
                places=drives,
                workers=os.cpu_count() or 1,
            )
    document = {**_document(result), "clips": [{"roll": k, "clips": n} for k, n in read.items()]}
    said = [f"Clips read: {counted(sum(read.values()), 'clip')} of {counted(len(read), 'roll')}."]
    terminal.answer(document, [*_lines(result), *(said if clips else [])])
    return ExitCode.WELL if result.verdict == "claimed" else ExitCode.FOOTAGE


def _document(result: Result) -> dict[str, Any]:
    return {
        "verdict": result.verdict,
        "new_files": result.new_files,
        "new_claims": result.new_claims,
        "drives": [
            {
                "name": drive.name,
                "root": drive.root,
                "rolls": [
                    {
                        "production": roll.production,
                        "day": roll.day,
                        "date": roll.date,
                        "roll": roll.roll,
                        "folder": roll.folder,
                        "files": roll.files,
                        "other_list": roll.other_list,
                        "missing": roll.missing,
                    }
                    for roll in drive.rolls
                ],
                "unlisted": len(drive.unlisted),
                "unlisted_files": list(drive.unlisted),
            }
            for drive in result.drives
        ],
        "differences": [
            {
                "production": one.production,
                "roll": one.roll,
                "path": one.path,
                "comparable": one.comparable,
                "says": [
                    {"drive": drive, "size": size, "digests": dict(digests)}
                    for drive, size, digests in one.says
                ],
            }
            for one in result.differences
        ],
        "problems": [
            {"path": one.path, "drive": one.drive, "state": one.state, "detail": one.detail}
            for one in result.problems
        ],
    }


def _lines(result: Result) -> Iterator[str]:
    new = (
        f"{counted(result.new_files, 'new file')}, {counted(result.new_claims, 'new claim')}"
        if result.new_claims
        else "nothing new"
    )
    if result.verdict == "claimed":
        yield f"REBUILT: {new}. All of it is claimed by hash lists; nobody has read it."
    else:
        wrong = len(result.problems) + len(result.differences)
        yield f"REBUILT, WITH {counted(wrong, 'PROBLEM').upper()}: {new}."
    for drive in result.drives:
        yield f"{shown(drive.name)} ({whole(drive.root)})"
        for roll in drive.rolls:
            parts = [counted(roll.files, "file")]
            if roll.other_list:
                parts.append(f"{roll.other_list:,} that only another drive's list names")
            if roll.missing:
                parts.append(f"{roll.missing:,} not there")
            yield f"  {shown(roll.production)}, day {roll.day}, {shown(roll.roll)}: " + ", ".join(
                parts
            )
        for path in drive.unlisted[:_FEW]:
            yield f"    in no list: {whole(path)}"
        if len(drive.unlisted) > _FEW:
            yield f"    and {len(drive.unlisted) - _FEW:,} more that no list names"
    for difference in result.differences[:_MOST]:
        yield from _difference_lines(difference)
    if len(result.differences) > _MOST:
        yield f"  ... and {len(result.differences) - _MOST:,} more (--json tells all)"
    for problem in result.problems[:_MOST]:
        yield (
            f"! {shown(problem.drive)}: {whole(problem.path)}: {problem.state} "
            f"({shown(problem.detail)})"
        )
    if len(result.problems) > _MOST:
        yield f"  ... and {len(result.problems) - _MOST:,} more (--json tells all)"
    if result.differences:
        yield "Do: keep every one of these copies until a person has looked at them."
    yield "Do: ingest audit, which reads the footage and turns claims into evidence."
    yield "Don't: format a card on the strength of lists; offload it again first."


def _difference_lines(difference: Difference) -> Iterator[str]:
    said = "the lists differ" if difference.comparable else "the lists can't be compared"
    yield f"! {whole(difference.roll)}/{whole(difference.path)}: {said}"
    for drive, size, digests in difference.says:
        told = ", ".join(f"{kind} {shown(digest)}" for kind, digest in sorted(digests.items())[:1])
        yield f"    {shown(drive)}: {counted(size, 'byte')}, {told}"
