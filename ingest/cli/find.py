"""`ingest find`: clips by scene, take, camera, day, and where they can be read right now."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import click

from ingest.cli.terminal import Terminal, job
from ingest.errors import ExitCode
from ingest.names import shown, to_bytes
from ingest.wording import length, whole

if TYPE_CHECKING:
    from fractions import Fraction

    from ingest.catalog.records import Clip
    from ingest.jobs.find import Found, Wanted
    from ingest.media.health import Health

__all__ = ["choosing", "command", "wanted_from"]

_MOST_DOUBTS = 4
_MOST_PLACES = 8

_CHOOSING = (
    click.argument("words", nargs=-1, metavar="[WORDS ...]"),
    click.option("--scene", metavar="NAME", help="12A"),
    click.option("--take", metavar="NAME", help="3, 3PU, WT2"),
    click.option(
        "--shot", metavar="NAME", help="Frame of the storyboard or line of the shot list."
    ),
    click.option("--circled", is_flag=True, help="Only circled takes."),
    click.option("--camera", metavar="LETTER", help="A, B, C ..."),
    click.option("--day", type=click.IntRange(min=0), metavar="N", help="Shoot day."),
    click.option("--roll", metavar="NAME", help="A003"),
    click.option("--text", metavar="WORDS", help="Words in names, notes and shots."),
    click.option("--timecode", metavar="10:02:00:00", help="Clips that hold this frame."),
    click.option("--production", metavar="NAME", help="Needed where the catalog holds several."),
)


def choosing(function: Callable[..., int]) -> Callable[..., int]:
    """The options by which clips are chosen; `wanted_from` understands them."""
    for option in reversed(_CHOOSING):
        function = option(function)
    return function


def wanted_from(chosen: Mapping[str, Any]) -> Wanted:
    """What `choosing`'s options ask for."""
    from ingest.jobs.find import Wanted

    told = {
        name: chosen[name]
        for name in ("scene", "take", "shot", "circled", "camera", "day", "roll", "timecode")
    }
    return Wanted(**told, text=tuple(chosen["text"].split()) if chosen["text"] else ())


@job("find")
@choosing
@click.option("--paths", is_flag=True, help="Only the best path of each file, one a line.")
@click.option("-0", "zero", is_flag=True, help="Like --paths: exact names, each ended by a NUL.")
def command(terminal: Terminal, paths: bool, zero: bool, **chosen: Any) -> int:
    """Find clips, and where they can be read right now. `ingest find 12A 3` works.

    WORDS are a scene, then a take, where the scene is known; else text in names and notes.
    Exit: 0, also when no clip fits; 3 with --paths when a clip has no copy that can be read now.
    """
    from ingest.jobs.find import find

    with terminal.catalog() as catalog:
        display = terminal.settings(catalog, (), chosen["production"]).display
        found = find(
            catalog, wanted_from(chosen), chosen["words"], chosen["production"], display=display
        )
    if (paths or zero) and not terminal.json:
        return _paths(terminal, found, zero=zero)
    terminal.answer({"clips": [_document(one) for one in found]}, _lines(found))
    return ExitCode.WELL


def _paths(terminal: Terminal, found: Sequence[Found], *, zero: bool) -> int:
    sys.stdout.flush()
    output = sys.stdout.buffer
    code = ExitCode.WELL
    escaped = False
    for one in found:
        for place in one.best:
            if place is None:
                code = ExitCode.FOOTAGE
                terminal.note(f"{shown(one.clip.full_name)}: no copy can be read right now.")
            elif zero:
                output.write(to_bytes(place.path) + b"\0")
            else:
                safe = shown(place.path)
                escaped = escaped or safe != place.path
                output.write(to_bytes(safe) + b"\n")
    output.flush()
    if escaped:
        terminal.note("A name holds characters that had to be made visible. Do: use -0")
    return code


def _document(one: Found) -> dict[str, Any]:
    from ingest.media.facts_json import facts_to_json
    from ingest.media.health_json import health_to_json

    facts = one.clip.facts
    first = one.takes[0] if one.takes else None
    health = one.clip.health
    return {
        "clip": one.clip.full_name,
        "display": one.display,
        "roll": one.clip.roll.name,
        "camera": one.clip.roll.camera,
        "scene": first.scene if first else None,
        "take": first.take if first else None,
        "shot": first.shot if first else None,
        "circled": first.rating == "circled" if first else None,
        "takes": [
            {
                "scene": link.scene,
                "take": link.take,
                "shot": link.shot,
                "rating": link.rating.value if link.rating else None,
                "sure": link.sure.value,
                "basis": link.basis,
            }
            for link in one.takes
        ],
        "start_timecode": facts.start_timecode,
        "duration_seconds": _number(facts.duration_seconds),
        "frame_rate": str(facts.frame_rate) if facts.frame_rate is not None else None,
        "codec": facts.codec,
        "width": facts.width,
        "height": facts.height,
        "health": health_to_json(health) if health is not None else None,
        "facts": facts_to_json(facts),
        "files": [file.path for file in one.clip.files],
        "paths": [
            {
                "drive": place.drive,
                "path": place.path,
                "mounted": place.mounted,
                "state": place.state.value,
            }
            for place in one.places
        ],
    }


def _number(value: Fraction | None) -> float | None:
    return round(float(value), 6) if value is not None else None


def _lines(found: Sequence[Found]) -> Iterator[str]:
    if not found:
        yield "No clip fits."
        return
    names = [shown(one.clip.full_name) for one in found]
    widest = min(max(map(len, names)), 28)
    for one, name in zip(found, names, strict=True):
        roll, facts = one.clip.roll, one.clip.facts
        camera = f"camera {shown(roll.camera)}" if roll.camera else facts.kind.value
        parts = [f"day {roll.day}", camera, facts.start_timecode or "no timecode"]
        if facts.duration_seconds is not None:
            parts.append(length(facts.duration_seconds))
        yield f"{name:<{widest}}  {'  '.join(parts)}"
        for link in one.takes:
            yield f"    {_take(link)}"
        if one.clip.health is not None and one.clip.health.state.value in ("broken", "look"):
            yield from _health(one.clip.health)
        yield from _doubts(one.clip)
        yield from _places(one)
    count = len(found)
    yield f"{count:,} {'clip' if count == 1 else 'clips'}."


def _take(link: Any) -> str:
    from ingest.slate.pool import said_take

    said = said_take(link.scene, link.take)
    if link.shot:
        said += f", shot {shown(link.shot)}"
    if link.rating:
        said += f", {link.rating.value}"
    if link.sure.value != "sure":
        said += f" ({link.sure.value})"
    return said + (f"  {shown(link.note)}" if link.note else "")


def _health(health: Health) -> Iterator[str]:
    for finding in health.findings:
        if finding.severity.value != "note":
            word = "BROKEN" if finding.severity.value == "broken" else "look at it"
            yield f"    {word}: {shown(finding.words)}"


def _doubts(clip: Clip) -> Iterator[str]:
    """What of it could not be read, or is told in two ways; of a broken clip that is told."""
    if clip.health is not None and clip.health.state.value == "broken":
        return
    for doubt in clip.facts.doubts[:_MOST_DOUBTS]:
        yield f"    note: {shown(doubt)}"
    if len(clip.facts.doubts) > _MOST_DOUBTS:
        yield f"    note: {len(clip.facts.doubts) - _MOST_DOUBTS} more like that (--json)"


def _places(one: Found) -> Iterator[str]:
    best = one.best
    here = [place for place in best if place is not None]
    # An image sequence has thousands of files.
    named = here if len(here) <= _MOST_PLACES else here[:1]
    for place in named:
        yield f"    {whole(place.path)}  ({shown(place.drive)}, {place.state.value})"
    if len(here) > len(named):
        yield f"    and {len(here) - len(named):,} files more (--paths names all)"
    if any(place is None for place in best):
        where = dict.fromkeys(
            f"{shown(place.drive)} ({'' if place.mounted else 'not mounted, '}{place.state.value})"
            for place in one.places
        )
        yield f"    can't be read right now; copies on: {', '.join(where) or 'no drive'}"
