"""`ingest audit`: what it says, in words and as a document."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from typing import TYPE_CHECKING, Any

from ingest.cli.audit_screen import spell_duration
from ingest.evidence import State
from ingest.names import shown
from ingest.wording import alike, counted, size, whole

if TYPE_CHECKING:
    from ingest.jobs.audit_values import AuditedDrive, AuditedRoll, Problem, Result

__all__ = ["document", "lines"]

_COLUMNS = ("matched", "mismatch", "short", "long", "missing", "unreadable")


def document(result: Result) -> dict[str, Any]:
    """What `--json` answers, but for stories and looks at clips."""
    return {
        "drives": [
            {
                "name": drive.name,
                "root": drive.root,
                "unfinished": drive.gone or None,
                "hash_lists": list(drive.hash_lists),
                "no_hash_list": list(drive.no_list),
                "notes": list(drive.notes),
                "went_on_from": drive.since.isoformat() if drive.since else None,
                "time_up": drive.time_up,
                "left": {
                    "files": drive.left_files,
                    "bytes": drive.left_bytes,
                    "seconds": round(drive.left_seconds) if drive.left_seconds else None,
                },
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
        "read_before": roll.read_before,
        "only_in_hash_lists": roll.only_listed,
        "unknown": len(roll.unknown),
        "unknown_files": list(roll.unknown),
        "called_now": roll.called_now or None,
    }


def lines(result: Result) -> Iterator[str]:
    """The answer first, then drive by drive, then what is wrong and what to do."""
    copies = sum(roll.files for drive in result.drives for roll in drive.rolls)
    many = f"{copies} copies" if copies != 1 else "one copy"
    drives = len(result.drives)
    where = f"{many} on {drives} drives" if drives != 1 else f"{many} on one drive"
    yield {
        "problem": f"AUDIT: PROBLEM ({len(result.problems)} among {where})",
        "unfinished": f"AUDIT: NOT FINISHED ({where})",
        "nothing": "AUDIT: no copy to read: the catalog knows of none there",
        "part": f"AUDIT: MATCHED as far as the time went ({_reached(result)} of {where})",
        "present": f"AUDIT: all there, nothing proven ({where})",
        "matched": f"AUDIT: ALL MATCHED ({where})",
    }[result.verdict]
    for drive in result.drives:
        yield f"{shown(drive.name)} ({whole(drive.root)})"
        for roll in drive.rolls:
            yield f"  {shown(roll.roll)}: {_counts(roll)}"
            if roll.called_now:
                yield (
                    f"    By its hash list its folder is called {whole(roll.called_now)} now. "
                    f"Do: give it its old name back ({whole(roll.folder)}), then ingest audit"
                )
            book = "hash lists" if drive.by_lists else "catalog or the hash lists"
            for path in roll.unknown[:10]:
                yield f"    not in the {book}: {whole(path)}"
            if len(roll.unknown) > 10:
                yield f"    and {len(roll.unknown) - 10} more that are not in the {book}"
        yield from _about(drive)
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
    emptied = {
        (drive.name, roll.folder): roll.files
        for drive in result.drives
        for roll in drive.rolls
        if roll.all_missing
    }
    for (name, folder), files in emptied.items():
        many = "its one file is" if files == 1 else f"all {files:,} files are"
        yield f"! {shown(name)}: {whole(folder)}: {many} missing"
    others = [
        problem
        for problem in result.problems
        if problem.state is not State.MISSING or not _lies_in(problem, emptied)
    ]
    told = ((one.drive, one.path, str(one.state), one.detail) for one in others)
    yield from alike(told, _MOST_PROBLEMS)
    bad = [problem for problem in result.problems if problem.state.is_bad]
    if bad:
        known = {drive.name for drive in result.drives if not drive.by_lists}
        errs = {problem.drive for problem in bad if problem.state is State.UNREADABLE}
        renamed = {
            (drive.name, roll.folder)
            for drive in result.drives
            for roll in drive.rolls
            if roll.called_now
        }
        mendable = {one.drive for one in bad if not _lies_in(one, renamed)}
        for name in sorted(mendable & known - errs):
            yield f"Do: ingest mend {shown(name)} puts back what another drive still has good."
        yield (
            "Do: keep the card; what is good on no other drive, or lies on a drive that gives "
            "read errors: offload it to another one (ingest offload CARD --to DRIVE)."
        )
        yield "Don't: delete the damaged copy, or format the card."
    if result.quick:
        yield "Only presence, size and time were looked at. That is no proof: ingest audit reads."
    if not result.recorded:
        yield "Nothing of this was recorded (--no-record)."


def _lies_in(problem: Problem, folders: Collection[tuple[str, str]]) -> bool:
    """`folders`: by drive and path."""
    return any(
        problem.drive == name and problem.path.startswith(f"{folder}/") for name, folder in folders
    )


def _reached(result: Result) -> int:
    return sum(roll.files - roll.not_reached for drive in result.drives for roll in drive.rolls)


def _about(drive: AuditedDrive) -> Iterator[str]:
    if drive.by_lists:
        yield "  Compared with the hash lists that lie on it, not with the catalog."
    if drive.since is not None:
        yield (
            f"  It goes on with the audit that began {drive.since:%Y-%m-%d %H:%M} UTC and did not "
            "read all of this; --again reads all."
        )
    if drive.left_files:
        left = f"  Not reached: {counted(drive.left_files, 'file')}, {size(drive.left_bytes)}"
        if drive.left_seconds is not None:
            left += f", about {spell_duration(drive.left_seconds)} at the speed measured"
        yield f"{left}."
    if drive.hash_lists:
        rolls = counted(len(drive.hash_lists), "roll")
        yield f"  What was read is added to its hash lists ({rolls})."
    for why in drive.no_list:
        yield f"  No hash list was added: {shown(why)}."
    for note in drive.notes[:_MOST]:
        yield f"  Hash list {shown(note)}"
    if len(drive.notes) > _MOST:
        yield f"  ... and {len(drive.notes) - _MOST} more (--json tells all)"


_MOST = 10
_MOST_PROBLEMS = 40


def _counts(roll: AuditedRoll) -> str:
    parts = [f"{roll.files} files"]
    for state, count in sorted(roll.states.items()):
        parts.append(f"{count} {'there' if state == 'unverified' else state}")
    if roll.read_before:
        parts.append(f"{roll.read_before} read before")
    if roll.only_listed:
        parts.append(f"{roll.only_listed} of them only in the hash lists")
    if roll.not_reached:
        parts.append(f"{roll.not_reached} not reached")
    if roll.unknown:
        parts.append(f"{len(roll.unknown)} unknown")
    return ", ".join(parts)
