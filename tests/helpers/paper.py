"""Slate logs as the tests read them."""

from __future__ import annotations

from typing import Any

from ingest.catalog.records import SlateRow
from ingest.slate.log import read_log


def rows_of(path: str, **more: Any) -> tuple[SlateRow, ...]:
    """The rows alone of the log at `path`."""
    return read_log(path, **more).rows
