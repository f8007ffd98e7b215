"""An offload's plan and result in words, as a document, and as an exit code. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from ingest.catalog.catalog import Catalog
from ingest.copying.values import Action
from ingest.errors import ExitCode
from ingest.jobs.offloading.card_history import history_lines
from ingest.jobs.offloading.pace import past_rates, seconds_needed
from ingest.jobs.offloading.values import Plan, Problem, Result
from ingest.media.health import HealthState
from ingest.media.health_json import health_to_json
from ingest.names import shown, typed
from ingest.wording import counted, size, whole

__all__ = ["battery_line", "document", "exit_code", "plan_document", "plan_lines", "result_lines"]

_MOST = 20


def document(result: Result) -> dict[str, Any]:
    """The JSON document of one offload."""
    from ingest.jobs.footage import oddity_document, timecode_document

    plan = result.plan
    return {
        "production": plan.production,
        "day": plan.day,
        "date": plan.date.isoformat(),
        "roll": plan.roll,
        "camera": plan.camera,
        "card": plan.card.label,
        "files": len(plan.inventory.files),
        "known": len(plan.known),
        "bytes": plan.inventory.bytes,
        "left_out": len(plan.inventory.litter),
        "older": len(plan.older),
        "lacking": [{"drive": drive, "roll": roll} for drive, roll in plan.lacking],
        "not_followed": [found.path for found in plan.inventory.not_followed],
        "verdict": result.verdict,
        "copies": plan.copies,
        "copies_wanted": plan.request.settings.copies,
        "card_read": result.card_read,
        "seconds": round(result.seconds, 3),
        "clips": result.clips,
        "set_wrong": [oddity_document(one) for one in result.set_wrong],
        "timecode": [timecode_document(one) for one in result.timecodes],
        "health": [{"clip": one.clip, **health_to_json(one.health)} for one in result.healths],
        "drives": [
            {
                "name": drive.name,
                "root": drive.root,
                "folder": drive.folder,
                "device": drive.device,
                "files_matched": drive.files_matched,
                "bytes": drive.bytes,
                "problems": drive.problems,
                "read_back": drive.route,
                "stopped": drive.stopped,
                "slower": drive.slower,
            }
            for drive in result.drives
        ],
        "problems": [
            {
                "path": problem.path,
                "drive": problem.drive,
                "state": problem.state,
                "detail": problem.detail,
            }
            for problem in result.problems
        ],
        "witness": bool(plan.witness),
        "card_history": [
            {"folder": one.place, "lists": one.lists, "problems": list(one.problems)}
            for one in plan.histories
        ],
        "hash_list": list(result.hash_lists),
        "not_listed": list(result.not_listed),
    }


def plan_document(plan: Plan) -> dict[str, Any]:
    """The JSON document of a plan, for `--dry-run`."""
    return {
        "production": plan.production,
        "day": plan.day,
        "date": plan.date.isoformat(),
        "roll": plan.roll,
        "camera": plan.camera,
        "card": plan.card.label,
        "files": len(plan.inventory.files),
        "known": len(plan.known),
        "bytes": plan.inventory.bytes,
        "to_copy": {"files": len(plan.files), "bytes": plan.bytes},
        "left_out": len(plan.inventory.litter),
        "copies": plan.copies,
        "drives": [
            {
                "name": drive.name,
                "root": drive.volume.root,
                "folder": f"{drive.volume.root}/{drive.folder}",
                "device": drive.volume.device,
                "read_back": "after" if drive.read_back_after else "behind",
                "because": drive.why_after,
                "write": _count(drive.actions, Action.WRITE),
                "check": _count(drive.actions, Action.CHECK),
            }
            for drive in plan.drives
        ],
    }


def exit_code(result: Result) -> ExitCode:
    """What the shell is told: a footage problem goes before something unfinished."""
    if result.stopped:
        return ExitCode.STOPPED
    if any(problem.state in _FOOTAGE for problem in result.problems):
        return ExitCode.FOOTAGE
    if result.unfinished:
        return ExitCode.UNFINISHED
    if result.plan.lacking:
        return ExitCode.FOOTAGE
    if result.problems or result.plan.copies < result.plan.request.settings.copies:
        return ExitCode.FOOTAGE
    if any(one.health.state is HealthState.BROKEN for one in result.healths):
        return ExitCode.FOOTAGE
    return ExitCode.WELL


def battery_line(plans: Sequence[Plan], catalog: Catalog) -> str:
    """What a computer on battery must last for."""
    rates = past_rates(catalog.offloads(catalog.rolls()))
    seconds = 0.0
    for plan in plans:
        known = [catalog.drive(name=drive.name) for drive in plan.drives]
        pasts = [rates.get(one.id) if one is not None else None for one in known]
        seconds += seconds_needed(plan.bytes, pasts)
    minutes = max(1, round(seconds / 60))
    return f"This computer runs on battery; the copying takes about {counted(minutes, 'minute')}."


_FOOTAGE = frozenset(
    {
        "mismatch",
        "short",
        "long",
        "changed",
        "appeared",
        "vanished",
        "unreadable",
        "missing",
        "disputed",
    }
)


def plan_lines(plan: Plan) -> list[str]:
    """The plan in a few lines that fit 80 columns where the names allow it."""
    inventory = plan.inventory
    lines = [
        f"Production  {shown(plan.production)}, day {plan.day} ({plan.date.isoformat()})",
        f"Card        {shown(plan.card.label)}, at {whole(plan.card_volume.root)}",
        f"Roll        {shown(plan.roll)}"
        + (f", camera {shown(plan.camera)}" if plan.camera else "")
        + f" ({plan.because})",
        f"Files       {len(inventory.files):,}, {size(inventory.bytes)}; "
        f"to copy {len(plan.files):,}, {size(plan.bytes)}" + _aside(plan),
    ]
    for drive in plan.drives:
        write, check = (_count(drive.actions, one) for one in (Action.WRITE, Action.CHECK))
        what = f"{write:,} to write" + (f", {check:,} there to check" if check else "")
        lines.append(f"To          {whole(drive.volume.root)}/{whole(drive.folder)}")
        lines.append(f"            {what}; {size(drive.volume.free)} free")
        when = "after the roll" if drive.read_back_after else "behind the writing"
        lines.append(f"            {shown(drive.volume.device)}, {drive.volume.fs_type}")
        lines.append(f"            read back {when} ({drive.why_after})")
    lines += [f"History     {line}" for line in history_lines(plan.histories)]
    wanted = plan.request.settings.copies
    if plan.copies < wanted:
        lines.append(
            f"Copies      these count as {plan.copies}, {wanted} are wanted: "
            "a second physical drive is owed"
        )
    return lines


def _aside(plan: Plan) -> str:
    said = []
    if plan.known:
        said.append(f"{len(plan.known):,} known")
    if plan.inventory.litter:
        said.append(f"{len(plan.inventory.litter):,} of system litter left out")
    if plan.inventory.not_followed:
        said.append(f"{len(plan.inventory.not_followed):,} links or special files not followed")
    if plan.older:
        said.append(f"{len(plan.older):,} older, left out")
    return f" ({'; '.join(said)})" if said else ""


def result_lines(result: Result) -> list[str]:
    """The end of an offload as a tired person reads it: the answer first."""
    from ingest.jobs.footage import oddity_lines
    from ingest.jobs.health import health_lines

    plan = result.plan
    code = exit_code(result)
    files = _files(plan)
    roll = shown(plan.roll)
    if code is ExitCode.STOPPED:
        lines = [
            f"{roll}: STOPPED. Card still needed: do not take it out, do not format it.",
            "Do: run the same command again; it goes on where it was.",
        ]
    elif result.verdict == "matched" and not result.unfinished:
        if plan.witness:
            lines = [f"{roll}: WITNESS. {files}: another card with the same content."]
            lines.append("Every byte of it was read now and is equal to what the roll holds.")
        elif not plan.files and plan.known:
            lines = [f"{roll}: NOTHING NEW. {files}, all known and matched before."]
        else:
            lines = [f"{roll}: MATCHED. {files}, {_each(result)}."]
            lines.append("The card was read " + ("once." if result.card_read == 1 else "twice."))
        lines.append("You may take the card out. Do not format it before `ingest reuse` says so.")
        lines.append("The drives are done: eject them before you pull them.")
    else:
        said = "PROBLEM" if code is ExitCode.FOOTAGE else "NOT FINISHED"
        lines = [f"{roll}: {said}. Card still needed: do not format it."]
        lines += _problem_lines(result.problems)
    for drive in result.drives:
        lines.append(
            f"  {shown(drive.name)}: {counted(drive.files_matched, 'file')} matched, "
            f"{size(drive.bytes)}{_route(drive.route)}"
        )
        lines.append(f"      {whole(drive.folder)}")
        if drive.slower:
            lines.append(f"      {drive.slower}")
        if drive.stopped:
            lines.append(f"  {shown(drive.name)} stopped: {shown(drive.stopped)}.")
            lines.append("  Do: mend that, then run the same command again; it goes on.")
    lines += health_lines([(one.clip, one.health) for one in result.healths])
    lines += _footnotes(result)
    wrong = [one for one in result.set_wrong if one.wrong]
    meant = [one for one in result.set_wrong if not one.wrong]
    lines += [f"  {line}" for line in oddity_lines(wrong, ())]
    if wrong:
        lines.append("  Do: ask the camera department whether it was meant; if not, reset it now.")
    lines += [f"  {line}" for line in oddity_lines(meant, result.timecodes)]
    return lines


def _files(plan: Plan) -> str:
    every = counted(len(plan.inventory.files), "file")
    new = f" ({len(plan.files):,} new)" if plan.known and plan.files else ""
    return f"{every}{new}, {size(plan.inventory.bytes)}"


def _each(result: Result) -> str:
    count = len(result.drives)
    on = "on 1 drive" if count == 1 else f"on each of {count} drives"
    return f"{on}, read back and equal"


def _route(route: str) -> str:
    if route == "medium":
        return ", read back from the medium"
    return ", read back, perhaps from memory" if route else ""


def _footnotes(result: Result) -> list[str]:
    plan = result.plan
    lines = []
    wanted = plan.request.settings.copies
    if plan.copies < wanted:
        lines.append(
            f"  These destinations count as {plan.copies} "
            f"{'copy' if plan.copies == 1 else 'copies'}; {wanted} are wanted."
        )
        lines.append("  Do: offload the card to another physical drive too.")
    if any(drive.route == "cache possible" for drive in result.drives):
        lines.append("  A drive may have answered from memory.")
        lines.append("  Do: eject it, plug it in again, then ingest audit.")
    if plan.inventory.litter:
        litter = counted(len(plan.inventory.litter), "file")
        lines.append(f"  Left out: {litter} of system litter.")
    lines += [
        f"  Not followed: {whole(found.path)} ({found.kind})."
        for found in plan.inventory.not_followed[:_MOST]
    ]
    lines += [
        f"  Not in the hash list (its name can't be written there): {whole(path)}."
        for path in result.not_listed[:_MOST]
    ]
    lines += [f"  {line[0].upper()}{line[1:]}." for line in history_lines(plan.histories)]
    if plan.elsewhere:
        known = counted(len(plan.elsewhere), "file")
        lines.append(f"  Known already, from an earlier roll: {known}.")
    for drive_name, roll in plan.lacking:
        lines.append(f"  {shown(drive_name)} lacks copies of {shown(roll)}, which came in before.")
        lines.append(f"  Do: ingest copy --roll {typed(roll)} --to {typed(drive_name)}")
    return lines


def _problem_lines(problems: tuple[Problem, ...]) -> list[str]:
    lines = [
        f"  {whole(problem.path)}: {problem.state}"
        + (f" on {shown(problem.drive)}" if problem.drive else " (card)")
        + (f", {shown(problem.detail)}" if problem.detail else "")
        for problem in problems[:_MOST]
    ]
    if len(problems) > _MOST:
        lines.append(f"  ... and {len(problems) - _MOST:,} more (--json tells all)")
    return lines


def _count(actions: Mapping[str, Action], wanted: Action) -> int:
    return sum(1 for action in actions.values() if action is wanted)
