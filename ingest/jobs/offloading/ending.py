"""The end of an offload as a tired person reads it: remarks first, card by card, and last, where
the eye rests when a screen has scrolled, what came of the cards, what is not safe, and what to do.
Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from ingest.errors import ExitCode
from ingest.jobs.offloading.card_history import history_lines
from ingest.jobs.offloading.telling import exit_code
from ingest.jobs.offloading.values import Plan, Problem, Result
from ingest.media.health import HealthState
from ingest.names import shown, typed
from ingest.wording import counted, listed, size, whole

__all__ = ["ending_lines"]

_MOST = 20
_AGAIN = "run the same command again; it goes on where it was"


def ending_lines(results: Sequence[Result]) -> list[str]:
    """One command's offloads; those that did not end well come last."""
    well = [result for result in results if _is_well(result)]
    open_still = [result for result in results if not _is_well(result)]
    lines = []
    for result in (*well, *open_still):
        lines += [shown(result.plan.roll), *_remarks(result)]
    lines.append("")
    lines += _released(well, alone=len(results) == 1, every=not open_still)
    lines += _unsafe(results)
    return lines + _kept(open_still)


def _is_well(result: Result) -> bool:
    return result.verdict == "matched" and not result.unfinished


# What came of it ---------------------------------------------------------------------------------


def _released(well: Sequence[Result], *, alone: bool, every: bool) -> list[str]:
    """The cards that may be taken out; `alone`: one card in all, `every`: all cards are among
    them."""
    if not well:
        return []
    lines = []
    for result in well:
        lines += _headline(result)
    lines += _reads(well, alone=alone, every=every)
    one = len(well) == 1
    which = "card" if one else "cards"
    if not every:
        which += f" of {listed([result.plan.roll for result in well], len(well))}"
    lines.append(
        f"You may take the {which} out. Do not format {'it' if one else 'any'} before "
        "`ingest reuse` says so."
    )
    if every:
        lines.append("The drives are done: eject them before you pull them.")
    return lines


def _headline(result: Result) -> list[str]:
    plan = result.plan
    roll = shown(plan.roll)
    every = counted(len(plan.inventory.files), "file")
    new = f" ({len(plan.files):,} new)" if plan.known and plan.files else ""
    files = f"{every}{new}, {size(plan.inventory.bytes)}"
    if plan.witness:
        return [
            f"{roll}: WITNESS. {files}: another card with the same content.",
            "Every byte of it was read now and is equal to what the roll holds.",
        ]
    if not _has_new(plan):
        return [f"{roll}: NOTHING NEW. {files}, all known and matched before."]
    count = len(result.drives)
    on = "on 1 drive" if count == 1 else f"on each of {count} drives"
    which = "the new ones " if plan.lacking else ""
    return [f"{roll}: MATCHED. {files}, {which}{on}, read back and equal."]


def _has_new(plan: Plan) -> bool:
    return bool(plan.files) or not plan.known


def _reads(well: Sequence[Result], *, alone: bool, every: bool) -> list[str]:
    """How often the cards were read, where this run read them to copy them."""
    read = [one for one in well if not one.plan.witness and _has_new(one.plan)]
    lines = []
    for times, word in ((1, "once"), (2, "twice")):
        rolls = [one.plan.roll for one in read if one.card_read == times]
        if alone and rolls:
            lines.append(f"The card was read {word}.")
        elif rolls and every and len(rolls) == len(well):
            lines.append(f"Each card was read {word}.")
        elif rolls:
            lines.append(f"{listed(rolls, len(rolls))}: read {word}.")
    return lines


def _unsafe(results: Sequence[Result]) -> list[str]:
    """What is not safe although every copy that was made matched, and what to do: what is the
    same of several cards said once."""
    by_step: dict[str, dict[str, None]] = {}
    for result in results:
        for what, step in _open(result):
            by_step.setdefault(step, {})[what] = None
    lines = []
    for step, found in by_step.items():
        lines += [*found, f"Do: {step}"]
    return lines


def _open(result: Result) -> Iterator[tuple[str, str]]:
    """Each thing that is open, and the step that closes it; the most urgent last."""
    plan = result.plan
    if any(drive.route == "cache possible" for drive in result.drives):
        yield (
            "A drive may have answered from memory.",
            "eject it, plug it in again, then ingest audit.",
        )
    for drive_name, roll in plan.lacking:
        what = f"{shown(drive_name)} lacks copies of {shown(roll)}, which came in before."
        yield what, f"ingest copy --roll {typed(roll)} --to {typed(drive_name)}"
    wanted = plan.request.settings.copies
    if plan.copies < wanted:
        copies = counted(plan.copies, "copy")
        what = f"These destinations count as {copies}; {wanted} are wanted."
        yield what, "offload the card to another physical drive too."
    broken = [one.clip for one in result.healths if one.health.state is HealthState.BROKEN]
    if broken:
        from ingest.jobs.health import BROKEN_DO

        yield f"BROKEN: {listed(broken)}.", BROKEN_DO


def _kept(results: Sequence[Result]) -> list[str]:
    """The cards that are still needed: why, and the next step."""
    lines = []
    for result in results:
        roll = shown(result.plan.roll)
        if result.stopped:
            keep = "do not take it out, do not format it"
            lines.append(f"{roll}: STOPPED. Card still needed: {keep}.")
            continue
        said = "PROBLEM" if exit_code(result) is ExitCode.FOOTAGE else "NOT FINISHED"
        lines.append(f"{roll}: {said}. Card still needed: do not format it.")
        if result.problems:
            lines.append(f"{counted(len(result.problems), 'problem')}, named above.")
    stopped, steps = _stopped_drives(results)
    lines += stopped
    disputed = [result for result in results if _is_disputed(result)]
    if disputed:
        from ingest.assurance.disputes import settle_dispute

        lines += [f"Do: {settle_dispute(result.plan.roll)}" for result in disputed]
    steps += _with_the_card([problem for one in results for problem in one.problems])
    if len(disputed) < len(results):
        lines.append(f"Do: {' and '.join(steps)}{', then ' if steps else ''}{_AGAIN}.")
    return lines


def _stopped_drives(results: Sequence[Result]) -> tuple[list[str], list[str]]:
    """Why drives stopped, and what to do about them first. What several cards still have to bring
    to one drive asks for room together."""
    whys: dict[str, dict[str, None]] = {}
    needed: dict[str, int] = {}
    free: dict[str, int] = {}
    for result in results:
        for drive in result.drives:
            if drive.stopped:
                whys.setdefault(drive.name, {})[drive.stopped] = None
                needed[drive.name] = needed.get(drive.name, 0) + drive.room_needed
                free[drive.name] = max(free.get(drive.name, 0), drive.room_free)
    lines, full = [], []
    for name, said in whys.items():
        lacking = needed[name] - free[name]
        if lacking > 0:
            full.append(name)
        more = f"; {size(lacking)} more room is needed" if lacking > 0 else ""
        lines.append(f"{shown(name)} stopped: {shown('; '.join(said))}{more}.")
    steps = ["mend that"] if len(full) < len(whys) else []
    if full:
        steps.append(f"make room on {listed(full, len(full))}")
    return lines, steps


def _is_disputed(result: Result) -> bool:
    """Nothing but what the card's own hash lists say speaks against it."""
    states = {problem.state for problem in result.problems}
    return states == {"disputed"} and not result.unfinished and not result.stopped


def _with_the_card(problems: Sequence[Problem]) -> list[str]:
    """What the cards' problems ask for before the next run."""
    states = {problem.state for problem in problems if problem.drive is None}
    if "unreadable" in states:
        return ["try another reader or cable"]
    if states & {"changed", "appeared", "vanished"}:
        return ["see that nothing writes to the card"]
    return []


# Remarks -----------------------------------------------------------------------------------------


def _remarks(result: Result) -> list[str]:
    """Where the copies are, what is worth knowing, and last what is wrong."""
    from ingest.jobs.footage import oddity_lines
    from ingest.jobs.health import broken_lines, lesser_lines

    lines = []
    for drive in result.drives:
        lines.append(
            f"{shown(drive.name)}: {counted(drive.files_matched, 'file')} matched, "
            f"{size(drive.bytes)}{_route(drive.route)}"
        )
        lines.append(f"    {whole(drive.folder)}")
        if drive.slower:
            lines.append(f"    {drive.slower}")
    lines += _left_out(result)
    looked = [(one.clip, one.health) for one in result.healths]
    lines += lesser_lines(looked)
    meant = [one for one in result.set_wrong if not one.wrong]
    lines += oddity_lines(meant, result.timecodes)
    wrong = [one for one in result.set_wrong if one.wrong]
    lines += oddity_lines(wrong, ())
    if wrong:
        lines.append("Do: ask the camera department whether it was meant; if not, reset it now.")
    lines += broken_lines(looked)
    lines += _problem_lines(result.problems)
    return [f"  {line}" for line in lines]


def _route(route: str) -> str:
    if route == "medium":
        return ", read back from the medium"
    return ", read back, perhaps from memory" if route else ""


def _left_out(result: Result) -> list[str]:
    plan = result.plan
    lines = []
    if plan.inventory.litter:
        litter = counted(len(plan.inventory.litter), "file")
        lines.append(f"Left out: {litter} of system litter.")
    lines += [
        f"Not followed: {whole(found.path)} ({found.kind})."
        for found in plan.inventory.not_followed[:_MOST]
    ]
    lines += [
        f"Not in the hash list (its name can't be written there): {whole(path)}."
        for path in result.not_listed[:_MOST]
    ]
    lines += [f"{line[0].upper()}{line[1:]}." for line in history_lines(plan.histories)]
    if plan.elsewhere:
        known = counted(len(plan.elsewhere), "file")
        lines.append(f"Known already, from an earlier roll: {known}.")
    return lines


def _problem_lines(problems: tuple[Problem, ...]) -> list[str]:
    lines = [
        f"{whole(problem.path)}: {problem.state}"
        + (f" on {shown(problem.drive)}" if problem.drive else " (card)")
        + (f", {shown(problem.detail)}" if problem.detail else "")
        for problem in problems[:_MOST]
    ]
    if len(problems) > _MOST:
        lines.append(f"... and {len(problems) - _MOST:,} more (--json tells all)")
    return lines
