"""A further copy's or a mending's plan and result in words and as documents. Pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any

from ingest.copying.values import Action
from ingest.evidence import Against
from ingest.jobs.further.copying_on import CopyPlan
from ingest.jobs.further.values import RollPlan, RollResult, Trouble
from ingest.jobs.mending import MendPlan
from ingest.names import shown, typed
from ingest.wording import alike, counted, size, whole

__all__ = [
    "copy_document",
    "mend_document",
    "mend_lines",
    "mend_plan_lines",
    "mend_verdict",
    "plan_document",
    "plan_lines",
    "result_lines",
    "route_line",
    "trouble_documents",
    "trouble_lines",
]

_MOST = 20


def copy_document(results: Sequence[RollResult], wanted: int) -> dict[str, Any]:
    """The JSON document: one roll's like an offload's, several as `rolls`."""
    documents = [_roll_document(result, wanted) for result in results]
    if len(documents) == 1:
        return documents[0]
    good = all(result.verdict == "matched" for result in results)
    return {"verdict": "matched" if good else "problem", "rolls": documents}


def _roll_document(result: RollResult, wanted: int) -> dict[str, Any]:
    plan = result.plan
    sources = Counter(put.source for put in result.put.values())
    return {
        **_roll(plan),
        "verdict": result.verdict,
        "copies": result.copies,
        "copies_wanted": wanted,
        "card_read": 0,
        "seconds": round(result.seconds, 3),
        "drives": [
            {
                "name": result.target,
                "root": result.root,
                "folder": f"{result.root}/{plan.folder}",
                "device": result.device,
                "files_matched": result.files_matched,
                "bytes": sum(
                    file.size
                    for file in plan.files
                    if file.id in plan.before or file.path in result.put
                ),
                "problems": sum(one.drive in (None, result.target) for one in result.troubles),
                "read_back": result.route,
                "stopped": result.stopped,
            }
        ],
        "sources": [
            {"name": name, "files": sources[name], "bad": result.bad_at.get(name, 0)}
            for name in sorted({*sources, *result.bad_at})
        ],
        "problems": trouble_documents(result.troubles),
        "hash_list": list(result.hash_lists),
        "not_listed": list(result.not_listed),
    }


def _roll(plan: RollPlan) -> dict[str, Any]:
    return {
        "production": plan.roll.production,
        "day": plan.roll.day,
        "date": plan.roll.date,
        "roll": plan.roll.name,
        "camera": plan.roll.camera,
        "card": plan.roll.card,
        "files": len(plan.files),
        "known": len(plan.before),
        "bytes": sum(file.size for file in plan.files),
        "left_out": 0,
    }


def trouble_documents(troubles: Sequence[Trouble]) -> list[dict[str, Any]]:
    """The troubles as an offload tells its problems."""
    return [
        {"path": one.path, "drive": one.drive, "state": one.state, "detail": one.detail}
        for one in troubles
    ]


def plan_document(plan: CopyPlan) -> dict[str, Any]:
    """The JSON document of a plan, for `--dry-run`."""
    documents = [
        {
            **_roll(one),
            "to_copy": {"files": len(one.wanted), "bytes": one.bytes},
            "folder": f"{plan.target.volume.root}/{one.folder}",
            "from": _from(one),
            "problems": trouble_documents(one.troubles),
        }
        for one in plan.rolls
    ]
    return documents[0] if len(documents) == 1 else {"rolls": documents}


def _from(plan: RollPlan) -> dict[str, int]:
    return dict(sorted(Counter(one.sources[0].drive.name for one in plan.wanted).items()))


def plan_lines(plan: CopyPlan) -> list[str]:
    """The plan in a few lines that fit 80 columns where the names allow it."""
    volume = plan.target.volume
    lines = [
        f"To          {whole(volume.root)} ({shown(plan.target.name)})",
        f"            {shown(volume.device)}, {volume.fs_type}; {size(volume.free)} free",
    ]
    for one in plan.rolls:
        check = sum(wanted.action is Action.CHECK for wanted in one.wanted)
        there = f", {len(one.before):,} there already" if one.before else ""
        checks = f", {check:,} lie there and are compared" if check else ""
        lines.append(
            f"Roll        {shown(one.roll.name)}: {counted(len(one.wanted), 'file')} to copy, "
            f"{size(one.bytes)}{there}{checks}"
        )
        if one.wanted:
            names = ", ".join(f"{shown(name)} ({count:,})" for name, count in _from(one).items())
            lines.append(f"            first from {names}")
        lines += trouble_lines(one.troubles)
    return lines


def result_lines(result: RollResult, wanted: int, *, stopped: bool) -> list[str]:
    """The end of one roll's copy as a tired person reads it: the answer first."""
    plan = result.plan
    roll, name = shown(plan.roll.name), shown(result.target)
    files = f"{counted(len(plan.files), 'file')}, {size(sum(one.size for one in plan.files))}"
    if stopped and result.verdict != "matched":
        lines = [
            f"{roll}: STOPPED. The copy on {name} is not whole.",
            "Do: run the same command again; it goes on where it was.",
        ]
    elif result.verdict != "matched":
        said = "PROBLEM" if result.footage else "NOT FINISHED"
        many = f"{result.files_matched:,} of {counted(len(plan.files), 'file')}"
        lines = [f"{roll}: {said}. {many} stand on {name}, {_equal([result])}."]
    elif not plan.wanted:
        lines = [f"{roll}: NOTHING NEW. {files}, all on {name} and matched before."]
    else:
        lines = [f"{roll}: MATCHED. {files}, on {name}, {_equal([result])}."]
    lines.append(f"      {whole(result.root)}/{whole(plan.folder)}")
    sources = Counter(put.source for put in result.put.values())
    if sources:
        told = ", ".join(f"{shown(one)} ({count:,})" for one, count in sorted(sources.items()))
        lines.append(f"  Read from {told}; the card was not read.")
    lines += route_line(result)
    lines += trouble_lines(result.troubles)
    if result.stopped:
        lines.append(f"  {name} stopped: {shown(result.stopped)}.")
        lines.append("  Do: mend that, then run the same command again; it goes on.")
    if result.copies < wanted:
        few = f"  Matched copies on devices that aren't one: {result.copies}; {wanted} are wanted."
        lines += [few, "  Do: copy it to another physical drive too (ingest copy --to)."]
    lines += [
        f"  Not in the hash list (its name can't be written there): {whole(path)}."
        for path in result.not_listed[:_MOST]
    ]
    return lines


def _equal(results: Sequence[RollResult]) -> str:
    """What was compared, no more."""
    against = {one.against for result in results for one in result.plan.wanted}
    if against <= {Against.CATALOG}:
        return "read back and equal to the first copy"
    return "read back and equal to what hash lists say (no read of the card is known)"


def route_line(result: RollResult) -> list[str]:
    """What to do where the drive may have answered from memory."""
    if result.route != "cache possible":
        return []
    return [
        f"  {shown(result.target)} may have answered from memory.",
        f"  Do: eject it, plug it in again, then ingest audit {typed(result.target)}.",
    ]


def trouble_lines(troubles: Sequence[Trouble]) -> list[str]:
    """A line for each, and what to do for each kind once."""
    told = ((one.drive or "", one.path, str(one.state), one.detail) for one in troubles)
    lines = alike(told, _MOST)
    lines += [f"Do: {shown(do)}" for do in dict.fromkeys(one.do for one in troubles) if do]
    return lines


def mend_document(plan: MendPlan, results: Sequence[RollResult]) -> dict[str, Any]:
    """The JSON document of a mending."""
    return {
        "drive": plan.target.name,
        "root": plan.target.volume.root,
        "verdict": mend_verdict(plan, results),
        "copies": plan.copies,
        "not_read_yet": plan.unread,
        "mended": [
            {
                "path": f"{result.plan.folder}/{path}" if result.plan.folder else path,
                "roll": result.plan.roll.name,
                "was": next(one.was for one in result.plan.wanted if one.file.path == path),
                "from": put.source,
                "read_back": str(put.route or ""),
                "detail": put.detail,
            }
            for result in results
            for path, put in result.put.items()
        ],
        "problems": [told for result in results for told in trouble_documents(result.troubles)],
        "hash_list": [path for result in results for path in result.hash_lists],
    }


def mend_verdict(plan: MendPlan, results: Sequence[RollResult]) -> str:
    """nothing (nothing is known to be damaged there), matched, or problem."""
    if not plan.bad:
        return "nothing"
    good = all(result.verdict == "matched" for result in results)
    return "matched" if good else "problem"


def mend_plan_lines(plan: MendPlan) -> list[str]:
    """What is to be put back, in a few lines."""
    volume = plan.target.volume
    lines = [f"Mend        {shown(plan.target.name)}, at {whole(volume.root)}"]
    for one in plan.rolls:
        if one.wanted:
            names = ", ".join(f"{shown(name)} ({count:,})" for name, count in _from(one).items())
            lines.append(
                f"Roll        {shown(one.roll.name)}: {counted(len(one.wanted), 'file')} to put "
                f"back, {size(one.bytes)}"
            )
            lines.append(f"            first from {names}")
        lines += trouble_lines(one.troubles)
    return lines


def mend_lines(plan: MendPlan, results: Sequence[RollResult], *, stopped: bool) -> list[str]:
    """The end of a mending: the answer first."""
    name = shown(plan.target.name)
    if not plan.bad:
        lines = [f"{name}: NOTHING TO MEND. Nothing is known to be damaged or missing there."]
        if plan.unread:
            lines.append(f"  {counted(plan.unread, 'copy')} there nobody has read yet.")
        lines.append(f"Do: to look for damage, ingest audit {name}")
        return lines
    put = [(result.plan, path, one) for result in results for path, one in result.put.items()]
    if mend_verdict(plan, results) == "matched":
        said = f"MENDED. {counted(len(put), 'file')} put back, {_equal(results)}."
    else:
        said = "STOPPED" if stopped else "NOT ALL MENDED"
        said += f". {len(put):,} of {counted(plan.bad, 'file')} put back, {_equal(results)}."
    lines = [f"{name}: {said}"]
    for roll, path, one in put[:_MOST]:
        was = next(wanted.was for wanted in roll.wanted if wanted.file.path == path)
        lines.append(
            f"  {whole(roll.roll.name)}/{whole(path)}: was {was}, put back from {shown(one.source)}"
        )
        if one.detail:
            lines.append(f"      {shown(one.detail)}")
    if len(put) > _MOST:
        lines.append(f"  ... and {len(put) - _MOST:,} more (--json tells all)")
    for result in results:
        lines += trouble_lines(result.troubles)
        if result.stopped:
            lines.append(f"  {name} stopped: {shown(result.stopped)}.")
    cached = [line for result in results for line in route_line(result)]
    lines += list(dict.fromkeys(cached))
    if stopped or any(result.unfinished or result.stopped for result in results):
        lines.append("Do: run the same command again; it goes on where it was.")
    return lines
