"""The plan of the shortest offload in six lines that fit 80 columns. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import partial

from ingest.copying.values import Action
from ingest.jobs.offloading.pace import seconds_needed
from ingest.jobs.offloading.shortest import Doubt
from ingest.jobs.offloading.telling import day_because
from ingest.jobs.offloading.values import Plan
from ingest.names import shown
from ingest.wording import counted, shortened, size

__all__ = ["glance_lines"]

_NARROWEST = 60
_INDENT = 12


def glance_lines(
    plans: Sequence[Plan],
    because: str,
    pasts: Mapping[str, float],
    doubts: Sequence[Doubt],
    width: int = 80,
) -> Iterator[str]:
    """Six lines for one card, one more for each further card; then what a person must see.

    `because`: what the production rests on. `pasts`: bytes a second of drives, by name. `width`:
    columns of the terminal.
    """
    first = plans[0]
    line = partial(_line, width)
    if len(plans) == 1:
        yield line("Card", f"{_card(first)}: {_content(first)}", _path(first))
    else:
        for number, plan in enumerate(plans, 1):
            as_roll = f"{_card(plan)}: {_content(plan)} as {_roll(plan)}"
            yield line(f"Card {number}", as_roll, _path(plan))
    yield line("Production", shortened(first.production, 40), because)
    yield line("Day", f"{first.day}, {first.date.isoformat()}", day_because(first))
    if len(plans) == 1:
        yield line("Roll", _roll(first), first.because)
    names = ", ".join(shortened(drive.name, 24) for drive in first.drives)
    yield line("Drives", names, f"{counted(first.copies, 'copy')} on separate devices")
    yield line("Time", *_time(plans, pasts))
    wanted = first.request.settings.copies
    if first.copies < wanted:
        yield (
            f"! These drives count as {counted(first.copies, 'copy')}; {wanted} are wanted: "
            "another one is owed."
        )
    for plan in plans:
        if plan.joins is None and plan.known:
            yield f"! {_card(plan)}: {counted(len(plan.known), 'file')} of it came in before."
        if plan.witness:
            yield f"! {_card(plan)} holds what {shown(plan.roll)} holds: compared, not copied."
    for drive, roll in dict.fromkeys(one for plan in plans for one in plan.lacking):
        yield f"! {shown(drive)} lacks copies of {shown(roll)}, which came in before."
    yield from (f"! {doubt.what[0].upper()}{doubt.what[1:]}." for doubt in doubts)


def _line(width: int, what: str, said: str, beside: str = "") -> str:
    room = max(width, _NARROWEST) - _INDENT
    if beside and len(said) + len(beside) + 3 <= room:
        said = f"{said} ({beside})"
    elif beside and room - len(said) > 12:
        said = f"{said} ({shortened(beside, room - len(said) - 3)})"
    if len(said) > room:
        said = shortened(said, room)
    return f"{what:<{_INDENT}}{said}"


def _card(plan: Plan) -> str:
    return shortened(plan.card.label, 20)


def _path(plan: Plan) -> str:
    return shown(plan.card_volume.root)


def _content(plan: Plan) -> str:
    every = f"{counted(len(plan.inventory.files), 'file')}, {size(plan.inventory.bytes)}"
    if plan.known or plan.older:
        every += f", {len(plan.files):,} new"
    return every


def _roll(plan: Plan) -> str:
    roll = shortened(plan.roll, 24)
    return f"{roll}, camera {shortened(plan.camera, 8)}" if plan.camera else roll


def _time(plans: Sequence[Plan], pasts: Mapping[str, float]) -> tuple[str, str]:
    seconds, left = 0.0, {drive.name: drive.volume.free for drive in plans[0].drives}
    for plan in plans:
        seconds += seconds_needed(plan.bytes, [pasts.get(drive.name) for drive in plan.drives])
        for drive in plan.drives:
            left[drive.name] -= sum(
                file.size for file in plan.files if drive.actions[file.path] is Action.WRITE
            )
    minutes = round(seconds / 60)
    about = f"about {counted(minutes, 'minute')}" if minutes else "less than a minute"
    free = ", ".join(f"{shortened(name, 16)} {size(max(0, room))}" for name, room in left.items())
    return about, f"then free: {free}"
