"""The report as a PDF: the same facts, said in the page's words, set by `typesetting`.

Here everything is put into words; `templates/intake.typ` only lays it out.
"""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Mapping
from typing import Any

from ingest import wording as words
from ingest.report import phrases, shot
from ingest.report.facts import DriveLine, IntakeFacts, OffloadLine, Problem
from ingest.report.groups import Group, Row, group
from ingest.report.posters import Posters, choose
from ingest.report.timeline import LEFT, TOP, WIDTH, Strip, draw
from ingest.report.typesetting import Paper, template, typeset

__all__ = ["MAX_POSTERS", "set_pages"]

MAX_POSTERS = 8_000_000
"""Bytes of all posters of a PDF, which is sent by mail."""
_SHORT = 1500
"""A row whose values come to fewer characters fits on a page, whatever the columns' widths."""
_NAMED = 12
"""How many files or clips a problem names on paper; all of them are in the page."""


def set_pages(facts: IntakeFacts, *, paper: Paper = Paper.A4, system_fonts: bool = True) -> bytes:
    """The PDF. Posters are read from disk. Raises CannotTypeset."""
    posters = choose(facts.clips, max_total=MAX_POSTERS)
    keys = {name: f"p{number}" for number, name in enumerate(posters.pictures)}
    made = typeset(
        template("intake.typ"),
        _document(facts, posters, keys),
        title=f"Intake report: {facts.scope}",
        written=facts.as_of,
        paper=paper,
        pictures={keys[name]: picture for name, picture in posters.pictures.items()},
        system_fonts=system_fonts,
    )
    return made.pdf


def _document(facts: IntakeFacts, posters: Posters, keys: Mapping[str, str]) -> dict[str, Any]:
    answer, sign, as_of = facts.verdict.rpartition("(as of ")
    return {
        "scope": facts.scope,
        "answer": answer.rstrip(),
        "as_of": sign + as_of,
        "well": facts.well,
        "remarks": facts.remarks,
        "serious": [_problem(each) for each in facts.problems if each.serious],
        "lesser": [_problem(each) for each in facts.problems if not each.serious],
        "drives": [_drive(drive, facts) for drive in facts.drives],
        "scenes": [
            {
                "scene": scene.scene,
                "takes": scene.takes,
                "circled": scene.circled,
                "clips": scene.clips,
                "cameras": ", ".join(scene.cameras) or "none",
                "sound": "yes" if scene.sound else "none",
                "length": words.length(scene.seconds),
                "owed": ", ".join(scene.owed),
            }
            for scene in facts.scenes
        ],
        "day_end": _day_end(facts),
        "strips": [_strip(strip) for strip in draw(facts.clips)],
        "groups": [_group(each, keys) for each in group(facts)],
        "clips": words.counted(len(facts.clips), "clip"),
        "left_out": words.counted(posters.left_out, "poster") if posters.left_out else "",
        "total_columns": shot.TOTAL_COLUMNS,
        "totals": [
            {"title": title, "rows": [list(row) for row in rows]}
            for title, rows in shot.total_groups(facts)
        ],
        "total_notes": shot.total_notes(facts),
        "recorded": [
            {
                "said": said,
                "wrong": wrong,
                "clips": list(clips[:_NAMED]),
                "more": f"and {len(clips) - _NAMED:,} more, named in the other forms"
                if len(clips) > _NAMED
                else "",
            }
            for said, wrong, clips in shot.recorded_words(facts)
        ],
        "as_meant": shot.AS_MEANT,
        "rolls": [
            {
                "roll": roll.name,
                "card": roll.card,
                "files": words.counted(roll.files, "file"),
                "size": words.size(roll.bytes),
                "good": f"{roll.good_files:,} of {roll.files:,}",
                "well": roll.good_files == roll.files,
            }
            for roll in facts.rolls
        ],
        "wanted": facts.wanted,
        "offloads": [_offload(each) for each in facts.offloads],
        "proves": phrases.proves(sorted({kind for file in facts.files for kind in file.digests})),
        "proves_not": phrases.PROVES_NOT,
        "stands": phrases.STANDS,
        "cautions": facts.cautions,
    }


def _day_end(facts: IntakeFacts) -> dict[str, Any] | None:
    end = facts.day_end
    if end is None:
        return None
    return {
        "title": phrases.day_title(end),
        "unknown": end.unknown,
        "complete": end.verdict == "complete",
        "parts": [
            {"title": title, "open": [dataclasses.asdict(one) for one in its]}
            for title, its in phrases.day_parts(end)
        ],
        "settled": [f"{what} ({said})" if said else what for what, said in end.settled],
    }


def _problem(problem: Problem) -> dict[str, Any]:
    more = len(problem.items) - _NAMED
    return {
        "what": problem.what,
        "do": problem.do.rstrip("."),
        "items": list(problem.items[:_NAMED]),
        "more": f"and {more:,} more, named in the other forms" if more > 0 else "",
    }


def _drive(drive: DriveLine, facts: IntakeFacts) -> dict[str, Any]:
    return _measured(
        {
            "name": drive.name,
            "device": drive.device or "physical device not known",
            "fs_type": drive.fs_type,
            "place": phrases.place_words(drive),
            "root": f"{'plugged in at' if drive.mounted else 'last seen at'} {drive.root}",
            "copies": [{"text": said.text, "bad": said.bad} for said in phrases.drive_words(drive)],
            "read": phrases.read_words(drive),
            "size": words.size(drive.bytes),
            "room": phrases.room_words(drive),
            "pace": drive.pace or "not known",
            "evidence": phrases.evidence_words(drive, facts.as_of),
        }
    )


def _measured(row: dict[str, Any]) -> dict[str, Any]:
    """The row, and whether it surely fits on a page: no text in it is very long."""
    return {**row, "short": len(json.dumps(row)) < _SHORT}


def _strip(strip: Strip) -> dict[str, Any]:
    return {
        "day": strip.day,
        "unplaced": words.counted(strip.unplaced, "clip") if strip.unplaced else "",
        "states": "states" if strip.unplaced == 1 else "state",
        "height": strip.height,
        "width": WIDTH,
        "left": LEFT,
        "top": TOP,
        "ticks": [{"x": tick.x, "label": tick.label} for tick in strip.ticks],
        "lanes": [
            {
                "name": words.shortened(lane.name, 14),
                "y": lane.y,
                "marks": [{"x": mark.x, "label": mark.label} for mark in lane.marks],
                "bars": [
                    {
                        "x": bar.x,
                        "width": bar.width,
                        "circled": bar.circled,
                        "sound": bar.sound,
                    }
                    for bar in lane.bars
                ],
            }
            for lane in strip.lanes
        ],
        "alt": "; ".join(
            f"{words.shortened(lane.name, 40)}: {words.counted(len(lane.bars), 'clip')}"
            for lane in strip.lanes
        ),
    }


def _group(each: Group, keys: Mapping[str, str]) -> dict[str, Any]:
    circled = f", {each.circled:,} circled" if each.circled else ""
    return {
        "title": each.title,
        "count": words.counted(each.count, "clip") + circled,
        "rows": [_row(row, keys) for row in each.rows],
    }


def _row(row: Row, keys: Mapping[str, str]) -> dict[str, Any]:
    clip = row.clip
    health = phrases.health_words(clip)
    return _measured(
        {
            "poster": keys.get(clip.name, ""),
            "kind": clip.kind if clip.kind in ("sound", "still") else "no frame",
            "name": phrases.name_of(clip),
            "full": clip.name if clip.display else "",
            "takes": [
                {
                    "take": f"{take.scene} / {take.take}",
                    "rating": take.rating or "",
                    "more": "; ".join(
                        part
                        for part in (
                            f"shot {take.shot}" if take.shot else "",
                            f"{take.sure}: {take.basis}" if take.sure != "sure" else "",
                            take.note or "",
                        )
                        if part
                    ),
                }
                for take in clip.takes
            ],
            "camera": clip.camera or "none",
            "start": clip.start_timecode or "none",
            "end": clip.end_timecode or "",
            "length": "none"
            if clip.duration_seconds is None
            else words.length(clip.duration_seconds),
            "format": phrases.format_words(clip),
            "size": words.size(clip.bytes),
            "health": {"text": health.text, "bad": health.bad},
            "findings": [*clip.findings, *clip.doubts],
            "copies": [{"text": said.text, "bad": said.bad} for said in row.copies],
            "digest": clip.digest or "no checksum",
            "files": words.counted(len(clip.files), "file") if len(clip.files) > 1 else "",
        }
    )


def _offload(each: OffloadLine) -> dict[str, Any]:
    reads = {0: "not recorded", 1: "read once", 2: "read twice"}
    return {
        "roll": each.roll,
        "card": each.card,
        "when": words.moment(each.started),
        "who": f"{each.who} on {each.machine}",
        "files": words.counted(each.files, "file"),
        "size": words.size(each.bytes),
        "read": reads.get(each.card_read, "read several times"),
        "left": ", ".join(phrases.left_words(each)),
        "verdict": each.verdict,
        "bad": each.verdict != "matched",
    }
