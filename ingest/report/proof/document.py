"""proof.json: the facts for programs, ours among them (`ingest audit --against`)."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Any

from ingest.report.proof.facts import ProofFacts
from ingest.report.proof.words import headline
from ingest.report.schemas import published_schema

__all__ = ["FORMAT", "facts_to_document", "json_schema", "to_json"]

FORMAT = "ingest-proof-1"


def json_schema() -> dict[str, Any]:
    """The published schema of the document (JSON Schema 2020-12), `proof.schema.json`."""
    return published_schema("proof")


def facts_to_document(facts: ProofFacts) -> dict[str, Any]:
    """Everything that the proof says. Bytes of a name that are not UTF-8 stand as lone
    surrogates, as Python reads file names (PEP 383)."""
    return {
        "format": FORMAT,
        "production": facts.production,
        "client": facts.client,
        "scope": facts.scope,
        "as_of": _moment(facts.as_of),
        "says": headline(facts),
        "note": facts.note,
        "verdict": "matched" if facts.well else "problem",
        "redacted": facts.redacted,
        "signer": facts.signer or None,
        "shows_tampering": bool(facts.signer) and facts.binds,
        "rolls": [
            {
                "roll": roll.name,
                "day": roll.day,
                "date": roll.date,
                "camera": roll.camera,
                "card": roll.card,
                "files": roll.files,
                "bytes": roll.bytes,
                "card_read": roll.card_read,
                "offloaded": _moment(roll.offloaded),
                "by": roll.by or None,
                "manifest": roll.manifest or None,
            }
            for roll in facts.rolls
        ],
        "drives": [
            {
                "drive": drive.name,
                "files": drive.files,
                "matched": drive.matched,
                "read_past_the_cache": drive.proven,
                "cache_possible": drive.cached,
                "compared_with_a_list_only": drive.own_list,
                "bad": drive.bad,
                "not_read": drive.waiting,
                "bytes": drive.bytes,
                "oldest_look": _moment(drive.oldest),
                "newest_look": _moment(drive.newest),
            }
            for drive in facts.drives
        ],
        "findings": [
            {"drive": one.drive or None, "path": one.what, "state": one.state, "detail": one.detail}
            for one in facts.findings
        ],
        "clips": [
            {
                "clip": clip.name,
                "day": clip.day,
                "camera": clip.camera,
                "takes": list(clip.takes),
                "notes": list(clip.notes),
                "start_timecode": clip.start_timecode,
                "duration_seconds": str(clip.duration_seconds)
                if clip.duration_seconds is not None
                else None,
                "bytes": clip.bytes,
            }
            for clip in facts.clips
        ],
        "files": [
            {
                "roll": file.roll,
                "path": file.path,
                "size": file.size,
                "modified_ns": file.mtime_ns,
                "digests": dict(sorted(file.digests.items())),
            }
            for file in facts.files
        ],
        "layouts": [
            {"drives": list(layout.drives), "paths": dict(sorted(layout.paths.items()))}
            for layout in facts.layouts
        ],
    }


def to_json(facts: ProofFacts) -> bytes:
    return json.dumps(facts_to_document(facts), indent=1).encode("ascii") + b"\n"


def _moment(at: datetime | None) -> str | None:
    return at.astimezone(UTC).isoformat() if at else None
