"""The published schemas of what is written as JSON (JSON Schema 2020-12)."""

from __future__ import annotations

import json
from importlib.resources import files as resources
from typing import Any

__all__ = ["published_schema"]


def published_schema(name: str) -> dict[str, Any]:
    """The schema of that name, `intake-report` or `proof`. Raises FileNotFoundError."""
    place = resources("ingest.report") / "templates" / f"{name}.schema.json"
    schema: dict[str, Any] = json.loads(place.read_text(encoding="utf-8"))
    return schema
