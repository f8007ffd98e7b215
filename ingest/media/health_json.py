"""Health of a clip as plain JSON, and back: what the catalog keeps and lists hand out."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ingest.media.health import Depth, Finding, Health, Severity

__all__ = ["health_from_json", "health_to_json"]


def health_to_json(health: Health) -> dict[str, Any]:
    """The health as a dict that `json.dumps` takes; `state` stands first, worked out."""
    return {
        "state": health.state.value,
        "depth": health.depth.value,
        "findings": [
            {"kind": each.kind, "severity": each.severity.value, "words": each.words}
            for each in health.findings
        ],
        "frames": health.frames,
        "unchecked": health.unchecked,
    }


def health_from_json(document: Mapping[str, Any]) -> Health:
    """The health again; `state` is worked out anew. Raises ValueError where it can't be one."""
    try:
        return Health(
            depth=Depth(document["depth"]),
            findings=tuple(
                Finding(str(each["kind"]), Severity(each["severity"]), str(each["words"]))
                for each in document["findings"]
            ),
            frames=None if document.get("frames") is None else int(document["frames"]),
            unchecked=str(document.get("unchecked") or ""),
        )
    except (KeyError, TypeError) as error:
        raise ValueError(f"no health of a clip: {error!r}") from error
