"""What `ingest slate owed` says: the JSON document and the screen."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from ingest.catalog.records import PlannedShot
from ingest.cli.slate_words import SHOWN, item, more
from ingest.jobs.owed import OwedResult
from ingest.names import shown
from ingest.slate.coverage import Coverage, Covered, ShotCovered, ShotTake
from ingest.slate.pool import said_take
from ingest.wording import counted

__all__ = ["document", "lines", "shot_words"]


def document(result: OwedResult) -> dict[str, Any]:
    """`missing`: owed, and its day was asked about or has come. `later`: the rest of it."""
    told = result.coverage
    return {
        "production": result.production,
        "day": told.day,
        "lists": list(result.lists),
        "verdict": "open" if told.missing else "complete",
        "planned": len(told.shots),
        "owed": [_shot(shot) for shot in told.owed],
        "missing": [_shot(shot) for shot in told.missing],
        "later": [_shot(shot) for shot in told.later],
        "totals": {
            state.value: sum(shot.state is state for shot in told.shots) for state in Covered
        },
        "shots": [_shot(shot) for shot in told.shots],
        "takes_of_no_shot": [
            {**_take(take), "because": take.why_unplaced} for take in told.unplaced
        ],
    }


def _shot(shot: ShotCovered) -> dict[str, Any]:
    planned = shot.planned
    return {
        "scene": planned.scene,
        "shot": planned.shot,
        "setup": planned.setup,
        "day": planned.day,
        "size": planned.size,
        "location": planned.location,
        "cameras": list(planned.cameras),
        "note": planned.note,
        "state": shot.state.value,
        "owed": shot.owed,
        "in_hand": shot.in_hand,
        "cameras_missing": list(shot.cameras_missing),
        "takes": [_take(take) for take in shot.takes],
    }


def _take(take: ShotTake) -> dict[str, Any]:
    return {
        "scene": take.scene,
        "take": take.take,
        "shot": take.shot,
        "rating": take.rating.value if take.rating else None,
        "cameras": list(take.cameras),
        "clips": list(take.clips),
    }


def lines(result: OwedResult) -> Iterator[str]:
    """The headline, what is owed, what is covered only in part, what counts for nothing."""
    told = result.coverage
    yield f"{shown(result.production)}: {_headline(told)}"
    for shot in told.missing[:SHOWN]:
        yield from _owed(shot)
    yield from more(len(told.missing))
    yield from _listed("Owed on other days:" if told.day else "For days to come:", told.later)
    covered = [shot for shot in told.shots if not shot.owed]
    single = [shot for shot in covered if shot.cameras_missing]
    if single:
        yield ""
        yield "Covered, but not on every camera that was planned:"
        for shot in single[:SHOWN]:
            letters = " and ".join(map(shown, shot.cameras_missing))
            yield item(f"{shot_words(shot.planned)}: no {letters}")
        yield from more(len(single))
    waiting = [shot for shot in covered if not shot.in_hand]
    if waiting:
        yield ""
        yield "Covered by the log; no picture has come in yet:"
        names = ", ".join(shot_words(shot.planned) for shot in waiting)
        yield f"  {names}"
    if told.unplaced:
        yield ""
        yield "Takes that count for no planned shot:"
        for take in told.unplaced[:SHOWN]:
            yield item(f"{said_take(take.scene, take.take)}: {shown(take.why_unplaced)}")
        yield from more(len(told.unplaced))
    if told.missing:
        yield ""
        yield "Do: shoot them before the set is struck, or take them off the list."


def _headline(told: Coverage) -> str:
    asked = [shot for shot in told.shots if told.day is None or shot.planned.day == told.day]
    when = f" of day {told.day}" if told.day is not None else ""
    whole = counted(len(asked), "planned shot")
    if told.missing:
        return f"STILL OWED: {len(told.missing):,} of {whole}{when}."
    if not asked:
        return f"no shot is planned for day {told.day}."
    states = [
        f"{sum(shot.state is state for shot in asked):,} {state.value}"
        for state in (Covered.CIRCLED, Covered.KEEP, Covered.NOT_RATED)
        if any(shot.state is state for shot in asked)
    ]
    how = f" ({', '.join(states)})" if states else ""
    if told.later and told.day is None:
        return f"nothing is owed so far; {len(told.later):,} of {whole} still to come{how}."
    every = f"all {whole}{when} are" if len(asked) > 1 else f"the one planned shot{when} is"
    return f"nothing is owed: {every} covered{how}."


def _owed(shot: ShotCovered) -> Iterator[str]:
    planned = shot.planned
    parts = [planned.size, " ".join(planned.cameras), planned.location]
    where = ", ".join(shown(part) for part in parts if part)
    day = f", day {planned.day}" if planned.day else ""
    yield item(f"{shot_words(planned)}{day}: {shot.state.value}" + (f" ({where})" if where else ""))
    if planned.note:
        yield f"    {shown(planned.note)}"


def _listed(title: str, shots: Sequence[ShotCovered]) -> Iterator[str]:
    if shots:
        yield ""
        yield title
        for shot in shots[:SHOWN]:
            yield from _owed(shot)
        yield from more(len(shots))


def shot_words(planned: PlannedShot) -> str:
    """`18 shot 9`: a planned shot as a person says it, shown safely."""
    said = f"scene {shown(planned.scene)}"
    if planned.shot and planned.shot != planned.scene:
        said += f" shot {shown(planned.shot)}"
    return said + (f" set-up {shown(planned.setup)}" if planned.setup else "")
