"""The facts as plain JSON: what `intake-report.json` holds and `ingest report --json` prints.

Names are shown safely, as everywhere. Where a name had to be changed for that, the same object
carries its exact bytes too, in hexadecimal, under the same key with `_bytes` behind it.
Sizes are bytes, durations seconds, frame rates fractions as text (`24000/1001`), times UTC.
"""

from __future__ import annotations

from datetime import UTC, datetime
from fractions import Fraction
from typing import Any

from ingest.assurance.footage.set_wrong import Difference
from ingest.names import shown, to_bytes
from ingest.report.facts import (
    ClipLength,
    ClipLine,
    CopyLine,
    DayEnd,
    DriveLine,
    FileLine,
    IntakeFacts,
    OffloadLine,
    Problem,
    RollLine,
    SceneLine,
    Sum,
)
from ingest.report.schemas import published_schema

__all__ = ["SCHEMA", "facts_to_document", "json_schema"]

SCHEMA = "ingest-intake-report/1"
"""Name and version; the number rises when a field changes its meaning or goes away."""


def json_schema() -> dict[str, Any]:
    """The published schema of the document (JSON Schema 2020-12), `intake-report.schema.json`."""
    return published_schema("intake-report")


def facts_to_document(facts: IntakeFacts) -> dict[str, Any]:
    """The whole report as dicts, lists, text, numbers, booleans and None."""
    totals = facts.totals
    return {
        "schema": SCHEMA,
        "production": _text(facts.production),
        "scope": _text(facts.scope),
        "as_of": _time(facts.as_of),
        "well": facts.well,
        "verdict": _text(facts.verdict),
        "remarks": [_text(remark) for remark in facts.remarks],
        "problems": [_problem(problem) for problem in facts.problems],
        "copies_wanted": facts.wanted,
        "totals": {
            "files": totals.files,
            "bytes": totals.bytes,
            "copies": totals.copies,
            "copies_proven": totals.proven,
            "files_good": totals.good_files,
            "clips": totals.clips,
            "drives": totals.drives,
            "devices": totals.devices,
        },
        "drives": [_drive(drive) for drive in facts.drives],
        "rolls": [_roll(roll) for roll in facts.rolls],
        "clips": [_clip(clip) for clip in facts.clips],
        "files": [_file(file) for file in facts.files],
        "cameras": [_sum(each) for each in facts.cameras],
        "days": [_sum(each) for each in facts.days],
        "roll_sums": [_sum(each) for each in facts.roll_sums],
        "whole": None if facts.whole is None else _sum(facts.whole),
        "differences": [_difference(each) for each in facts.differences],
        "day_end": None if facts.day_end is None else _day_end(facts.day_end),
        "scenes": [_scene(scene) for scene in facts.scenes],
        "offloads": [_offload(offload) for offload in facts.offloads],
        "cautions": [shown(caution) for caution in facts.cautions],
    }


def _text(text: str | None) -> str | None:
    return None if text is None else shown(text)


def _name(key: str, name: str) -> dict[str, str]:
    safe = shown(name)
    if safe == name:
        return {key: safe}
    # A lone surrogate that stands for no byte has no bytes either; it can't come from a disk.
    try:
        return {key: safe, f"{key}_bytes": to_bytes(name).hex()}
    except UnicodeEncodeError:
        return {key: safe}


def _time(at: datetime | None) -> str | None:
    return None if at is None else at.astimezone(UTC).isoformat()


def _seconds(value: Fraction | None) -> float | None:
    return None if value is None else round(float(value), 6)


def _problem(problem: Problem) -> dict[str, Any]:
    return {
        "kind": problem.kind,
        "serious": problem.serious,
        "what": _text(problem.what),
        "do": _text(problem.do),
        "items": [shown(item) for item in problem.items],
    }


def _drive(drive: DriveLine) -> dict[str, Any]:
    return {
        "name": _text(drive.name),
        "device": _text(drive.device) or None,
        "device_key": _text(drive.device_key) or None,
        "fs_type": _text(drive.fs_type),
        "root": _text(drive.root),
        "mounted": drive.mounted,
        "copies": drive.copies,
        "proven": drive.proven,
        "cache_possible": drive.cached,
        "own_list": drive.own_list,
        "bad": drive.bad,
        "waiting": drive.waiting,
        "not_counted": drive.discounted,
        "bytes": drive.bytes,
        "free": drive.free,
        "where": _text(drive.where) or None,
        "gone": drive.gone,
        "rolls_read_once": drive.once,
        "rolls_read_twice": drive.twice,
        "oldest_evidence": _time(drive.oldest),
        "newest_evidence": _time(drive.newest),
        "bytes_per_second": _seconds(drive.speed),
        "pace": _text(drive.pace) or None,
    }


def _roll(roll: RollLine) -> dict[str, Any]:
    return {
        "roll": _text(roll.name),
        "day": roll.day,
        "date": _text(roll.date),
        "camera": _text(roll.camera),
        "card": _text(roll.card),
        "files": roll.files,
        "files_good": roll.good_files,
        "bytes": roll.bytes,
        "clips": roll.clips,
        "card_read": roll.card_read or None,
    }


def _clip(clip: ClipLine) -> dict[str, Any]:
    first = clip.takes[0] if clip.takes else None
    return {
        **_name("clip", clip.name),
        "display": _text(clip.display),
        "roll": _text(clip.roll),
        "day": clip.day,
        "camera": _text(clip.camera),
        "kind": clip.kind,
        "scene": _text(first.scene) if first else None,
        "take": _text(first.take) if first else None,
        "shot": _text(first.shot) if first else None,
        "circled": first.rating == "circled" if first else None,
        "takes": [
            {
                "scene": _text(take.scene),
                "take": _text(take.take),
                "shot": _text(take.shot),
                "rating": take.rating,
                "sure": take.sure,
                "basis": _text(take.basis),
                "note": _text(take.note),
            }
            for take in clip.takes
        ],
        "start_timecode": _text(clip.start_timecode),
        "end_timecode": _text(clip.end_timecode),
        "duration_seconds": _seconds(clip.duration_seconds),
        "frame_rate": None if clip.frame_rate is None else str(clip.frame_rate),
        "variable_rate": clip.variable_rate,
        "width": clip.width,
        "height": clip.height,
        "codec": _text(clip.codec),
        "container": _text(clip.container),
        "channels": clip.channels,
        "sample_rate": clip.sample_rate,
        "recorded": _text(clip.recorded),
        "doubts": [shown(doubt) for doubt in clip.doubts],
        "health": clip.health,
        "findings": [shown(finding) for finding in clip.findings],
        "good_copies": clip.good,
        "digest": _text(clip.digest) or None,
        "bytes": clip.bytes,
        "files": [shown(file.path) for file in clip.files],
    }


def _file(file: FileLine) -> dict[str, Any]:
    return {
        "roll": _text(file.roll),
        **_name("path", file.path),
        "size": file.size,
        "digests": {shown(kind): shown(digest) for kind, digest in file.digests.items()},
        "good_copies": file.good,
        "copies": [_copy(copy) for copy in file.copies],
    }


def _copy(copy: CopyLine) -> dict[str, Any]:
    return {
        "drive": _text(copy.drive),
        **_name("path", copy.path),
        "state": copy.state.value,
        "proven": copy.proven,
        "route": copy.route.value if copy.route else None,
        "against": copy.against.value if copy.against else None,
        "at": _time(copy.at),
        "why": _text(copy.why),
    }


def _sum(each: Sum) -> dict[str, Any]:
    return {
        "of": _text(each.of),
        "clips": each.clips,
        "files": each.files,
        "bytes": each.bytes,
        "seconds": _seconds(each.seconds),
        "bytes_per_second": _seconds(each.data_rate),
        "without_length": each.untimed,
        "longest": _clip_length(each.longest),
        "shortest": _clip_length(each.shortest),
    }


def _clip_length(each: ClipLength | None) -> dict[str, Any] | None:
    if each is None:
        return None
    return {**_name("clip", each.clip), "seconds": _seconds(each.seconds)}


def _difference(each: Difference) -> dict[str, Any]:
    return {
        "setting": each.setting,
        "found": _text(each.found),
        "wanted": _text(each.wanted),
        "basis": each.basis,
        "wrong": each.wrong,
        "clips": [shown(name) for name in each.clips],
    }


def _day_end(end: DayEnd) -> dict[str, Any]:
    return {
        "day": end.day,
        "verdict": end.verdict,
        "unknown": _text(end.unknown) or None,
        "open": [
            {
                "kind": shown(one.kind),
                "what": _text(one.what),
                "because": _text(one.because),
                "do": _text(one.do),
                "tonight": one.tonight,
            }
            for one in end.open
        ],
        "settled": [{"what": _text(what), "said": _text(said)} for what, said in end.settled],
    }


def _scene(scene: SceneLine) -> dict[str, Any]:
    return {
        "scene": _text(scene.scene),
        "takes": scene.takes,
        "circled": scene.circled,
        "clips": scene.clips,
        "cameras": [shown(camera) for camera in scene.cameras],
        "sound": scene.sound,
        "seconds": _seconds(scene.seconds),
        "owed": [shown(shot) for shot in scene.owed],
    }


def _offload(offload: OffloadLine) -> dict[str, Any]:
    return {
        "roll": _text(offload.roll),
        "card": _text(offload.card),
        "who": _text(offload.who),
        "machine": _text(offload.machine),
        "started": _time(offload.started),
        "finished": _time(offload.finished),
        "verdict": _text(offload.verdict),
        "card_read": offload.card_read or None,
        "files": offload.files,
        "known": offload.known,
        "bytes": offload.bytes,
        "seconds": round(offload.seconds, 3),
        "left_out": offload.left_out,
        "litter": offload.litter,
        "notes": [
            {"kind": _text(kind), **_name("path", path), "detail": _text(detail)}
            for kind, path, detail in offload.notes
        ],
    }
