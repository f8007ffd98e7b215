"""An offload's plan and result in words, as a document, and as an exit code. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from ingest.catalog.catalog import Catalog
from ingest.copying.values import Action
from ingest.errors import ExitCode
from ingest.jobs.offloading.card_history import history_lines
from ingest.jobs.offloading.pace import past_rates, seconds_needed
from ingest.jobs.offloading.values import Plan, Result
from ingest.media.health import HealthState
from ingest.media.health_json import health_to_json
from ingest.names import shown
from ingest.wording import counted, size, whole

__all__ = ["battery_line", "day_because", "document", "exit_code", "plan_document", "plan_lines"]


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
                "room_needed": drive.room_needed,
                "room_free": drive.room_free,
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
        "day_because": day_because(plan),
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


def day_because(plan: Plan) -> str:
    """What the shoot day rests on: `a shoot day; it ends at 5`."""
    request, days = plan.request, plan.request.settings.days
    if request.day is not None:
        return "as said"
    if plan.joins is not None:
        return "its roll's"
    if plan.date in days:
        return f"a shoot day; it ends at {request.settings.day_ends}"
    when = "today" if plan.date == request.now.date() else "still the day before"
    if not days:
        return when
    others = f"1 to {len(days)} other dates" if len(days) > 1 else "day 1 another date"
    return f"{when}; ingest.toml gives {others}"


def plan_lines(plan: Plan) -> list[str]:
    """The plan in a few lines that fit 80 columns where the names allow it."""
    inventory = plan.inventory
    lines = [
        f"Production  {shown(plan.production)}",
        f"Day         {plan.day}, {plan.date.isoformat()} ({day_because(plan)})",
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


def _count(actions: Mapping[str, Action], wanted: Action) -> int:
    return sum(1 for action in actions.values() if action is wanted)
