"""What the clips of a production say: cameras set wrong, timecode that goes back, totals."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from ingest.assurance.footage.set_wrong import Oddity, differences, set_wrong
from ingest.assurance.footage.timecodes import TimecodeFault, timecode_faults
from ingest.assurance.footage.totals import Shot, Total, shot_total
from ingest.catalog.catalog import Catalog
from ingest.catalog.records import Roll
from ingest.media.health import Health
from ingest.settings import Settings
from ingest.wording import counted, length, listed, size

__all__ = [
    "Footage",
    "footage_of",
    "oddity_document",
    "oddity_lines",
    "shot_of",
    "timecode_document",
    "total_document",
    "total_words",
]

_MOST = 6


@dataclass(frozen=True, slots=True)
class Footage:
    """About some rolls of one production."""

    oddities: tuple[Oddity, ...]
    timecodes: tuple[TimecodeFault, ...]
    healths: tuple[tuple[str, Health], ...]
    """ROLL/NAME and health of each clip that was looked at."""


def footage_of(catalog: Catalog, rolls: Sequence[Roll], settings: Settings) -> Footage:
    """What is to be said of these rolls, all of one production.

    What a camera usually did is taken from all its clips of the production, other rolls too.
    Settings of another production ask nothing of this one.
    """
    production = rolls[0].production
    chosen = {roll.id for roll in rolls}
    clips = catalog.clips(catalog.rolls(production=production))
    ours = settings.production in (None, production)
    odd = set_wrong(
        clips,
        settings.devices if ours else {},
        settings.frame_rate if ours else None,
    )
    here = [clip for clip in clips if clip.roll.id in chosen]
    names = {clip.full_name for clip in here}
    return Footage(
        oddities=tuple(one for one in odd if one.clip in names),
        timecodes=timecode_faults(here),
        healths=tuple((clip.full_name, clip.health) for clip in here if clip.health is not None),
    )


def shot_of(catalog: Catalog, rolls: Sequence[Roll]) -> Shot:
    """How much was shot on these rolls; reads every file of theirs in the catalog."""
    return shot_total(rolls, catalog.clips(rolls), catalog.files(rolls))


def oddity_lines(odd: Sequence[Oddity], faults: Sequence[TimecodeFault]) -> list[str]:
    """For a terminal: what is wrong first, each difference once with the clips that have it."""
    lines = []
    for each in differences(odd):
        lines += [
            f"Set wrong: {each.words} ({each.basis})" if each.wrong else f"Note: {each.words}",
            f"  {listed(each.clips)}",
        ]
    lines += [f"Timecode: {fault.words}" for fault in faults[:_MOST]]
    if len(faults) > _MOST:
        lines.append(f"Timecode: {len(faults) - _MOST:,} more like that (--json tells all)")
    return lines


def oddity_document(one: Oddity) -> dict[str, Any]:
    return {
        "clip": one.clip,
        "device": one.device or None,
        "setting": one.setting,
        "found": one.found,
        "wanted": one.wanted,
        "basis": one.basis,
        "wrong": one.wrong,
    }


def timecode_document(fault: TimecodeFault) -> dict[str, Any]:
    return {
        "clip": fault.clip,
        "device": fault.device or None,
        "fault": fault.fault.value,
        "detail": fault.words,
    }


def total_document(total: Total) -> dict[str, Any]:
    """The total as JSON: seconds, bytes, bits a second."""
    rate = total.data_rate
    return {
        "files": total.files,
        "bytes": total.bytes,
        "clips": total.clips,
        "seconds": round(float(total.seconds), 3),
        "data_rate": round(rate) if rate is not None else None,
        "without_length": total.untimed,
        "longest": total.longest.full_name if total.longest is not None else None,
        "shortest": total.shortest.full_name if total.shortest is not None else None,
    }


def total_words(total: Total) -> str:
    """`7 clips, 11.2 s of picture, 2.9 Mbit/s`."""
    words = counted(total.clips, "clip")
    if total.seconds:
        words += f", {length(total.seconds)} of {'picture' if total.pictures else 'sound'}"
        rate = total.data_rate
        assert rate is not None
        words += f", {size(round(rate / 8))}/s"
    if total.untimed:
        words += f" ({counted(total.untimed, 'clip')} of unknown length)"
    return words
