"""`ingest copy`: a further copy, from drives instead of the card."""

from __future__ import annotations

import click

from ingest.cli.settling import settle
from ingest.cli.terminal import Terminal, job

__all__ = ["command"]


@job("copy")
@click.option("--to", metavar="DRIVE", required=True, help="A drive's folder or known name.")
@click.option("--from", "source", metavar="DRIVE", help="Read from this drive only.")
@click.option("--production", metavar="NAME", help="Only this production.")
@click.option("--day", type=int, metavar="N", help="Only this shoot day.")
@click.option("--roll", metavar="NAME", help="Only this roll.")
@click.option("--dry-run", is_flag=True, help="Show the plan and do nothing.")
@click.option("--same-drive-ok", is_flag=True, help="On a device that holds a copy already.")
@click.option("--system-disk-ok", is_flag=True, help="Copy to this computer's own disk.")
@click.option("--take-over", is_flag=True, help="Take a roll over from a run that has ended.")
@click.option("--yes", is_flag=True, help="Go at once.")
def command(
    terminal: Terminal,
    to: str,
    source: str | None,
    production: str | None,
    day: int | None,
    roll: str | None,
    dry_run: bool,
    same_drive_ok: bool,
    system_disk_ok: bool,
    take_over: bool,
    yes: bool,
) -> int:
    """Make a further copy of rolls on another drive, from drives instead of the card.

    Each file comes from the best copy that is mounted, and is compared with its first checksum
    while it is read. Where it is bad on one drive, another steps in, and the bad copy is
    recorded. Run the same command again after a stop: it goes on where it was.

    Exit: 0 every file stands there, and nothing bad was met; 3 a copy is bad somewhere, or there
    are fewer copies than wanted; 4 it could not finish (run it again).
    """
    from ingest.cli.filling import fill
    from ingest.cli.stopping import confirm
    from ingest.copying.values import Action
    from ingest.errors import ExitCode
    from ingest.jobs.further.copying_on import Request, prepare_copy
    from ingest.jobs.further.telling import (
        copy_document,
        plan_document,
        plan_lines,
        result_lines,
    )
    from ingest.jobs.further.values import exit_code

    with terminal.catalog() as catalog:
        settings = terminal.settings(catalog, [to], production)
        if not dry_run:
            settle(terminal, catalog, [to])
        request = Request(
            to=to,
            source=source,
            production=production or settings.production,
            day=day,
            roll=roll,
            same_drive_ok=same_drive_ok,
            system_disk_ok=system_disk_ok,
            take_over=take_over,
        )
        plan = prepare_copy(request, catalog)
        if dry_run:
            terminal.answer(plan_document(plan), plan_lines(plan))
            return ExitCode.WELL
        confirm(terminal, plan_lines(plan), yes=yes)
        owed = sum(
            wanted.file.size
            for one in plan.rolls
            for wanted in one.wanted
            if wanted.action is not Action.NOTHING
        )
        results, stopped = fill(
            terminal,
            catalog,
            plan.target,
            plan.rolls,
            "ingest is copying between drives",
            owed=owed,
            take_over=take_over,
        )
    lines = [
        line
        for result in results
        for line in result_lines(result, settings.copies, stopped=stopped)
    ]
    terminal.answer(copy_document(results, settings.copies), lines)
    return exit_code(results, wanted=settings.copies, stopped=stopped)
