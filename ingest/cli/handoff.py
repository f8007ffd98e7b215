"""`ingest handoff`: what an editor takes."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

import click

from ingest.cli.find import choosing, wanted_from
from ingest.cli.terminal import Terminal, job
from ingest.errors import ExitCode, NotKnown
from ingest.names import shown
from ingest.wording import counted, listed, whole

if TYPE_CHECKING:
    from ingest.catalog.catalog import Catalog
    from ingest.jobs.find import Found
    from ingest.jobs.handoff import HandedOver

__all__ = ["command"]


@job("handoff")
@choosing
@click.option("--to", "target", metavar="TARGET", required=True, help="X.otio, X.csv or a folder.")
@click.option("--dry-run", is_flag=True, help="With a folder: show the plan and do nothing.")
@click.option("--same-drive-ok", is_flag=True, help="To a device that holds a copy already.")
@click.option("--system-disk-ok", is_flag=True, help="To a folder on this computer's own disk.")
@click.option("--take-over", is_flag=True, help="Take a roll over from a run that has ended.")
@click.option("--yes", is_flag=True, help="Go at once.")
def command(
    terminal: Terminal,
    target: str,
    dry_run: bool,
    same_drive_ok: bool,
    system_disk_ok: bool,
    take_over: bool,
    yes: bool,
    **chosen: Any,
) -> int:
    """Hand clips over: chosen as with `ingest find`, written as a timeline, a table or files.

    TARGET.otio is an OpenTimelineIO timeline (picture and sound end to end, exact timecode and
    rates, scene, take and rating in the metadata); TARGET.csv has one row a file. Each names the
    best copy that can be read now. A file that is there already is never replaced. Any other
    TARGET is a folder: the clips' files are copied there, companions too, and compared as a
    further copy is. Clips are named by `display` of ingest.toml.

    Exit: 0 all handed over; 3 a clip has no copy that can be read now, or one was bad; 4 the
    copying could not finish (run it again).
    """
    from ingest.jobs.handoff import Form, form_of, hand_over, read_parts, select

    with terminal.catalog() as catalog:
        settings = terminal.settings(catalog)
        production = chosen["production"] or settings.production
        found = select(
            catalog, wanted_from(chosen), chosen["words"], production, pattern=settings.display
        )
        if form_of(target) is Form.FILES:
            if not os.path.isdir(target) and catalog.drive(name=target) is None:
                raise NotKnown(
                    f"There is no folder {shown(target)}, and no drive of that name.",
                    do="make the folder first; or name a file, which is made: NAME.otio, NAME.csv",
                )
            return _copy(
                terminal,
                catalog,
                found,
                target,
                production,
                dry_run=dry_run,
                yes=yes,
                same_drive_ok=same_drive_ok,
                system_disk_ok=system_disk_ok,
                take_over=take_over,
            )
        handed = hand_over(
            found,
            target,
            name=found[0].clip.roll.production,
            probe=read_parts,
        )
    terminal.answer(_document(handed), _lines(handed))
    return handed.exit_code


def _document(handed: HandedOver) -> dict[str, Any]:
    return {
        "written": handed.written,
        "clips": [
            {
                "clip": clip.clip.full_name,
                "name": clip.name,
                "files": [
                    {
                        "file": part.file,
                        "path": part.place,
                        "drive": part.drive or None,
                        "state": part.state or None,
                        "start": part.span.start if part.span else None,
                        "length": part.span.length if part.span else None,
                        "rate": str(part.span.rate) if part.span else None,
                    }
                    for part in clip.parts
                ],
            }
            for clip in handed.clips
        ],
        "missing": [clip.clip.full_name for clip in handed.missing],
        "not_on_the_timeline": list(handed.untimed),
    }


def _lines(handed: HandedOver) -> Iterator[str]:
    yield f"{counted(len(handed.clips), 'clip')} written to {whole(handed.written)}."
    if handed.untimed:
        yield (f"Not on the timeline, having no length that is known: {listed(handed.untimed, 6)}.")
    for clip in handed.missing:
        files = counted(len(clip.missing), "file")
        yield f"! {shown(clip.clip.full_name)}: {files} of it can't be read now."
    if handed.missing:
        yield "Do: plug in the drives that ingest find names for them, and hand over again."


def _copy(
    terminal: Terminal,
    catalog: Catalog,
    found: Sequence[Found],
    target: str,
    production: str | None,
    *,
    dry_run: bool,
    yes: bool,
    **allowed: bool,
) -> int:
    from ingest.cli.filling import fill
    from ingest.cli.stopping import confirm
    from ingest.jobs.further.telling import (
        copy_document,
        plan_document,
        plan_lines,
        result_lines,
    )
    from ingest.jobs.further.values import exit_code
    from ingest.jobs.handoff import plan_copies

    plan = plan_copies(catalog, found, target, production, **allowed)
    if dry_run:
        terminal.answer(plan_document(plan), plan_lines(plan))
        return ExitCode.WELL
    confirm(terminal, plan_lines(plan), yes=yes)
    results, stopped = fill(
        terminal,
        catalog,
        plan.target,
        plan.rolls,
        "ingest is copying between drives",
        take_over=allowed["take_over"],
    )
    lines = [line for result in results for line in result_lines(result, 0, stopped=stopped)]
    terminal.answer(copy_document(results, 0), lines)
    return exit_code(results, wanted=0, stopped=stopped)
