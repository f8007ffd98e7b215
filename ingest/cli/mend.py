"""`ingest mend`: puts back damaged or missing copies on a drive."""

from __future__ import annotations

import click

from ingest.cli.settling import settle
from ingest.cli.terminal import Terminal, job

__all__ = ["command"]


@job("mend")
@click.argument("drive")
@click.option("--from", "source", metavar="DRIVE", help="Take them from this drive only.")
@click.option("--take-over", is_flag=True, help="Take a roll over from a run that has ended.")
@click.option("--yes", is_flag=True, help="Go at once.")
def command(terminal: Terminal, drive: str, source: str | None, take_over: bool, yes: bool) -> int:
    """Put back copies on DRIVE that are known to be missing, short, too long or mismatched.

    Each comes from another drive's copy, proven good while it is read. The damaged file is kept
    beside it under a name with "set-aside" in it, never deleted. To find damage, run ingest audit
    first: this looks for nothing new. A drive that gave read errors is not mended; make a copy on
    a new one (ingest copy --to).

    Exit: 0 all that was known to be bad is put back; 3 something could not be, or must be audited;
    4 it could not finish (run it again).
    """
    from ingest.cli.filling import fill
    from ingest.cli.stopping import confirm
    from ingest.jobs.further.telling import mend_document, mend_lines, mend_plan_lines
    from ingest.jobs.further.values import RollResult, exit_code
    from ingest.jobs.mending import prepare_mend

    results: tuple[RollResult, ...] = ()
    stopped = False
    with terminal.catalog() as catalog:
        settle(terminal, catalog, [drive])
        plan = prepare_mend(catalog, drive, source)
        if any(one.wanted for one in plan.rolls):
            confirm(terminal, mend_plan_lines(plan), yes=yes)
        if plan.rolls:
            results, stopped = fill(
                terminal,
                catalog,
                plan.target,
                plan.rolls,
                "ingest is mending a drive",
                take_over=take_over,
            )
    terminal.answer(mend_document(plan, results), mend_lines(plan, results, stopped=stopped))
    return exit_code(results, wanted=0, stopped=stopped)
