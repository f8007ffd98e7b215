"""proof.pdf: what was checked, to read and to print."""

from __future__ import annotations

from collections.abc import Sequence

from ingest.report.proof.facts import ProofClip, ProofFacts, ProofRoll
from ingest.report.proof.page import drive_rows
from ingest.report.proof.text import finding_line
from ingest.report.proof.verify import systems
from ingest.report.proof.words import bounds, headline, missing_kinds, title
from ingest.report.typesetting import Paper, template, typeset
from ingest.wording import length, moment, size

__all__ = ["proof_pdf"]

_MOST = 200
"""Findings that are set; the rest stands in VERIFY.txt and proof.json."""


def proof_pdf(facts: ProofFacts, paper: Paper = Paper.A4) -> bytes:
    """Raises CannotTypeset when the typesetter is missing or refuses."""
    linux = next(one for one in systems(facts) if one.name == "Linux")
    more = len(facts.findings) - _MOST
    values = {
        "heading": title(facts),
        "headline": headline(facts),
        "well": facts.well,
        "production": facts.production,
        "client": facts.client,
        "note": facts.note,
        "redacted": facts.redacted,
        "findings": [finding_line(one) for one in facts.findings[:_MOST]],
        "more_findings": f"and {more:,} more, in VERIFY.txt" if more > 0 else "",
        "drives": drive_rows(facts),
        "linux": [command for step in linux.steps for command in step.commands],
        "missing": [line for line in missing_kinds(facts) if not line.startswith("Do:")],
        "bounds": list(bounds(facts)),
        "rolls": [_roll(roll) for roll in facts.rolls],
        "clips": [_clip(clip) for clip in facts.clips],
    }
    return typeset(
        template("proof.typ"), values, title=title(facts), written=facts.as_of, paper=paper
    ).pdf


def _roll(roll: ProofRoll) -> dict[str, str]:
    copied = moment(roll.offloaded) if roll.offloaded else "not known"
    return {
        "name": roll.name,
        "day": f"{roll.day}, {roll.date}",
        "card": ", ".join(filter(None, (roll.camera, roll.card))),
        "files": f"{roll.files:,}",
        "size": size(roll.bytes),
        "card_read": _TIMES.get(roll.card_read, f"{roll.card_read} times"),
        "copied": copied + (f", by {roll.by}" if roll.by else ""),
    }


_TIMES = {0: "not known", 1: "once", 2: "twice"}


def _clip(clip: ProofClip) -> dict[str, str]:
    return {
        "name": clip.name,
        "timecode": clip.start_timecode or "–",
        "length": length(clip.duration_seconds) if clip.duration_seconds is not None else "–",
        "size": size(clip.bytes),
        "takes": _takes(clip.takes, clip.notes),
    }


def _takes(takes: Sequence[str], notes: Sequence[str]) -> str:
    return "; ".join(takes) + (f" ({'; '.join(notes)})" if notes else "")
