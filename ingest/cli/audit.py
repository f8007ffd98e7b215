"""`ingest audit`: read the copies on drives again and compare."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, Self

import click

from ingest.cli.terminal import Terminal, job
from ingest.errors import ExitCode
from ingest.names import shown

if TYPE_CHECKING:
    from tqdm import tqdm

    from ingest.jobs.audit import AuditedRoll, Event, Result

__all__ = ["command"]


@job("audit")
@click.argument("drives", nargs=-1, metavar="[DRIVE]...")
@click.option("--roll", metavar="NAME", help="Only this roll.")
@click.option("--production", metavar="NAME", help="Only this production.")
@click.option(
    "--quick",
    is_flag=True,
    help="Presence, size and time only. It is no proof: damage inside a file is not seen.",
)
@click.option("--no-record", is_flag=True, help="Leave no evidence in the catalog.")
def command(
    terminal: Terminal,
    drives: tuple[str, ...],
    roll: str | None,
    production: str | None,
    quick: bool,
    no_record: bool,
) -> int:
    """Read every known copy on the drives again, past the cache, and compare.

    DRIVE is a known drive's name, or a folder on one; with none, every known drive that is
    mounted. A folder that the catalog doesn't know is compared with its own hash lists. What is
    bad is recorded before it is shown. Nothing is written to a drive.

    Exit: 0 all matched; 3 something is wrong; 4 a drive left in the middle (run it again).
    """
    import secrets
    import threading
    from datetime import UTC, datetime

    from ingest.jobs.audit import audit

    with terminal.catalog() as catalog, _Screen(terminal, "copies" if quick else "B") as screen:
        result = audit(
            catalog,
            terminal.observer(),
            drives,
            run=secrets.token_hex(8),
            now=lambda: datetime.now(UTC),
            tell=screen.tell,
            stop=threading.Event(),
            roll=roll,
            production=production,
            quick=quick,
            record=not no_record,
        )
    terminal.answer(_document(result), _lines(result))
    if result.verdict == "problem":
        return ExitCode.FOOTAGE
    return ExitCode.UNFINISHED if result.unfinished else ExitCode.WELL


_COLUMNS = ("matched", "mismatch", "short", "long", "missing", "unreadable")


def _document(result: Result) -> dict[str, Any]:
    return {
        "drives": [
            {
                "name": drive.name,
                "root": drive.root,
                "unfinished": drive.gone or None,
                "cache_possible": drive.cached,
                "compared_with": "hash lists" if drive.by_lists else "catalog",
                "rolls": [_roll_document(roll) for roll in drive.rolls],
            }
            for drive in result.drives
        ],
        "problems": [
            {
                "path": problem.path,
                "drive": problem.drive,
                "state": str(problem.state),
                "detail": problem.detail,
            }
            for problem in result.problems
        ],
        "not_mounted": list(result.away),
        "quick": result.quick,
        "recorded": result.recorded,
        "verdict": result.verdict,
    }


def _roll_document(roll: AuditedRoll) -> dict[str, Any]:
    states = {str(state): count for state, count in roll.states.items()}
    return {
        "roll": roll.roll,
        "production": roll.production,
        "folder": roll.folder,
        "files": roll.files,
        **{column: states.get(column, 0) for column in _COLUMNS},
        "only_looked_at": states.get("unverified", 0),
        "not_reached": roll.not_reached,
        "unknown": len(roll.unknown),
        "unknown_files": list(roll.unknown),
    }


def _lines(result: Result) -> Iterator[str]:
    copies = sum(roll.files for drive in result.drives for roll in drive.rolls)
    many = f"{copies} copies" if copies != 1 else "one copy"
    drives = len(result.drives)
    where = f"{many} on {drives} drives" if drives != 1 else f"{many} on one drive"
    yield {
        "problem": f"AUDIT: PROBLEM ({len(result.problems)} among {where})",
        "unfinished": f"AUDIT: NOT FINISHED ({where})",
        "nothing": "AUDIT: no copy to read: the catalog knows of none there",
        "present": f"AUDIT: all there, nothing proven ({where})",
        "matched": f"AUDIT: ALL MATCHED ({where})",
    }[result.verdict]
    for drive in result.drives:
        yield f"{shown(drive.name)} ({shown(drive.root)})"
        for roll in drive.rolls:
            yield f"  {shown(roll.roll)}: {_counts(roll)}"
            book = "hash lists" if drive.by_lists else "catalog"
            for path in roll.unknown[:10]:
                yield f"    not in the {book}: {shown(path)}"
            if len(roll.unknown) > 10:
                yield f"    and {len(roll.unknown) - 10} more that are not in the {book}"
        if drive.by_lists:
            yield "  The catalog knows nothing there: compared with the hash lists that lie on it."
        if drive.cached:
            yield (
                f"  {drive.cached} of these reads may have come from memory, not from the drive. "
                "Do: unplug it, plug it in again, audit once more."
            )
        if drive.gone:
            yield (
                f"  The drive was given up: {shown(drive.gone)}. "
                "Do: check cable and power, then run the same command again."
            )
    if result.away:
        names = ", ".join(map(shown, result.away))
        yield f"Not mounted, or not to be read, and so not audited: {names}"
    for problem in result.problems:
        detail = f" ({shown(problem.detail)})" if problem.detail else ""
        yield f"! {shown(problem.drive)}: {shown(problem.path)}: {problem.state}{detail}"
    if any(problem.state.is_bad for problem in result.problems):
        yield (
            "Do: keep the card; if it is still whole, offload it to another drive "
            "(ingest offload CARD --to DRIVE)."
        )
        yield "Don't: delete the damaged copy, or format the card."
    if result.quick:
        yield "Only presence, size and time were looked at. That is no proof: ingest audit reads."
    if not result.recorded:
        yield "Nothing of this was recorded (--no-record)."


def _counts(roll: AuditedRoll) -> str:
    parts = [f"{roll.files} files"]
    for state, count in sorted(roll.states.items()):
        parts.append(f"{count} {'there' if state == 'unverified' else state}")
    if roll.not_reached:
        parts.append(f"{roll.not_reached} not reached")
    if roll.unknown:
        parts.append(f"{len(roll.unknown)} unknown")
    return ", ".join(parts)


class _Screen:
    """One bar a drive on standard error, when a terminal is there; bad news in any case."""

    def __init__(self, terminal: Terminal, unit: str) -> None:
        self._terminal = terminal
        self._unit = unit
        self._bars: list[tqdm[Any]] = []

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        for bar in self._bars:
            bar.close()

    def tell(self, event: Event) -> None:
        from ingest.jobs.audit import Found

        if isinstance(event, Found):
            problem = event.problem
            line = f"{shown(problem.drive)}: {shown(problem.path)}: {problem.state}"
            if self._bars:
                self._bars[0].write(line, file=sys.stderr)
            else:
                self._terminal.note(line)
            return
        if not self._terminal.bars:
            return
        if not self._bars:
            from tqdm import tqdm

            self._bars = [
                tqdm(
                    total=total,
                    desc=shown(name),
                    unit=self._unit,
                    unit_scale=self._unit == "B",
                    position=place,
                    file=sys.stderr,
                )
                for place, (name, total) in enumerate(zip(event.names, event.total, strict=True))
            ]
        for bar, done in zip(self._bars, event.done, strict=True):
            bar.update(done - bar.n)
