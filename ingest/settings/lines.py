"""On which line of a TOML text a key stands. The standard library's reader doesn't say."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence

__all__ = ["line_of"]


def line_of(text: str, path: Sequence[str]) -> int:
    """The line, from 1, on which the value at `path` begins. 1 when it isn't there.

    `text` must be valid TOML. The text is read again line by line: the value stands right after
    the longest part that can be read without it. That costs a reading a line, and is only
    done for a message.
    """
    lines = text.splitlines(keepends=True)
    before = 0
    for count in range(1, len(lines) + 1):
        try:
            told: object = tomllib.loads("".join(lines[:count]))
        except tomllib.TOMLDecodeError:
            continue
        if _holds(told, path):
            return _first_written(lines, before, count)
        before = count
    return 1


def _holds(told: object, path: Sequence[str]) -> bool:
    for key in path:
        if isinstance(told, list):
            told = told[-1] if told else None
        if not isinstance(told, dict) or key not in told:
            return False
        told = told[key]
    return True


def _first_written(lines: Sequence[str], before: int, count: int) -> int:
    """The first of the lines (before, count] that is more than a comment, from 1."""
    for number in range(before, count):
        written = lines[number].strip()
        if written and not written.startswith("#"):
            return number + 1
    return count
